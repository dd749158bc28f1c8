"""The daemon's shell: one asyncio loop where port, clock, journal and core meet.

After every input the shell does the same: write what is to be recorded, give the followers their
lines, send bytes, re-arm one timer. Publishing runs in its own thread and reads the journal; the
control loop never waits for it, nor for any client.
"""

from __future__ import annotations

import asyncio
import math
import secrets
from collections.abc import Callable, Sequence

from platelink.contract.base import Json
from platelink.contract.calibrations import CountsNow
from platelink.contract.unit import (
    EndedLine,
    EventLine,
    ExposureJob,
    JournalNow,
    LiveLine,
    Status,
    StatusLine,
)
from platelink.contract.wire import READS
from platelink.contract.words import AlarmAct
from platelink.control.alarm.states import Condition
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.daemon.calibrated import Calibrated, counts_now
from platelink.daemon.clock import Clock, boot_id
from platelink.daemon.damage import Damage
from platelink.daemon.followers import Followers
from platelink.daemon.journaling import Journaling
from platelink.daemon.outside import outside, publisher_now
from platelink.daemon.recovery import Recovery, contact_of
from platelink.daemon.requests import answer
from platelink.daemon.sealing import Sealing
from platelink.daemon.service import Service
from platelink.daemon.shell_settings import ShellSettings
from platelink.daemon.syncing import Syncer
from platelink.daemon.taping import Taping
from platelink.events.event import Event
from platelink.events.light import Refused as RefusedEvent
from platelink.link.port import Port, PortError
from platelink.link.reconnect import Reconnect
from platelink.publish.publisher import Publisher
from platelink.record.account import DeviceAccount
from platelink.record.errors import JournalError
from platelink.record.lessons import lessons_in
from platelink.record.opening import open_or_anew
from platelink.record.recover import given_by
from platelink.record.writer import JournalWriter
from platelink.runs import RunEvent
from platelink.sensing.beside import Reply
from platelink.unit.core import Core
from platelink.unit.job import Job
from platelink.unit.outputs import CoreOutput, DeviceReported, EventNoted, Refused
from platelink.unit.plate_view import status_now
from platelink.unit.stamp import Stamp
from platelink.unit.view import line_of, summary

OUTSIDE_S = 1.0
"""How often alarms hear of journal, broker and calibrations."""


