"""The record of the unit: the run of the exposure with its samples, and events stamped. Pure.

Within a run events carry its clock and its count of ticks, outside it the computer's clock. Runs
of plates and bakes are in ``plate_runs``.
"""

from __future__ import annotations

from dataclasses import asdict
from datetime import date, timedelta

from platelink.control.alarm.states import NOTHING, Of
from platelink.control.light.face import AnyExposure
from platelink.control.light.request import PLAIN, Reciprocity
from platelink.control.states import Ended, Noted
from platelink.events.unit import ComputerClockSet
from platelink.link import messages as m
from platelink.link.utc import STEP_MS
from platelink.sensing.budget import Given, OnBed, budget
from platelink.sensing.readings import Reading
from platelink.unit.job import UnitSettings
from platelink.unit.lit import LitLamps
from platelink.unit.outputs import CLOCK_SNAPSHOT, EventNoted, RunBegun, RunEnded, RunSampled
from platelink.unit.sample_buffer import SampleBuffer, run_channels
from platelink.unit.stamp import Stamp
from platelink.unit.values import ExposureAccepted


class MeanLight:
    """What the uncertainty of an exposure's dose wants to know of its light: means weighted with
    the light itself, so that dark moments count for nothing."""

    def __init__(self, law: Reciprocity) -> None:
        self._law = law
        self._light = self._squares = 0.0
        self._head_light = self._head = 0.0
        self._clock = 0.0

    def add(self, reading: Reading, tick_uncertainty: float) -> None:
        """The next sample while light is counted."""
        level = max(0.0, reading.irradiance_mw_cm2 or 0.0)
        self._light += level
        self._squares += level * level
        if reading.head_c is not None:
            self._head_light += level
            self._head += level * reading.head_c
        self._clock = tick_uncertainty

    def given(self, light_s: float, at_utc_ms: int) -> Given:
        """All of it, at the exposure's end."""
        law = self._law
        return Given(
            irradiance_mw_cm2=self._squares / self._light if self._light else 0.0,
            light_s=light_s,
            on=date(1970, 1, 1) + timedelta(milliseconds=at_utc_ms),
            head_c=self._head / self._head_light if self._head_light else None,
            clock_relative=self._clock,
            p=law.p, p_uncertainty=law.p_uncertainty, reference_mw_cm2=law.reference_mw_cm2,
        )  # fmt: skip


class Recording:
    """See the file's first lines."""

    def __init__(self, settings: UnitSettings) -> None:
        self.settings = settings
        self._n = len(settings.optics.light.channels)
        self._light = MeanLight(PLAIN)
        self._run: SampleBuffer | None = None
        self._lit: LitLamps | None = None
        self._dark_mw_cm2, self._owned = settings.optics.dark_mw_cm2, not settings.advisory
        self._ahead_ms: int | None = None
        self._plate: str | None = None
        self._on_bed: OnBed | None = None

    @property
    def run_id(self) -> str | None:
        """The run that is being recorded."""
        return self._run.run_id if self._run else None

    @property
    def of(self) -> Of:
        """That run, and its plate."""
        return Of(self._run.run_id, self._plate) if self._run else NOTHING

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
        self._light = MeanLight(job.request.reciprocity)
        self._plate, self._on_bed = job.plate, job.on_bed
        conditions = self.settings.conditions
        self._lit = LitLamps(self._dark_mw_cm2, owned=self._owned)
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
                **conditions,
                "light": conditions.get("light", {}) | _law(job.request.reciprocity),
                "learned": {
                    "afterglow_s": learned.afterglow_s,
                    "warm_up_deficit_s": learned.warm_up_deficit_s,
                    "irradiance_mw_cm2": learned.irradiance_mw_cm2,
                    **({} if learned.forecast is None else asdict(learned.forecast)),
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
        self, sample: m.Sample, reading: Reading, exposure: AnyExposure, tick_s: float,
        tick_uncertainty: float,
    ) -> tuple[RunSampled, ...]:  # fmt: skip
        """Take one sample of the run, if there is one; a block when it is time."""
        if self._run is None:
            return ()
        counting = exposure.integrating
        self._run.add(sample, reading, exposure.dose_mj_cm2, tick_s, counting)
        if counting:
            self._light.add(reading, tick_uncertainty)
        if self._lit is not None:
            self._lit.add(sample, reading)
        return self.due(reading.t)

    def due(self, t: float) -> tuple[RunSampled, ...]:
        """The samples in hand when they must be written."""
        return self._run.due(t) if self._run else ()

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
        lamps = self._lit.told() if self._lit is not None else None
        at_ms, settings = run.utc.at_ms(at.now), self.settings
        given = self._light.given(ended.light_s, at_ms)
        found = budget(settings.optics.light, given, settings.stated, self._on_bed)
        return (*last, RunEnded(run.run_id, at_ms, ended, run.gaps, found, lamps))


def _law(law: Reciprocity) -> dict[str, float | None]:
    """How light counted, as it is recorded."""
    return {
        "reciprocity_p": law.p,
        "reciprocity_p_uncertainty": law.p_uncertainty,
        "reference_mw_cm2": law.reference_mw_cm2,
    }
