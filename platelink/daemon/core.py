"""One unit as one pure object: link, sensing, exposure, and what is to be recorded.

Bytes, commands and time come in; bytes to send, entries for the journal and notices come out. The
daemon's shell and the simulations drive the very same object.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import IntEnum
from typing import Any

from platelink.control.advisory import AdvisoryExposure
from platelink.control.alarm_states import Condition
from platelink.control.exposure import (
    CLOSE_AGAIN_S,
    Exposure,
    ExposureRequest,
    ExposureStatus,
    Optics,
)
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.room import PlateRoom
from platelink.control.procedure.said import (
    Asked,
    ExposureAct,
    ExposureAsked,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
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
from platelink.daemon.plate_record import PlateRecord
from platelink.daemon.recording import (
    EventNoted,
    Recording,
    RecordOp,
    RunBegun,
    RunEnded,
    StateKept,
    run_channels,
)
from platelink.daemon.unit_watch import UnitWatch
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.link.session import Session
from platelink.sensing.readings import Converter, Reading

EVENT_WORDS: dict[int, str] = {
    m.EventCode.BOOT: "device started",
    m.EventCode.INTERLOCK_OPENED: "interlock opened",
    m.EventCode.INTERLOCK_CLOSED: "interlock closed",
    m.EventCode.STOP_PRESSED: "stop pressed",
    m.EventCode.STOP_RELEASED: "stop released",
    m.EventCode.HOST_SILENT: "device heard no host",
    m.EventCode.HOST_BACK: "device hears the host again",
    m.EventCode.OUTPUT_EXPIRED: "output expired",
    m.EventCode.LATCH_RESET: "latch reset",
    m.EventCode.ORDER_ARMED: "order armed",
    m.EventCode.LAMP_OPENED: "lamp opened",
    m.EventCode.LAMP_CLOSED: "lamp closed",
}
_ARGUMENT: dict[int, type[IntEnum]] = {
    m.EventCode.BOOT: m.ResetCause,
    m.EventCode.LAMP_CLOSED: m.CloseReason,
    m.EventCode.OUTPUT_EXPIRED: m.Output,
}


def in_words(kind: type[IntEnum], code: int) -> str:
    """A code of the device for people; one that this host does not know is no fault."""
    try:
        return kind(code).name.lower().replace("_", " ")
    except ValueError:
        return f"{code} (not known here)"


@dataclass(frozen=True, slots=True)
class UnitSettings:
    """What the core must know of its unit."""

    optics: Optics
    advisory: bool
    frame_ticks: int
    conditions: dict[str, object]
    """Calibrations and settings as they go into every run's start."""
    steps: StepDefaults = field(default_factory=StepDefaults)
    """What a recipe leaves to the unit."""


@dataclass(frozen=True, slots=True)
class Job:
    """One exposure asked for."""

    run_id: str
    step: str
    request: ExposureRequest
    operator: str | None = None
    plate: str | None = None
    job: str | None = None
    note: str | None = None
    overdue: tuple[str, ...] = ()
    """Calibrations past their date when it was asked for."""
    accept_overdue: bool = False
    asked: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class _Pending:
    """An exposure accepted for a plate and not begun yet."""

    plate: str
    asked: Asked


@dataclass(frozen=True, slots=True)
class Refused:
    """A command that cannot be carried out, and why."""

    text: str


@dataclass(frozen=True, slots=True)
class DeviceReported:
    """The device's account of its newest order, for closing runs left open by a crash."""

    report: m.OrderReport


CoreOutput = RecordOp | Refused | DeviceReported


@dataclass(frozen=True, slots=True)
class UnitStatus:
    """Everything a face shows, at one moment."""

    link: link.LinkStatus
    reading: Reading | None
    run_id: str | None
    exposure: ExposureStatus | None


OVEN_S = 0.45
"""Least time between two oven temperatures given to the plates."""
KEEP_S = 1.0
"""How often what goes on in plates is kept: what a crash may cost of their times."""


