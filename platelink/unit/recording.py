"""The record of the unit: the run of the exposure with its samples, and events stamped. Pure.

Within a run events carry its clock and its count of ticks, outside it the computer's clock. Runs
of plates and bakes are in ``plate_runs``.
"""

from __future__ import annotations

from platelink.control.light.request import Reciprocity
from platelink.control.states import Ended, Noted
from platelink.events.unit import ComputerClockSet
from platelink.link import messages as m
from platelink.link.utc import STEP_MS
from platelink.sensing.readings import Reading
from platelink.unit.job import UnitSettings
from platelink.unit.outputs import CLOCK_SNAPSHOT, EventNoted, RunBegun, RunEnded, RunSampled
from platelink.unit.sample_buffer import SampleBuffer, run_channels
from platelink.unit.stamp import Stamp
from platelink.unit.values import ExposureAccepted


class Recording:
    """See the file's first lines."""

    def __init__(self, settings: UnitSettings) -> None:
        self._n = len(settings.optics.light.channels)
        self._conditions = settings.conditions
        self._run: SampleBuffer | None = None
        self._ahead_ms: int | None = None

    @property
    def run_id(self) -> str | None:
        """The run that is being recorded."""
        return self._run.run_id if self._run else None

    def deadline(self) -> float | None:
        """When the samples in hand must be written."""
        return self._run.deadline() if self._run else None

    # --- events ----------------------------------------------------------------------------

    def observe(self, *, at: Stamp) -> tuple[EventNoted, ...]:
        """Compare the computer's clock with the run's; a step of it is an event."""
        stepped = self._run.utc.observe(at.utc_ms, now=at.now) if self._run else None
        if stepped is None:
            return ()
        return (self.event(Noted(ComputerClockSet(stepped.step_ms), str(stepped)), at=at),)

    def clock(self, *, at: Stamp) -> dict[str, int]:
        """How the computer's clock stands, to be kept when it was set."""
        known, now = self._ahead_ms, at.ahead_ms
        if known is not None and abs(now - known) < STEP_MS:
            return {}
        self._ahead_ms = now
        return {} if known is None else {CLOCK_SNAPSHOT: now}

    def event(self, noted: Noted, *, at: Stamp) -> EventNoted:
        """An event of the run, or of the unit outside one."""
        run, ticks = self._run, noted.ticks
        if run is None:
            return EventNoted(None, at.utc_ms, noted.event, noted.text, ticks)
        ticks = None if ticks is None else ticks + run.tick_offset
        return EventNoted(run.run_id, run.utc.at_ms(at.now), noted.event, noted.text, ticks)

    # --- the run ---------------------------------------------------------------------------

    def begin(self, accepted: ExposureAccepted, *, at: Stamp) -> RunBegun:
        """Open the run of an exposure."""
        job, learned, device = accepted.job, accepted.learned, accepted.device
        self._run = SampleBuffer(job.run_id, self._n, at=at)
        return RunBegun(
            run_id=job.run_id,
            at_utc_ms=at.utc_ms,
            kind="expose",
            step=job.step,
            operator=job.operator,
            plate=job.plate,
            job=job.job,
            note=job.note,
            target_dose_mj_cm2=job.request.target_dose_mj_cm2,
            request=job.recorded_request,
            conditions={
                **self._conditions,
                "light": self._conditions.get("light", {}) | _law(job.request.reciprocity),
                "learned": {
                    "afterglow_s": learned.afterglow_s,
                    "warm_up_deficit_s": learned.warm_up_deficit_s,
                    "irradiance_mw_cm2": learned.irradiance_mw_cm2,
                },
                "device": {
                    "boot_id": device.boot_id if device else None,
                    "firmware": ".".join(map(str, device.firmware)) if device else None,
                    "board": device.board if device else None,
                    "adc_bits": device.adc_bits if device else None,
                    "order": accepted.order,
                },
            },
            channels=run_channels(self._n),
        )

    def withdraw(self) -> None:
        """Forget the run begun: it cannot be recorded."""
        self._run = None

    def sample(
        self, sample: m.Sample, reading: Reading, dose_mj_cm2: float, tick_s: float, counting: bool
    ) -> tuple[RunSampled, ...]:
        """Take one sample of the run, if there is one; a block when it is time."""
        if self._run is None:
            return ()
        self._run.add(sample, reading, dose_mj_cm2, tick_s, counting)
        return self.due(reading.t)

    def due(self, t: float) -> tuple[RunSampled, ...]:
        """The samples in hand when they must be written."""
        deadline = self.deadline()
        return self.flush() if deadline is not None and t >= deadline else ()

    def flush(self) -> tuple[RunSampled, ...]:
        """The samples in hand."""
        block = self._run.take() if self._run else None
        return (block,) if block is not None else ()

    def device_restarted(self, tick: int, t: float) -> None:
        """The device counts anew."""
        if self._run is not None:
            self._run.device_restarted(tick, t)

    def end(self, ended: Ended, *, at: Stamp) -> tuple[RunSampled | RunEnded, ...]:
        """Close the run."""
        run, last = self._run, self.flush()
        if run is None:
            return ()
        self._run = None
        return (*last, RunEnded(run.run_id, run.utc.at_ms(at.now), ended, run.gaps))


def _law(law: Reciprocity) -> dict[str, float | None]:
    """How light counted, as it is recorded."""
    return {
        "reciprocity_p": law.p,
        "reciprocity_p_uncertainty": law.p_uncertainty,
        "reference_mw_cm2": law.reference_mw_cm2,
    }