class Shell:
    """See the file's first lines. Opening the journal may raise ``JournalError``."""

    show_s = 0.2
    """How often followers get the status, real seconds, while anything comes in."""

    def __init__(
        self,
        settings: ShellSettings,
        make_core: Callable[[Sequence[RunEvent], float], Core],
        make_job: Callable[[ExposureJob], Job],
        clock: Clock,
        publisher: Publisher | None = None,
        *,
        calibrated: Calibrated,
        sealing: Sealing | None = None,
        taping: Taping | None = None,
        make_port: type[Port] = Port,
    ) -> None:
        """``make_core`` gets the lessons of the record, and now; ``make_job`` makes a job of a
        request or raises ValueError; ``calibrated`` tells which calibrations hold."""
        self.settings, self.clock, self.publisher = settings, clock, publisher
        self.journal, anew = open_or_anew(
            settings.journal, unit=settings.unit, new_uuid=secrets.token_hex(8)
        )
        self.writer = JournalWriter(self.journal, lambda: secrets.token_hex(8))
        self._damage = Damage(self.writer, anew)
        self.make_job = make_job
        self._calibrated = calibrated
        record, began = self.journal.reader, clock.stamp()
        told = lessons_in(record, self._damage.told), contact_of(record, self._damage.told)
        self.core = make_core(told[0], began.now)
        self.core.bed.gauge.past.remember(told[1])
        self._taping = taping or Taping()
        self._taping.begin(record, began, *told)
        self.problem = ""
        """Why the port cannot be opened; empty while it is open."""
        self.journaling = Journaling(self.writer, settings.unit)
        self._recovery = Recovery(
            record, self.writer.next_id, boot_id=boot_id(), now=clock.now(),
            told=self._damage.told, config=settings.config_hash,
        )  # fmt: skip
        self._reconnect = Reconnect()
        self._port = make_port(
            settings.port, baud=settings.baud, on_data=self._on_data, on_lost=self._on_lost
        )
        self._syncer = Syncer(self.journal, self._taping, lambda: self.core.run_id is None, sealing)
        self._stop = asyncio.Event()
        self._wake: asyncio.TimerHandle | None = None
        self._shown_at = -math.inf
        self._server = Service(settings.service, self.handle) if settings.service else None
        self.followers = Followers(self._server)

    # --- life ------------------------------------------------------------------------------

    async def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Serve until ``stop``; ``ready`` is called when clients are taken. Raises
        ``SocketError`` when it cannot be had, as when another daemon runs here."""
        if self._server is not None:
            await self._server.start()
        ready()
        if self.publisher is not None:
            self.publisher.start()
        self._syncer.start()
        if (instruments := self.settings.instruments) is not None:
            instruments.begin(self._on_reply)
        shower = asyncio.create_task(self._show())
        self.core.recovering = self._recovery.waiting
        self._after(tuple(self._recovery.resume(self.core, at=self.clock.stamp())))
        self._reconnect.start(now=self.clock.now())
        self._tick()
        try:
            await self._stop.wait()
        finally:
            shower.cancel()
            await self._leave()

    def stop(self) -> None:
        """End ``run``; an exposure going on is left to its standing order and recovered later."""
        self._stop.set()

    async def _leave(self) -> None:
        if self._wake is not None:
            self._wake.cancel()
        self._port.close()
        if self.settings.instruments is not None:
            await asyncio.to_thread(self.settings.instruments.stop)
        if self._server is not None:
            await self._server.stop()
        self._record(self.core.flush())
        self.writer.retry(now=math.inf)
        await asyncio.to_thread(self._syncer.stop)
        if self.publisher is not None:
            await asyncio.to_thread(self.publisher.stop)
        self.journal.close()

    # --- inputs ----------------------------------------------------------------------------

    def _on_data(self, data: bytes) -> None:
        self._after(self.core.receive(data, at=self.clock.stamp()))

    def _on_reply(self, reply: Reply) -> None:
        self._after(self.core.instrument(reply, at=self.clock.stamp()))

    def _on_lost(self, reason: str) -> None:
        self._reconnect.lost(reason, now=self.clock.now())
        self.problem = reason
        self._after(self.core.port_lost(reason, at=self.clock.stamp()))
        self._show_once()

    def _tick(self, due: float = -math.inf) -> None:
        # A loop's timer may fire early; the core never sees a time before the one it asked for.
        now = max(due, self.clock.now())
        if self._reconnect.tick(now=now):
            self._open_port()
        self.writer.retry(now=now)
        if self._recovery.too_late(now=now):
            self._recover(self._recovery.newest)
        if self._recovery.ask_now(now=now):
            self.core.ask_device(now=now)
        self._after(self.core.tick(at=Stamp(now, self.clock.utc_ms())))

    def _open_port(self) -> None:
        problem = ""
        try:
            self._port.open()
        except PortError as error:
            problem = str(error)
            self._reconnect.failed(problem, now=self.clock.now())
        if problem != self.problem:  # why the port cannot be had, told at once where it is news
            self.problem = problem
            self._after(self.core.outside(self._outside(), at=self.clock.stamp()))
            self._show_once()
        if not problem:
            self._reconnect.opened(now=self.clock.now())
            self._after(self.core.port_opened(at=self.clock.stamp()))

    # --- after every input -----------------------------------------------------------------

    def _after(self, outputs: tuple[CoreOutput, ...]) -> None:
        try:
            if outputs:
                self._record(outputs)
            for output in outputs:
                self._follow(output)
        finally:  # whatever went wrong with the record: the device is served on
            if self.core.up:
                self._reconnect.proven(now=self.clock.now())
            self.core.recorded(not self.writer.status().pending)
            self._port.write(self.core.data_to_send())
            self._arm()
        if self.clock.real_s(self.clock.now() - self._shown_at) >= self.show_s:
            self._show_once()

    def _due(self) -> float:
        parts = self.core, self._reconnect, self.writer, self._recovery
        return min((d for p in parts if (d := p.next_deadline()) is not None), default=math.inf)

    def late_s(self) -> float:
        """For how long something has been due, real seconds."""
        return self.clock.real_s(max(0.0, self.clock.now() - self._due()))

    def _arm(self) -> None:
        if self._wake is not None:
            self._wake.cancel()
        due = self._due()
        if due < math.inf and not self._stop.is_set():
            delay_s = self.clock.real_s(max(0.0, due - self.clock.now()))
            self._wake = asyncio.get_running_loop().call_later(delay_s, self._tick, due)

    def _record(self, outputs: tuple[CoreOutput, ...]) -> None:
        for run_id in self.journaling.write(self._taping.told(outputs), now=self.clock.now()):
            self.core.bake_unrecorded(run_id)

    def _follow(self, output: CoreOutput) -> None:
        if (line := line_of(output)) is not None:
            self._tell(line)
        if isinstance(output, DeviceReported):
            self._reported(output, self.clock.stamp())

    def _reported(self, reported: DeviceReported, at: Stamp) -> None:
        """The device's account of its newest order: of an exposure that was not seen to its end."""
        if not self._recovery.waiting:
            self._after(tuple(self._recovery.late(reported, self.core, at=at)))
            return
        if (account := self._recovery.account(reported, now=at.now)) is None:
            return
        if not account.lamp_on:
            self._recover(account)
        elif (before := self._recovery.light(account, at=at)) is not None:
            self._after(self.core.exposure_before(before, at=at))

    def _tell(self, line: LiveLine) -> None:
        """To followers, marked where it is not on disk."""
        if isinstance(line, EventLine | EndedLine) and self.writer.status().pending:
            line = line.model_copy(update={"unrecorded": True})
        self.followers.send(line)

    def _recover(self, account: DeviceAccount | None) -> None:
        """Close the exposures that an earlier process left open; their plates go on."""
        for end in self._recovery.close(account, at=self.clock.stamp()):
            self.writer.append(end, now=self.clock.now())
            self._tell(EndedLine(ended=end.run_id, state=end.state, reason=end.reason))
            at = self.clock.stamp()
            self._after(self.core.exposure_recovered(end.run_id, *given_by(end), end.reason, at=at))
        self.core.recovering = False
        self._record((self._recovery.closed_all(self.clock.stamp()),))

    # --- requests --------------------------------------------------------------------------

    def submit(self, job: Job) -> str:
        """Begin an exposure; the reason when it is refused, else empty."""
        if self._recovery.waiting:
            return "the run before is still being completed; try again in a moment"
        return self._begin(self.core.expose(job, at=self.clock.stamp()))

    def command(self, name: str, reason: str = "", *, who: str = "") -> str:
        """Hold, restart, stop or abort; the reason when it is refused, else empty."""
        return self._refusal(self.core.command(name, reason, who=who, at=self.clock.stamp()))

    def counts(self, sensor: str) -> CountsNow:
        """What the device counts at an input; ValueError for one that is not there."""
        return counts_now(self.core, sensor, now=self.clock.now())

    def take_up(self) -> str:
        """Calibrations were approved or dropped: those that hold are used from the next run on."""
        self._calibrated.read()
        return ""

    def make_plate(self, plan: PlatePlan) -> str:
        """Take up a plate; the reason when it is refused, else empty."""
        try:
            return self._refusal(self.core.make_plate(plan, at=self.clock.stamp()))
        except (JournalError, ValueError) as error:
            self.core.withdraw_plate(plan.plate)
            return str(error)

    def act(self, plate: str, request: PlateRequest, *, accept_overdue: bool = False) -> str:
        """Do what a person asks of a plate; the reason when it is refused, else empty."""
        return self._begin(self.core.act(
            plate, request, overdue=self._calibrated.blocking(), accept_overdue=accept_overdue,
            at=self.clock.stamp(),
        ))  # fmt: skip

    def alarm(self, name: str, act: AlarmAct, *, who: str, why: str, minutes: float | None) -> str:
        """Do what a person asks of an alarm; the reason when it is refused, else empty."""
        return self._refusal(self.core.alarm(name, act, who, why, minutes, at=self.clock.stamp()))

    def note(self, event: Event, text: str) -> None:
        """Put down an event outside runs."""
        self._after((EventNoted(None, self.clock.utc_ms(), event, text),))

    def _begin(self, outputs: tuple[CoreOutput, ...]) -> str:
        """Record what was accepted, then begin it. A run that cannot be recorded is not made;
        nothing was sent for it yet."""
        try:
            refused = self._refusal(outputs)
        except (JournalError, ValueError) as error:
            self.core.withdraw()
            return str(error)
        return refused or self._refusal(self.core.start(at=self.clock.stamp()))

    def _refusal(self, outputs: tuple[CoreOutput, ...]) -> str:
        """Carry outputs out; the reason when one of them is a refusal, else empty."""
        self._after(outputs)
        for output in outputs:
            if isinstance(output, Refused):
                return output.text
            if isinstance(output, EventNoted) and isinstance(output.event, RefusedEvent):
                return output.text
        return ""

    def handle(self, request: Json) -> Json:
        """Answer one request of the service. The status after an act is sent before its answer, so
        that whoever got the answer never sees a status from before."""
        answered = answer(self, request)
        if answered["ok"] and request.get("do") not in READS:
            self._show_once()
        return answered

    # --- status ----------------------------------------------------------------------------

    def status(self) -> Status:
        """Everything a face shows."""
        writer = self.writer.status()
        fault = writer.fault or self.journaling.refused or self._syncer.told or self._damage.text
        return status_now(
            self.core,
            self.settings.unit,
            problem=self.problem,
            journal=JournalNow(pending=writer.pending, fault=fault, notice=self._syncer.notice),
            service=self._server.status() if self._server is not None else None,
            publisher=publisher_now(self.publisher.status()) if self.publisher else None,
            at=self.clock.stamp(),
        )

    async def _show(self) -> None:
        """Where nothing comes in; else each input sees to it, which costs no wake of its own."""
        look_at = -math.inf
        while True:
            await asyncio.sleep(max(self.show_s, self.clock.real_s(OUTSIDE_S) / 2.0))
            if look := self.clock.now() >= look_at:
                look_at = self.clock.now() + OUTSIDE_S
            self._show_once(look=look)

    def _show_once(self, *, look: bool = False) -> None:
        """Send the status; ``look`` first at what only this process knows."""
        try:
            at = self.clock.stamp()
            self._shown_at = at.now
            outputs = self._calibrated.give(self.core, at=at)
            if look:
                outputs += self._damage.look(at=at) + self._syncer.look(at=at)
                outputs += self.core.outside(self._outside(), at=at)
            if look or outputs:
                self._after(outputs)
            status = self.status()
            self.followers.send(StatusLine(status=status))
            if self.publisher is not None:
                self.publisher.report(summary(status))
        except Exception as error:
            # A face without news calls the unit silent; one fault of ours must not do that.
            asyncio.get_running_loop().call_exception_handler(
                {"message": "the status could not be sent", "exception": error}
            )

    def _outside(self) -> tuple[Condition, ...]:
        return outside(
            self.writer.status().pending, bool(self._syncer.fault), self._calibrated.overdue(),
            None if self.publisher is None else self.publisher.status(), self.problem,
            damaged=self._damage.anew, supply_pct=self._calibrated.supply_pct(self.core),
        )  # fmt: skip
