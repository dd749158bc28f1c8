"""The exposure that a unit makes, and its run in the record. Pure; the lower half of the core.

Inputs and the rest of the unit are in ``core``; what plates have to do with an exposure they say by
overriding the hooks.
"""

from __future__ import annotations

import math
from typing import Any

from platelink.control.advisory import AdvisoryExposure
from platelink.control.exposure import CLOSE_AGAIN_S, Exposure
from platelink.control.states import (
    ENDED,
    Ended,
    ExposureOutput,
    Learned,
    Noted,
    Plain,
    Send,
    State,
)
from platelink.daemon.job import CoreOutput, Job, Refused, UnitSettings
from platelink.daemon.recording import EventNoted, Recording, RunBegun, RunEnded, run_channels
from platelink.link import messages as m
from platelink.link.session import Session
from platelink.sensing.readings import Converter, Reading

SELDOM = 4
"""Frames come this many times less often while no light is on or asked for."""
CLOCK_KNOWN = 5e-5
"""Relative uncertainty of the device's tick from which on it needs no more frames than that: a
twentieth of what a dose may be off."""
_DARK = {State.IDLE, *ENDED}
MAX_FRAME_TICKS = 1000
"""The device takes no more."""


class ExposureSide:
    """See the file's first lines."""

    def __init__(
        self, settings: UnitSettings, converter: Converter, learned: Learned, *, now: float
    ) -> None:
        self.settings = settings
        self.learned = learned
        self.session = Session()
        self.converter = converter
        self.exposure: Exposure | AdvisoryExposure | None = None
        self.reading: Reading | None = None
        self._recording: Recording | None = None
        self._order = 0
        self._hello: m.Hello | None = None
        self._mismatch = ""
        self._up = False
        self._lamp_on = False
        self._close_at = -math.inf
        self._frame_ticks = 0
        """Ticks between two frames, as asked for since the link came up."""
        self._now = now
        self._at_utc_ms = 0
        self._out: list[CoreOutput] = []

    @property
    def up(self) -> bool:
        """The device answers."""
        return self._up

    @property
    def run_id(self) -> str | None:
        """The run that is being recorded."""
        return self._recording.run_id if self._recording else None

    # --- commands --------------------------------------------------------------------------

    def expose(self, job: Job, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Accept an exposure and open its run. Nothing is sent before ``start``."""
        self._stamp(now, at_utc_ms)
        self._accept(job)
        return self._take()

    def _accept(self, job: Job, on_bed: str | None = None) -> bool:
        problem, now = self._cannot_expose(job, on_bed), self._now
        if problem:
            self._out.append(Refused(problem))
            return False
        self._begin_run(job)
        optics, learned = self.settings.optics, self.learned
        if self.settings.advisory:
            self.exposure = AdvisoryExposure(job.request, optics, learned, now=now)
        else:
            self.exposure = Exposure(job.request, optics, learned, order=self._order + 1, now=now)
        if job.overdue:
            self._event("calibration overdue", "; ".join(job.overdue) + " (accepted)")
        return True

    def start(self, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Begin the exposure accepted, if there is one: its run is in the record."""
        self._stamp(now, at_utc_ms)
        waits = self.exposure is not None and self.exposure.state is State.IDLE
        if self.exposure is not None and self._recording is not None and waits:
            self._exposure_begins(self._recording.run_id)
            self._from_exposure(self.exposure.start(now=now))
        return self._take()

    def withdraw(self) -> None:
        """Forget the exposure accepted: its run cannot be recorded, so it is not made."""
        if self.exposure is not None and self.exposure.state is State.IDLE:
            self.exposure = self._recording = None

    def command(
        self, name: str, reason: str, *, who: str = "", now: float, at_utc_ms: int
    ) -> tuple[CoreOutput, ...]:
        """Carry out hold, restart, stop or abort on the present exposure."""
        self._stamp(now, at_utc_ms)
        if who:
            self._event("asked", f"{name}, by {who}", {"act": name, "who": who, "reason": reason})
        self._command(name, reason)
        return self._take()

    def _command(self, name: str, reason: str) -> None:
        exposure, now = self.exposure, self._now
        if exposure is None or exposure.state in ENDED:
            self._without_exposure(name, reason)
        elif name == "restart" and self._mismatch:
            self._out.append(Refused(self._mismatch))
        elif name == "restart":
            self._from_exposure(exposure.restart(now=now))
        elif name == "hold":
            self._from_exposure(exposure.hold(reason, now=now))
        elif name == "stop":
            self._from_exposure(exposure.stop(reason, now=now))
        elif name == "abort":
            self._from_exposure(exposure.abort(reason, now=now))
        else:
            self._out.append(Refused(f"{name}: not a command; use hold, restart, stop or abort"))

    def _without_exposure(self, name: str, reason: str) -> None:
        """Light under an order that nobody here owns (a daemon before us gave it) can be ended."""
        if self._up and self._lamp_on and name in ("hold", "stop", "abort"):
            self._end_left_light(reason)
        else:
            self._out.append(Refused(f"{name}: no exposure is going on"))

    def _end_left_light(self, reason: str) -> None:
        self._close_at = self._now + CLOSE_AGAIN_S
        self.session.send(m.Close(m.ORDER_NONE), now=self._now)
        self._event("lamp switched off", reason)

    def ask_device(self, *, now: float) -> None:
        """Ask for the account of the newest order."""
        self.session.send(m.GetOrder(), now=now)

    def _cannot_expose(self, job: Job, for_plate: str | None) -> str:
        if self.exposure is not None and self.exposure.state not in ENDED:
            return f"an exposure is {self.exposure.state}; end it first"
        bed_taken = self._bed_taken(for_plate)
        if bed_taken:
            return bed_taken
        if not self._up:
            text = self.session.status().text
            return f"no link to the device: {text}; see `platelink doctor`"
        if self._mismatch:
            return self._mismatch
        if job.overdue and not job.accept_overdue:
            return "; ".join(job.overdue) + "; calibrate, or accept it for this run"
        return ""

    # --- hooks -----------------------------------------------------------------------------

    def _bed_taken(self, for_plate: str | None) -> str:
        """Why an exposure cannot begin because of a plate; empty when it can."""
        return ""

    def _exposure_begins(self, run_id: str) -> None:
        """The exposure accepted begins now."""

    def _exposure_moved(self, to: State, run_id: str) -> None:
        """The exposure is in another state."""

    def _exposure_over(self, run_id: str, ended: Ended) -> None:
        """The exposure is over and its run closed."""

    def _take(self) -> tuple[CoreOutput, ...]:
        out, self._out = tuple(self._out), []
        return out

    def _pace(self) -> None:
        """Ask for frames as often as they are needed."""
        exposure = self.exposure
        often = (
            self._lamp_on
            or (exposure is not None and exposure.state not in _DARK)
            or self.session.clock.rel_uncertainty > CLOCK_KNOWN
        )
        ticks = self.settings.frame_ticks
        if not often:
            ticks = min(SELDOM * ticks, MAX_FRAME_TICKS)
        if ticks != self._frame_ticks and self._up:
            self._frame_ticks = ticks
            self.session.send(m.SetFrame(ticks), now=self._now)

    # --- the record ------------------------------------------------------------------------

    def _from_exposure(self, outputs: tuple[ExposureOutput, ...]) -> None:
        for output in outputs:
            if isinstance(output, Send):
                self.session.send(output.command, now=self._now)
            elif isinstance(output, Noted):
                self._event(output.name, output.text, output.data, output.ticks)
                if output.name == "state" and self._recording is not None:
                    self._exposure_moved(State(str(output.data["to"])), self._recording.run_id)
            else:
                self._end_run(output)

    def _begin_run(self, job: Job) -> None:
        n = len(self.settings.optics.light.channels)
        self._recording = Recording(job.run_id, n, now=self._now, at_utc_ms=self._at_utc_ms)
        hello = self._hello
        learned = self.learned
        facts: dict[str, Any] = {
            "step": job.step,
            "operator": job.operator,
            "plate": job.plate,
            "job": job.job,
            "note": job.note,
            "target_dose_mj_cm2": job.request.target_dose_mj_cm2,
            "request": job.asked,
            "conditions": {
                **self.settings.conditions,
                "learned": {
                    "afterglow_s": learned.afterglow_s,
                    "warm_up_deficit_s": learned.warm_up_deficit_s,
                    "irradiance_mw_cm2": learned.irradiance_mw_cm2,
                },
                "device": {
                    "boot_id": hello.boot_id if hello else None,
                    "firmware": ".".join(map(str, hello.firmware)) if hello else None,
                    "board": hello.board if hello else None,
                    "adc_bits": hello.adc_bits if hello else None,
                },
            },
        }
        self._out.append(RunBegun(job.run_id, self._at_utc_ms, facts, run_channels(n)))

    def _end_run(self, ended: Ended) -> None:
        recording = self._recording
        if recording is None:
            return
        if ended.learned is not None:
            self.learned = ended.learned
            self._event(
                "learned",
                f"after-glow {1000.0 * ended.learned.afterglow_s:.1f} ms",
                {
                    "afterglow_s": ended.learned.afterglow_s,
                    "warm_up_deficit_s": ended.learned.warm_up_deficit_s,
                    "irradiance_mw_cm2": ended.learned.irradiance_mw_cm2,
                },
            )
        self._write_samples(recording)
        at_utc_ms = recording.utc.at_ms(self._now)
        self._out.append(RunEnded(recording.run_id, at_utc_ms, ended, recording.gaps))
        self._recording = None
        self._exposure_over(recording.run_id, ended)

    def _write_samples(self, recording: Recording) -> None:
        block = recording.take()
        if block is not None:
            self._out.append(block)

    def _event(
        self,
        name: str,
        text: str,
        data: dict[str, Plain] | None = None,
        ticks: int | None = None,
    ) -> None:
        recording = self._recording
        run_id = recording.run_id if recording else None
        at_utc_ms = recording.utc.at_ms(self._now) if recording else self._at_utc_ms
        if recording and ticks is not None:
            ticks += recording.tick_offset
        self._out.append(EventNoted(run_id, at_utc_ms, name, text, ticks, data or {}))

    def _stamp(self, now: float, at_utc_ms: int) -> None:
        self._now = now
        self._at_utc_ms = at_utc_ms
        if self._recording is not None:
            stepped = self._recording.utc.observe(at_utc_ms, now=now)
            if stepped is not None:
                self._event("computer clock set", str(stepped))
