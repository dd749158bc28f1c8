"""One unit as one pure object: it routes values between link, bed, plates, alarms and record. Pure.

Bytes, commands and time come in, each with its stamp; bytes to send and outputs for the journal
and for those who follow come out. Each part takes values and returns values: a part knows no
other. The daemon's shell and the simulations drive the very same object.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from platelink.contract.words import AlarmAct
from platelink.control.alarm.states import Condition
from platelink.control.light.lessons import Lessons
from platelink.control.light.request import ExposureStatus
from platelink.control.procedure import outputs as said
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import Noted, Send, earliest
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.link.session import Session
from platelink.sensing.beside import Reply
from platelink.sensing.readings import Converter, Reading, Sensors
from platelink.unit import device_events as device
from platelink.unit.alarms import UnitAlarms
from platelink.unit.bed import ANEW_FRAMES, DAMAGED_FRAMES, Bed, BedOutput
from platelink.unit.job import Job, UnitSettings
from platelink.unit.outputs import (
    ALARMS_SNAPSHOT,
    CoreOutput,
    DeviceReported,
    EventNoted,
    Refused,
    Snapshots,
)
from platelink.unit.plate_runs import PlateRuns
from platelink.unit.plates import UnitPlates, UnitPlatesOutput
from platelink.unit.recording import Recording
from platelink.unit.stamp import Stamp
from platelink.unit.values import ExposureAccepted, ExposureEnded, ExposureMoved, PlateBegun


class Core:
    """See the file's first lines. Parts are there to be read; only the core gives them input."""

    def __init__(
        self, settings: UnitSettings, converter: Converter, lessons: Lessons, *, now: float
    ) -> None:
        self.settings = settings
        self.session = Session()
        self.bed = Bed(settings, lessons)
        self.plates = UnitPlates(settings)
        self.alarms = UnitAlarms(now=now)
        self.reading: Reading | None = None
        self.recovering = False
        """An exposure that a process before us began is still being closed."""
        self.recording = Recording(settings)
        self.plate_runs = PlateRuns(settings)
        self.converter = converter
        self._seldom = device.Seldom()
        self.at = Stamp(now, 0)
        self._out: list[CoreOutput] = []

    # --- what a face shows -----------------------------------------------------------------

    @property
    def up(self) -> bool:
        """The device answers."""
        return self.bed.up

    @property
    def run_id(self) -> str | None:
        """The run of the exposure that is being recorded."""
        return self.recording.run_id

    def busy(self) -> str:
        """Why the bed is not free although no plate is on it."""
        if self.plates.in_flight.on_bed() is not None:
            return ""
        if self.bed.exposing:
            return "an exposure without a plate"
        return "the exposure before is still being completed" if self.recovering else ""

    def take_up(self, settings: UnitSettings, sensors: Sensors) -> None:
        """Go on with other calibrations of the same sensors; not while a run is recorded."""
        self.settings = self.bed.settings = self.recording.settings = settings
        self.plate_runs.conditions = settings.conditions
        self.converter.take_up(sensors)

    # --- port and time ---------------------------------------------------------------------

    def port_opened(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """The port is open; the session says hello."""
        self._begin(at)
        self._from_link(self.session.port_opened(now=at.now))
        return self._finish()

    def port_lost(self, reason: str, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """The port is gone."""
        self._begin(at)
        self._from_link(self.session.port_lost(reason, now=at.now))
        return self._finish()

    def receive(self, data: bytes, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Bytes from the device."""
        self._begin(at)
        self._from_link(self.session.receive(data, now=at.now))
        return self._finish()

    def instrument(self, reply: Reply, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """What an instrument on the bus said, or that it did not."""
        self._begin(at)
        self.converter.beside.take(reply, now=at.now)
        self._route(device.instruments_turned(self.converter, now=at.now))
        return self._finish()

    def tick(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Run what is due."""
        self._begin(at)
        self._from_link(self.session.tick(now=at.now))
        self._route(self.bed.tick(at=at))
        self._route(self.plates.tick(at=at))
        self._out += self.recording.due(at.now)
        return self._finish()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return earliest(
            self.session.next_deadline(),
            self.bed.next_deadline(),
            self.recording.deadline(),
            self.plates.in_flight.next_deadline(),
            self.alarms.next_deadline(),
        )

    def data_to_send(self) -> bytes:
        """Bytes for the device."""
        return self.session.data_to_send()

    def ask_device(self, *, now: float) -> None:
        """Ask for the account of the newest order."""
        self.session.send(m.GetOrder(), now=now)

    def flush(self) -> tuple[CoreOutput, ...]:
        """The samples in hand, because the process ends."""
        self._out += self.recording.flush() + self.plate_runs.flush()
        return self._finish()

    # --- the exposure ----------------------------------------------------------------------

    def expose(self, job: Job, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Accept an exposure and open its run. Nothing is sent before ``start``."""
        self._begin(at)
        self._expose(job)
        return self._finish()

    def start(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Begin the exposure accepted, if there is one: its run is in the record."""
        self._begin(at)
        if (job := self.bed.waiting) is not None:
            self._route(self.plates.exposure_begun(job, at=at))
            self._route(self.bed.start(at=at))
        return self._finish()

    def recorded(self, everything: bool) -> None:
        """Nothing waits to be written; while something does, no light is ordered."""
        self.bed.recorded(everything)

    def withdraw(self) -> None:
        """Forget the exposure accepted: its run cannot be recorded, so it is not made."""
        if self.bed.withdraw():
            self.recording.withdraw()

    def command(
        self, name: str, reason: str, *, who: str = "", at: Stamp
    ) -> tuple[CoreOutput, ...]:
        """Hold, restart, stop or abort the present exposure, or drop the lessons of the lamps."""
        self._begin(at)
        self._route(self.bed.command(name, reason, who, at=at))
        return self._finish()

    # --- plates ----------------------------------------------------------------------------

    def make_plate(self, plan: PlatePlan, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Take a plate up and open its run; if that fails, ``withdraw_plate``."""
        self._begin(at)
        self._route(self.plates.make(plan, at=at))
        return self._finish()

    def withdraw_plate(self, plate: str) -> None:
        """Forget a plate whose run cannot be recorded."""
        self.plates.in_flight.withdraw(plate)

    def act(
        self, plate: str, request: PlateRequest, *, overdue: tuple[str, ...] = (),
        accept_overdue: bool = False, at: Stamp,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Do what a person asks of a plate. An exposure it leads to begins with ``start``."""
        self._begin(at)
        self._route(self.plates.act(
            plate, request, busy=self.busy(), overdue=overdue, accept_overdue=accept_overdue, at=at,
        ))  # fmt: skip
        return self._finish()

    def resume_plate(
        self, plan: PlatePlan, snapshot: Mapping[str, Any], bakes: Mapping[str, int],
        *, down_s: float | None, away_s: float | None, at: Stamp,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """Take up a plate that a process before us left; ``bakes`` are its bake runs still open
        with the newest tick stored. KeyError, TypeError, ValueError: it cannot be."""
        self._begin(at)
        outputs = self.plates.resume(plan, snapshot, down_s=down_s, away_s=away_s, at=at)
        for run_id, last_ticks in bakes.items():
            self.plate_runs.resume(run_id, last_ticks, at=at)
        self._route(outputs)
        return self._finish()

    def exposure_before(self, before: ExposureStatus, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """An exposure left by a process before us gives its light, and how much so far."""
        self._begin(at)
        self._route(self.bed.take_before(before))
        return self._finish()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, doubtful_mj_cm2: float,
        text: str, *, at: Stamp,
    ) -> tuple[CoreOutput, ...]:  # fmt: skip
        """What an exposure left by a process before us gave."""
        self._begin(at)
        self.bed.recovered(run_id, dose_mj_cm2, uncertain_mj_cm2, text)
        known = dose_mj_cm2, uncertain_mj_cm2, doubtful_mj_cm2
        self._route(self.plates.exposure_recovered(run_id, *known, text, at=at))
        return self._finish()

    def bake_unrecorded(self, run_id: str) -> None:
        """The run of a bake cannot be begun; the bake goes on without."""
        self.plate_runs.drop(run_id)

    # --- alarms ----------------------------------------------------------------------------

    def alarm(
        self, name: str, act: AlarmAct, who: str, why: str, minutes: float | None, *, at: Stamp
    ) -> tuple[CoreOutput, ...]:
        """Do what a person asks of an alarm."""
        self._begin(at)
        self._out += self.alarms.act(name, act, who, why, minutes, at=at)
        return self._finish()

    def outside(self, conditions: tuple[Condition, ...], *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Take conditions that only the shell knows."""
        self._begin(at)
        self._out += self.alarms.outside(conditions, at=at)
        return self._finish()

    def resume_alarms(
        self, snapshot: dict[str, Any], *, down_s: float | None, at: Stamp
    ) -> tuple[EventNoted, ...]:
        """Go on with the alarms of a process before us; plates are taken up before it is looked
        whether their conditions still hold."""
        return self.alarms.restore(snapshot, down_s=down_s, at=at)

    # --- routes ----------------------------------------------------------------------------

    def _begin(self, at: Stamp) -> None:
        self.at = at
        self._out += self.recording.observe(at=at)

    def _finish(self) -> tuple[CoreOutput, ...]:
        if self.alarms.due(self.at.now):
            self._watch()
        values = self.plates.snapshots(now=self.at.now) | self.recording.clock(at=self.at)
        if self.alarms.changed:
            values[ALARMS_SNAPSHOT] = self.alarms.snapshot()
        if values:
            self._out.append(Snapshots(self.at.utc_ms, values))
        self._route(self.bed.pace(self.session.clock.rel_uncertainty))
        out, self._out = tuple(self._out), []
        return out

    def _from_link(self, outputs: tuple[link.LinkOutput, ...]) -> None:
        for output in outputs:
            if not isinstance(output, link.SampleReceived):
                self.alarms.look_now()
            match output:
                case link.SampleReceived():
                    self._sampled(output)
                case link.CommandAnswered():
                    self._route(self.bed.answered(output, at=self.at))
                case link.CommandUnanswered():
                    self._route(self.bed.unanswered(output, at=self.at))
                case link.OrderReported():
                    self._order_reported(output)
                case link.SupplyReported():
                    self.converter.supply.take(output.supply)
                case link.LinkUp():
                    self._link_up(output)
                case link.LinkLost():
                    self._route(self.bed.link_lost(output, at=self.at))
                case _ if isinstance(output, device.Notice):
                    self._route((device.noted(output),))

    def _link_up(self, up: link.LinkUp) -> None:
        at, tick = self.at, up.hello.tick
        self.converter.has_water = bool(up.hello.capabilities & m.Capability.WATER)
        self.converter.supply.device(bool(up.hello.capabilities & m.Capability.SUPPLY))
        goes_on = device.sums_go_on(up, self.reading)
        self._out += self.alarms.device_restarted(at=at) if up.rebooted else ()
        if not goes_on:
            self.converter.restart()
            self.recording.device_restarted(tick, at.now)
            self.plate_runs.device_restarted(tick, at.now)
        self._route(self.bed.link_up(up, goes_on=goes_on, at=at))

    def _order_reported(self, reported: link.OrderReported) -> None:
        if not device.can_be(reported, self.session.status().hello, self.converter):
            self._route((device.sums_refused(self.converter, "the account of an order"),))
            return  # as if lost on the way: who waits for it asks again
        sums, dark = self.converter.newest, self.bed.watch.dark
        self._out.append(DeviceReported(reported.report, *sums, dark))
        self._route(self.bed.order_report(reported, at=self.at))

    def _damaged(self) -> None:
        """A sample's sums were refused. The next sample tells all that they did."""
        in_a_row = self.converter.refused_in_a_row
        if in_a_row in (1, DAMAGED_FRAMES):
            self._route((device.sums_refused(self.converter, "a sample"),))
        if in_a_row >= DAMAGED_FRAMES:
            self._route(self.bed.damaged(in_a_row, at=self.at))
        if in_a_row >= ANEW_FRAMES and not self.bed.integrating:
            self.converter.restart()  # the last good sums were the odd ones

    def _sampled(self, received: link.SampleReceived) -> None:
        at, sample, clock = self.at, received.sample, self.session.clock
        reading = self.converter.read(sample, received.ticks, received.t, received.lost)
        self.reading = reading
        self._route(device.instruments_turned(self.converter, now=at.now))
        refused = reading.light_refused
        if refused:
            self._damaged()
        if not self.bed.exposing and self.converter.supply.due(now=at.now):
            self.session.send(m.GetSupply(), now=at.now)
        if self.bed.observe(sample, reading):
            self.alarms.look_now()
        if self.bed.left_light(now=at.now):
            nobody = "" if self.recovering else "light that belongs to no exposure"
            if why := self.plates.light_over() or nobody:  # else its end is awaited
                self._route(self.bed.end_left_light(why, at=at))
        if self.plates.in_flight.plates:
            self._route(self.plates.temperatures(reading, at=at))
            self._out += self.plate_runs.sample(sample, reading, clock.tick_s)
        self._route(self.bed.sample(sample, reading, clock.tick_s, clock.rel_uncertainty, at=at))
        if (exposure := self.bed.exposure) is not None and not refused:
            self._out += self.recording.sample(
                sample, reading, exposure, clock.tick_s, clock.rel_uncertainty
            )

    def _route(self, outputs: Iterable[BedOutput | UnitPlatesOutput]) -> None:
        """Give each output to the part it concerns, and what that says in turn, in order."""
        at = self.at
        for output in outputs:
            match output:
                case Send():
                    self.session.send(output.command, now=at.now)
                case Noted():
                    if self._seldom.lets(output.event, now=at.now):
                        self._out.append(self.recording.event(output, at=at))
                case Refused():
                    self._out.append(output)
                case Job():
                    self._expose(output)
                case said.ExposureAct():
                    self._route(self.bed.act(str(output.act), output.reason, at=at))
                case ExposureAccepted():
                    self._out.append(self.recording.begin(output, at=at))
                case ExposureMoved():
                    self._watch()
                    self._route(self.plates.exposure_moved(output, at=at))
                case ExposureEnded():
                    self._out += self.recording.end(output.ended, at=at)
                    self._route(self.plates.exposure_ended(output, at=at))
                case PlateBegun() | said.PlateNoted() | said.PlateOver():
                    self._out += self.plate_runs.take(output, at=at)
                case said.BakeBegun() | said.BakeOver():
                    self._out += self.plate_runs.take(output, at=at)

    def _expose(self, job: Job) -> None:
        no_link = "" if self.bed.up else self.session.status().text
        taken = self.plates.bed_taken(job)
        self._route(self.bed.expose(job, taken=taken, no_link=no_link, at=self.at))

    def _watch(self) -> None:
        beside = device.instruments_lost(self.converter, now=self.at.now)
        own = *self.plates.in_flight.conditions().values(), *self.bed.conditions()
        self._out += self.alarms.look(
            (*own, *beside), up=self.bed.up, link=self.session.state, reading=self.reading,
            exposed=self.recording.of, at=self.at,
        )  # fmt: skip