class UnitCore:
    """See the file's first lines."""

    def __init__(
        self,
        settings: UnitSettings,
        converter: Converter,
        learned: Learned,
        *,
        now: float,
    ) -> None:
        self.settings = settings
        self.learned = learned
        self.session = Session()
        self.converter = converter
        self.exposure: Exposure | AdvisoryExposure | None = None
        self.reading: Reading | None = None
        self.room = PlateRoom(settings.steps)
        self.watch = UnitWatch(now=now)
        self._plate_record = PlateRecord(len(settings.optics.light.channels), settings.conditions)
        self._pending: _Pending | None = None
        self._oven_at = self._keep_at = -math.inf
        self._gone: dict[str, Any] = {}
        """Names of kept state whose time is over."""
        self.recovering = False
        """An exposure that a process before us began is still being closed."""
        self._close_at = -math.inf
        self._vacuum_on = False
        self._recording: Recording | None = None
        self._order = 0
        self._hello: m.Hello | None = None
        self._mismatch = ""
        self._up = False
        self._lamp_on = False
        self._now = now
        self._at_utc_ms = 0
        self._handlers: dict[type[object], Callable[[Any], None]] = {
            link.SampleReceived: self._sampled,
            link.CommandAnswered: self._answered,
            link.CommandUnanswered: self._unanswered,
            link.OrderReported: self._reported,
            link.DeviceEventReceived: self._device_event,
            link.LinkUp: self._link_up,
            link.LinkLost: self._link_lost,
            link.ProtocolMismatch: lambda o: self._event("protocol mismatch", str(o)),
            link.GarbageReceived: lambda o: self._event("garbage on the port", o.measured),
            link.EventsLost: lambda o: self._event(
                "device events lost", f"numbers {o.first} to {o.last}"
            ),
        }
        self._out: list[CoreOutput] = []

    # --- inputs ----------------------------------------------------------------------------

    def port_opened(self, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """The port is open; the session says hello."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.port_opened(now=now))
        return self._take()

    def port_lost(self, reason: str, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """The port is gone."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.port_lost(reason, now=now))
        return self._take()

    def receive(self, data: bytes, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Bytes from the device."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.receive(data, now=now))
        return self._take()

    def tick(self, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Run what is due."""
        self._stamp(now, at_utc_ms)
        self._from_link(self.session.tick(now=now))
        if self.exposure is not None:
            self._from_exposure(self.exposure.tick(now=now))
        self._from_plates(self.room.tick(now=now))
        recording = self._recording
        if recording is not None and now >= (recording.deadline() or math.inf):
            self._write_samples(recording)
        return self._take()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        dues = [self.session.next_deadline()]
        if self.exposure is not None:
            dues.append(self.exposure.next_deadline())
        if self._recording is not None:
            dues.append(self._recording.deadline())
        dues += [self.room.next_deadline(), self.watch.next_deadline()]
        return min((due for due in dues if due is not None), default=None)

    def flush(self) -> tuple[CoreOutput, ...]:
        """The samples in hand, because the process ends."""
        if self._recording is not None:
            self._write_samples(self._recording)
        return self._take()

    def data_to_send(self) -> bytes:
        """Bytes for the device."""
        return self.session.data_to_send()

    @property
    def up(self) -> bool:
        """The device answers."""
        return self._up

    @property
    def run_id(self) -> str | None:
        """The run that is being recorded."""
        return self._recording.run_id if self._recording else None

    def status(self, *, now: float) -> UnitStatus:
        """Everything a face shows."""
        return UnitStatus(
            link=self.session.status(now=now),
            reading=self.reading,
            run_id=self.run_id,
            exposure=self.exposure.status() if self.exposure else None,
        )

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
        pending, self._pending = self._pending, None
        waits = self.exposure is not None and self.exposure.state is State.IDLE
        if self.exposure is not None and self._recording is not None and waits:
            if pending is not None:
                run_id = self._recording.run_id
                self._from_plates(
                    self.room.exposure_begun(pending.plate, run_id, pending.asked, now=now)
                )
            self._from_exposure(self.exposure.start(now=now))
        return self._take()

    def withdraw(self) -> None:
        """Forget the exposure accepted: its run cannot be recorded, so it is not made."""
        if self.exposure is not None and self.exposure.state is State.IDLE:
            self.exposure = self._recording = None
        self._pending = None

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

    def _watch_left_light(self) -> None:
        """Light that no exposure of this program makes is the end of an order given before, which
        is awaited; else it is nobody's, or its plate was stopped meanwhile, and is ended."""
        ours = self.exposure is not None and self.exposure.state not in ENDED
        if ours or not self._lamp_on or self._now < self._close_at:
            return
        on_bed = self.room.on_bed()
        plate = self.room.plates[on_bed] if on_bed is not None else None
        if plate is not None and plate.cut and plate.state in (State.STOPPING, State.ABORTING):
            self._end_left_light(f"plate {on_bed} is {plate.state}")
        elif not self.recovering:
            self._end_left_light("light that belongs to no exposure")

    def ask_device(self, *, now: float) -> None:
        """Ask for the account of the newest order."""
        self.session.send(m.GetOrder(), now=now)

    def _cannot_expose(self, job: Job, for_plate: str | None) -> str:
        if self.exposure is not None and self.exposure.state not in ENDED:
            return f"an exposure is {self.exposure.state}; end it first"
        on_bed = self.room.on_bed()
        if on_bed is not None and on_bed != for_plate:
            return f"plate {on_bed} is on the exposure bed; end its step first"
        if not self._up:
            text = self.session.status().text
            return f"no link to the device: {text}; see `platelink doctor`"
        if self._mismatch:
            return self._mismatch
        if job.overdue and not job.accept_overdue:
            return "; ".join(job.overdue) + "; calibrate, or accept it for this run"
        return ""

    # --- plates ----------------------------------------------------------------------------

    def make_plate(self, plan: PlatePlan, *, now: float, at_utc_ms: int) -> tuple[CoreOutput, ...]:
        """Take a plate up and open its run; if that fails, ``withdraw_plate``."""
        self._stamp(now, at_utc_ms)
        problem = self.room.cannot_make(plan)
        if problem:
            self._out.append(Refused(problem))
        else:
            self._out.append(self._plate_record.plate_begun(plan, at_utc_ms))
            self._from_plates(self.room.make(plan, now=now))
        return self._take()

    def withdraw_plate(self, plate: str) -> None:
        """Forget a plate whose run cannot be recorded."""
        self.room.withdraw(plate)

    def act(
        self, plate: str, asked: Asked, *, overdue: tuple[str, ...] = (),
        accept_overdue: bool = False, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Do what a person asks of a plate. An exposure it leads to begins with ``start``."""
        self._stamp(now, at_utc_ms)
        self._overdue = overdue, accept_overdue
        self._from_plates(self.room.act(plate, asked, busy=self.busy(), now=now))
        return self._take()

    _overdue: tuple[tuple[str, ...], bool] = ((), False)

    def busy(self) -> str:
        """Why the bed is not free although no plate is on it."""
        if self.room.on_bed() is not None:
            return ""
        if self.exposure is not None and self.exposure.state not in ENDED:
            return "an exposure without a plate"
        return "an exposure before is still being closed" if self.recovering else ""

    def resume_plate(
        self, plan: PlatePlan, snapshot: dict[str, Any], bakes: dict[str, int],
        *, down_s: float | None, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Take up a plate that a process before us left; ``bakes`` are its bake runs still open
        with the newest tick stored. KeyError, TypeError, ValueError: it cannot be."""
        self._stamp(now, at_utc_ms)
        for run_id, last_ticks in bakes.items():
            self._plate_record.resume(run_id, last_ticks, now=now, at_utc_ms=at_utc_ms)
        self._from_plates(self.room.resume(plan, snapshot, down_s=down_s, now=now))
        return self._take()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, text: str,
        *, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """What an exposure left by a process before us gave."""
        self._stamp(now, at_utc_ms)
        self._from_plates(
            self.room.exposure_recovered(run_id, dose_mj_cm2, uncertain_mj_cm2, text, now=now)
        )
        return self._take()

    def bake_unrecorded(self, run_id: str) -> None:
        """The run of a bake cannot be begun; the bake goes on without."""
        self._plate_record.drop(run_id)

    def _from_plates(self, outputs: tuple[PlateOutput, ...]) -> None:
        for output in outputs:
            match output:
                case Send():
                    self.session.send(output.command, now=self._now)
                case ExposureAsked():
                    self._expose_for(output)
                case ExposureAct():
                    if self.exposure is not None and self.exposure.state not in ENDED:
                        self._command(str(output.act), output.reason)
                    elif self._up and self._lamp_on:  # light of a process before us
                        self._end_left_light(output.reason)
                case PlateRefused():
                    self._out.append(Refused(output.text))
                case _:
                    if isinstance(output, PlateOver):
                        self._gone[f"plate:{output.plate}"] = None
                    self._out += self._plate_record.take(
                        output, now=self._now, at_utc_ms=self._at_utc_ms
                    )

    def _expose_for(self, wanted: ExposureAsked) -> None:
        asked, (overdue, accept) = wanted.asked, self._overdue
        plan = self.room.plates[wanted.plate].plan
        job = Job(
            run_id=asked.run_id, step=wanted.step, request=wanted.request, operator=asked.who,
            plate=wanted.plate, job=plan.job, overdue=overdue, accept_overdue=accept,
            asked={"revision": plan.revision, "dose_mj_cm2": wanted.request.target_dose_mj_cm2},
        )  # fmt: skip
        if self._accept(job, wanted.plate):
            self._pending = _Pending(wanted.plate, asked)

    def _keep(self) -> None:
        """What a restart goes on from, when it has changed or has not been kept for a while."""
        room, values = self.room, self._gone
        timed = self._now >= self._keep_at and any(p.machine for p in room.plates.values())
        if timed:
            self._keep_at = self._now + KEEP_S
        for name, kept in room.snapshots(everything=timed).items():
            values[f"plate:{name}"] = kept
        if self.watch.changed:
            values["alarms"] = self.watch.snapshot()
        if values:
            self._out.append(StateKept(self._at_utc_ms, dict(values)))
            values.clear()

    # --- alarms ----------------------------------------------------------------------------

    def alarm(
        self, name: str, act: str, who: str, why: str, minutes: float | None,
        *, now: float, at_utc_ms: int,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Do what a person asks of an alarm."""
        self._stamp(now, at_utc_ms)
        events, refused = self.watch.ask(name, act, who, why, minutes, now=now, at_utc_ms=at_utc_ms)
        self._out += events
        if refused:
            self._out.append(Refused(refused))
        return self._take()

    def outside(
        self, conditions: tuple[Condition, ...], *, now: float, at_utc_ms: int
    ) -> tuple[CoreOutput, ...]:
        """Take conditions that only the shell knows."""
        self._stamp(now, at_utc_ms)
        self._out += self.watch.outside(conditions, now=now, at_utc_ms=at_utc_ms)
        return self._take()

    def _watch(self) -> None:
        told = [*self.room.conditions().values()]
        if self.exposure is not None:
            told += self.exposure.conditions()
        self._out += self.watch.look(
            told, up=self._up, reading=self.reading, vacuum_on=self._vacuum_on, now=self._now,
            at_utc_ms=self._at_utc_ms,
        )  # fmt: skip

    # --- link ------------------------------------------------------------------------------

    def _from_link(self, outputs: tuple[link.LinkOutput, ...]) -> None:
        for output in outputs:
            handle = self._handlers.get(type(output))
            if handle is not None:
                handle(output)

    def _answered(self, answered: link.CommandAnswered) -> None:
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.answered(answered.command, answered.code, now=self._now)
            )

    def _unanswered(self, unanswered: link.CommandUnanswered) -> None:
        if self.exposure is not None:
            self._from_exposure(self.exposure.unanswered(unanswered.command, now=self._now))

    def _sampled(self, received: link.SampleReceived) -> None:
        sample = received.sample
        reading = self.converter.read(sample, received.ticks, received.t, received.lost)
        self.reading = reading
        self._order = max(self._order, sample.order)
        self._lamp_on = bool(sample.outputs & 1 << m.Output.LAMP)
        self._vacuum_on = bool(sample.outputs & 1 << m.Output.VACUUM)
        self._watch_left_light()
        clock = self.session.clock
        if self.room.plates:
            self._sampled_for_plates(sample, reading, clock.tick_s)
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.sample(
                    sample,
                    reading,
                    tick_s=clock.tick_s,
                    tick_uncertainty=clock.rel_uncertainty,
                    now=self._now,
                )
            )
        recording, exposure = self._recording, self.exposure
        if recording is not None and exposure is not None:
            recording.add(sample, reading, exposure.dose_mj_cm2, clock.tick_s, exposure.integrating)
            if reading.t >= (recording.deadline() or math.inf):
                self._write_samples(recording)

    def _sampled_for_plates(self, sample: m.Sample, reading: Reading, tick_s: float) -> None:
        if reading.t - self._oven_at >= OVEN_S:
            self._oven_at = reading.t
            self._from_plates(self.room.oven(reading.oven_c, t=reading.t, now=self._now))
        self._out += self._plate_record.add(sample, reading, tick_s)

    def _reported(self, reported: link.OrderReported) -> None:
        self._order = max(self._order, reported.report.order)
        self._out.append(DeviceReported(reported.report))
        if self.exposure is not None:
            self._from_exposure(
                self.exposure.order_report(
                    reported.report,
                    open_ticks=reported.open_ticks,
                    close_ticks=reported.close_ticks,
                    now=self._now,
                )
            )

    def _device_event(self, received: link.DeviceEventReceived) -> None:
        event = received.event
        word = EVENT_WORDS.get(event.code, f"device event {event.code}")
        words = _ARGUMENT.get(event.code)
        text = in_words(words, event.arg) if words else ""
        self._event(word, text, {"arg": event.arg, "number": event.number}, received.ticks)

    def _link_up(self, up: link.LinkUp) -> None:
        hello = self._hello = up.hello
        self._up = True
        self.watch.look_now()
        if up.rebooted:
            self.converter.restart()
            self._order = 0
            if self._recording is not None:
                self._recording.device_restarted(hello.tick, self._now)
            self._plate_record.device_restarted(hello.tick, self._now)
            self._out += self.watch.device_restarted(now=self._now, at_utc_ms=self._at_utc_ms)
        self.session.send(m.SetFrame(self.settings.frame_ticks), now=self._now)
        self.session.send(m.GetOrder(), now=self._now)
        data: dict[str, Plain] = {
            "boot_id": hello.boot_id,
            "firmware": ".".join(map(str, hello.firmware)),
            "board": hello.board,
            "reset_cause": hello.reset_cause,
        }
        self._event("device restarted" if up.rebooted else "link up", "", data)
        self._mismatch = self._compare(hello)
        if self._mismatch:
            self._event("device does not match", self._mismatch)
        if self.exposure is not None:
            self._from_exposure(self.exposure.device_back(rebooted=up.rebooted, now=self._now))

    def _compare(self, hello: m.Hello) -> str:
        """Why calibrations made for the configured device say nothing about this one."""
        optics = self.settings.optics
        if (1 << hello.adc_bits) - 1 != optics.adc_max:
            return (
                f"the device converts {hello.adc_bits} bits, the configuration says "
                f"{optics.adc_max.bit_length()}; correct unit.adc_bits and calibrate"
            )
        if hello.light_channels < len(optics.light.channels):
            return (
                f"the device has {hello.light_channels} light channels, the configuration "
                f"{len(optics.light.channels)}; correct [[light.channel]]"
            )
        return ""

    def _link_lost(self, lost: link.LinkLost) -> None:
        self._up = False
        self.watch.look_now()
        text = lost.measured or lost.reason
        in_run = self.exposure is not None and self.exposure.state not in ENDED
        if not in_run:
            self._event("link lost", text)
        elif self.exposure is not None:
            self._from_exposure(self.exposure.link_lost(text, now=self._now))

    # --- exposure and record ---------------------------------------------------------------

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

    def _exposure_moved(self, to: State, run_id: str) -> None:
        self._watch()
        reason = self.exposure.status().reason if self.exposure is not None else ""
        self._from_plates(self.room.exposure_moved(run_id, to, reason, now=self._now))

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
        self._from_plates(self.room.exposure_ended(recording.run_id, ended, now=self._now))

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

    def _take(self) -> tuple[CoreOutput, ...]:
        if self.watch.due(self._now):
            self._watch()
        self._keep()
        out, self._out = tuple(self._out), []
        return out
