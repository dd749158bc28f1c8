"""The daemon's shell: one asyncio loop where port, clock, journal and core meet.

After every input the shell does the same: write what is to be recorded, send what is to be sent,
tell the followers, re-arm one timer. Publishing runs in its own thread and reads the journal; the
control loop never waits for it, nor for any client.
"""

from __future__ import annotations

import asyncio
import math
import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from platelink.backlog import READS
from platelink.control.alarm_states import Condition
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.said import Asked
from platelink.control.states import Learned
from platelink.daemon.clock import Clock, boot_id
from platelink.daemon.core import CoreOutput, DeviceReported, Job, Refused, UnitCore
from platelink.daemon.journaling import Journaling, from_ms
from platelink.daemon.plate_view import alarms_line, plates_lines
from platelink.daemon.recording import EventNoted, RunBegun, RunClosed, RunEnded
from platelink.daemon.recovery import Recovery
from platelink.daemon.requests import COMMANDS, answer
from platelink.daemon.service import Service, ServiceSettings
from platelink.daemon.view import event_line, iso, status_line, summary
from platelink.daemon.wire import Answer
from platelink.link.port import Port, PortError
from platelink.link.reconnect import Reconnect
from platelink.publish.publisher import Publisher
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.reader import kind_of
from platelink.record.recover import DeviceAccount, given_by
from platelink.record.writer import JournalWriter
from platelink.sensing.light import CalibrationDue

__all__ = ["COMMANDS", "Shell", "ShellSettings"]
TELL_S = 0.1
"""How often followers get the status, real seconds."""
OUTSIDE_S = 1.0
"""How often alarms hear of journal, broker and calibrations."""
CHECKPOINT_S = 1.0
"""How often the journal is made durable against a power cut, real seconds."""
LEARN_FROM = 60
"""Newest complete runs searched for a lesson: those of a dozen plates; only very short exposures
teach none."""


@dataclass(frozen=True, slots=True)
class ShellSettings:
    """Where the shell finds its surroundings."""

    unit: str
    port: str
    baud: int
    journal: Path
    service: ServiceSettings | None
    """None where nobody is to reach the daemon."""


class Shell:
    """See the file's first lines. Opening the journal may raise ``JournalError``."""

    def __init__(
        self,
        settings: ShellSettings,
        make_core: Callable[[Learned | None, float], UnitCore],
        make_job: Callable[[Any], Job],
        clock: Clock,
        publisher: Publisher | None = None,
        *,
        overdue: Callable[[], tuple[CalibrationDue, ...]] = tuple,
        make_port: type[Port] = Port,
    ) -> None:
        """``make_core`` gets what the newest record taught, and now; ``make_job`` makes a job of a
        request or raises ValueError; ``overdue`` tells calibrations past their date."""
        self.settings = settings
        self.clock = clock
        self.publisher = publisher
        self.journal = Journal.open(
            settings.journal, unit=settings.unit, new_uuid=secrets.token_hex(8)
        )
        self.writer = JournalWriter(self.journal)
        self.make_job = make_job
        self._overdue = overdue
        self.core = make_core(learned_before(self.journal), clock.now())
        self.problem = ""
        """Why the port cannot be opened; empty while it is open."""
        self.journaling = Journaling(self.writer, settings.unit)
        self._recovery = Recovery(
            self.journal, self.writer.next_id, boot_id=boot_id(), now=clock.now()
        )
        self._reconnect = Reconnect()
        self._port = make_port(
            settings.port, baud=settings.baud, on_data=self._on_data, on_lost=self._on_lost
        )
        self._not_durable = ""
        """Why the last checkpoint failed; empty after a good one."""
        self._stop = asyncio.Event()
        self._wake: asyncio.TimerHandle | None = None
        self._listeners: list[Callable[[Answer], None]] = []
        self._syncing = threading.Event()
        self._server = (
            Service(settings.service, self.handle) if settings.service is not None else None
        )

    # --- life ------------------------------------------------------------------------------

    async def run(self, ready: Callable[[], None] = lambda: None) -> None:
        """Serve until ``stop``; ``ready`` is called when clients are taken. Raises
        ``SocketError`` when it cannot be had, as when another daemon runs here."""
        if self._server is not None:
            await self._server.start()
        ready()
        if self.publisher is not None:
            self.publisher.start()
        syncer = threading.Thread(target=self._sync, name="journal-sync", daemon=True)
        syncer.start()
        teller = asyncio.create_task(self._tell())
        self.core.recovering = self._recovery.waiting
        self._after(tuple(self._recovery.resume(self.core, **self._now())))
        self._reconnect.start(now=self.clock.now())
        self._tick()
        try:
            await self._stop.wait()
        finally:
            teller.cancel()
            await self._leave(syncer)

    def stop(self) -> None:
        """End ``run``; an exposure going on is left to its standing order and recovered later."""
        self._stop.set()

    async def _leave(self, syncer: threading.Thread) -> None:
        if self._wake is not None:
            self._wake.cancel()
        self._port.close()
        if self._server is not None:
            await self._server.stop()
        self._record(self.core.flush())
        self.writer.retry(now=math.inf)
        self._syncing.set()
        await asyncio.to_thread(syncer.join)
        if self.publisher is not None:
            await asyncio.to_thread(self.publisher.stop)
        self.journal.close()

    def _sync(self) -> None:
        while not self._syncing.wait(CHECKPOINT_S):
            try:
                self.journal.checkpoint(quiet=self.core.run_id is None)
                self._not_durable = ""
            except JournalError as error:
                self._not_durable = str(error)

    # --- inputs ----------------------------------------------------------------------------

    def _now(self) -> dict[str, Any]:
        return {"now": self.clock.now(), "at_utc_ms": self.clock.utc_ms()}

    def _on_data(self, data: bytes) -> None:
        self._after(self.core.receive(data, **self._now()))

    def _on_lost(self, reason: str) -> None:
        self._reconnect.lost(reason, now=self.clock.now())
        self.problem = reason
        self._after(self.core.port_lost(reason, **self._now()))

    def _tick(self, due: float = -math.inf) -> None:
        # A loop's timer may fire early; the core never sees a time before the one it asked for.
        now = max(due, self.clock.now())
        if self._wake is not None:
            self._wake.cancel()  # called out of turn, as at the start: there is one timer only
        self._wake = None
        if self._reconnect.tick(now=now):
            self._open_port()
        self.writer.retry(now=now)
        if self._recovery.too_late(now=now):
            self._recover(None)
        if self._recovery.ask_now(now=now):
            self.core.ask_device(now=now)
        self._after(self.core.tick(now=now, at_utc_ms=self.clock.utc_ms()))

    def _open_port(self) -> None:
        try:
            self._port.open()
        except PortError as error:
            self.problem = str(error)
            self._reconnect.failed(str(error), now=self.clock.now())
            return
        self.problem = ""
        self._reconnect.opened(now=self.clock.now())
        self._after(self.core.port_opened(**self._now()))

    # --- after every input -----------------------------------------------------------------

    def _after(self, outputs: tuple[CoreOutput, ...]) -> None:
        try:
            if outputs:
                self._record(outputs)
            for output in outputs:
                self._say_of(output)
        finally:  # whatever went wrong with the record: the device is served on
            if self.core.up:
                self._reconnect.proven(now=self.clock.now())
            self._port.write(self.core.data_to_send())
            self._arm()

    def _arm(self) -> None:
        if self._wake is not None:
            self._wake.cancel()
        dues = [self.core.next_deadline(), self._reconnect.next_deadline()]
        dues += [self.writer.next_deadline(), self._recovery.next_deadline()]
        due = min((d for d in dues if d is not None), default=math.inf)
        if due == math.inf or self._stop.is_set():
            return
        delay_s = self.clock.real_s(max(0.0, due - self.clock.now()))
        self._wake = asyncio.get_running_loop().call_later(delay_s, self._tick, due)

    def _record(self, outputs: tuple[CoreOutput, ...]) -> None:
        try:
            self.journaling.write(outputs, now=self.clock.now())
        except JournalError:
            bakes = [o for o in outputs if isinstance(o, RunBegun) and o.facts["step"] != "plate"
                     and o.facts["request"].get("kind") == "bake"]  # fmt: skip
            if not bakes:
                raise
            # The plate is in the oven already: it is led on, without the oven's curve.
            for bake in bakes:
                self.core.bake_unrecorded(bake.run_id)
            self._record(tuple(o for o in outputs if o not in bakes))

    def _say_of(self, output: CoreOutput) -> None:
        match output:
            case EventNoted():
                self._say({"event": event_line(output)})
            case RunEnded():
                self._say({"ended": output.run_id, "state": str(output.ended.state),
                           "reason": output.ended.reason})  # fmt: skip
            case RunClosed():
                self._say({"ended": output.run_id, "state": str(output.state),
                           "reason": output.reason, "data": output.data})  # fmt: skip
            case DeviceReported():
                if self._recovery.waiting:
                    account = self._recovery.account(output.report, now=self.clock.now())
                    if account is not None:
                        self._recover(account)
            case Refused():
                self._say({"refused": output.text})

    def _recover(self, account: DeviceAccount | None) -> None:
        """Close the exposures that an earlier process left open; their plates go on."""
        at_utc = from_ms(self.clock.utc_ms())
        for end in self._recovery.close(account, at_utc):
            self.writer.append(end, now=self.clock.now())
            self._say({"ended": end.run_id, "state": end.state, "reason": end.reason})
            self._after(
                self.core.exposure_recovered(end.run_id, *given_by(end), end.reason, **self._now())
            )
        self.core.recovering = False
        self._record((self._recovery.closed_all(self.clock.utc_ms()),))

    # --- requests --------------------------------------------------------------------------

    def submit(self, job: Job) -> str:
        """Begin an exposure; the reason when it is refused, else empty."""
        if self._recovery.waiting:
            return "the run before is still being closed; try again in a moment"
        try:
            refused = self._told(self.core.expose(job, **self._now()))
        except (JournalError, ValueError) as error:
            # A run that cannot be recorded is not made; nothing was sent for it yet.
            self.core.withdraw()
            return str(error)
        return refused or self._told(self.core.start(**self._now()))

    def command(self, name: str, reason: str = "", *, who: str = "") -> str:
        """Hold, restart, stop or abort; the reason when it is refused, else empty."""
        return self._told(self.core.command(name, reason, who=who, **self._now()))

    def _told(self, outputs: tuple[CoreOutput, ...]) -> str:
        self._after(outputs)
        for output in outputs:
            if isinstance(output, Refused):
                return output.text
            if isinstance(output, EventNoted) and output.name == "refused":
                return output.text
        return ""

    def make_plate(self, plan: PlatePlan) -> str:
        """Take up a plate; the reason when it is refused, else empty."""
        try:
            return self._told(self.core.make_plate(plan, **self._now()))
        except (JournalError, ValueError) as error:
            self.core.withdraw_plate(plan.plate)
            return str(error)

    def act(self, plate: str, asked: Asked, *, accept_overdue: bool = False) -> str:
        """Do what a person asks of a plate; the reason when it is refused, else empty."""
        told = self.core.act(
            plate,
            asked,
            overdue=tuple(due.text for due in self._overdue()),
            accept_overdue=accept_overdue,
            **self._now(),
        )
        try:
            refused = self._told(told)
        except (JournalError, ValueError) as error:
            self.core.withdraw()
            return str(error)
        return refused or self._told(self.core.start(**self._now()))

    def alarm(self, name: str, act: str, *, who: str, why: str, minutes: float | None) -> str:
        """Do what a person asks of an alarm; the reason when it is refused, else empty."""
        return self._told(self.core.alarm(name, act, who, why, minutes, **self._now()))

    def handle(self, request: Answer) -> Answer:
        """Answer one request of the service. What an act has changed is told before its answer, so
        that whoever got the answer never sees a status from before."""
        answered = answer(self, request)
        if answered["ok"] and request.get("do") not in READS:
            self._tell_once()
        return answered

    def status(self) -> Answer:
        """Everything a face shows, as plain JSON values."""
        clock = self._now()
        line = status_line(self.core.status(now=clock["now"]))
        line |= {"unit": self.settings.unit, "at_utc": iso(clock["at_utc_ms"])}
        line |= plates_lines(self.core)
        line["alarms"] = alarms_line(self.core.watch.status(), **clock)
        writer = self.writer.status()
        line["problem"] = self.problem
        fault = writer.fault or self.journaling.refused or self._not_durable
        line["journal"] = {"pending": writer.pending, "fault": fault}
        if self._server is not None:
            line["service"] = self._server.status()
        if self.publisher is not None:
            publisher = self.publisher.status()
            line["publisher"] = {
                "connected": publisher.connected,
                "pending": publisher.pending,
                "lag_s": publisher.lag_s,
                "problem": publisher.problem,
            }
        return line

    def listen(self, listener: Callable[[Answer], None]) -> None:
        """Have every line that followers get."""
        self._listeners.append(listener)

    def _say(self, line: Answer) -> None:
        for listener in tuple(self._listeners):
            try:
                listener(line)
            except Exception as error:
                # Whatever it does with its lines: the unit is served on, without it.
                self._listeners.remove(listener)
                asyncio.get_running_loop().call_exception_handler(
                    {"message": "a listener failed and is told no more", "exception": error}
                )
        if self._server is not None:
            self._server.tell(line)

    async def _tell(self) -> None:
        look_at = -math.inf
        while True:
            await asyncio.sleep(TELL_S)
            look = self.clock.now() >= look_at
            if look:
                look_at = self.clock.now() + OUTSIDE_S
            self._tell_once(look=look)

    def _tell_once(self, *, look: bool = False) -> None:
        """Tell the status; ``look`` first at what only the shell knows."""
        try:
            if look:
                self._after(self.core.outside(self._outside(), **self._now()))
            status = self.status()
            self._say({"status": status})
            if self.publisher is not None:
                self.publisher.report(summary(status))
        except Exception as error:
            # A face without news calls the unit silent; one fault of ours must not do that.
            asyncio.get_running_loop().call_exception_handler(
                {"message": "the status could not be told", "exception": error}
            )

    def _outside(self) -> tuple[Condition, ...]:
        """What only the shell knows and alarms want to know."""
        pending = self.writer.status().pending
        days = [float(due.days_over) for due in self._overdue()]
        conditions = [
            Condition("journal cannot write", bool(pending or self._not_durable), float(pending)),
            Condition("calibration overdue", bool(days), max(days, default=None), 0.0),
        ]
        if self.publisher is not None:
            publisher = self.publisher.status()
            conditions.append(Condition("broker down", not publisher.connected, publisher.lag_s))
        return tuple(conditions)


def learned_before(journal: Journal) -> Learned | None:
    """What the newest complete run taught; None on a journal without any."""
    for run in journal.runs(state="complete", limit=LEARN_FROM):
        if kind_of(run.start) != "expose":
            continue
        for event in reversed(journal.events(run.start.run_id)):
            if event.name == "learned":
                return lesson(event.data)
    return None


def lesson(data: Mapping[str, object]) -> Learned:
    """What an event taught; what makes no sense here (another release wrote it) teaches nothing."""

    def known(name: str) -> float:
        value = data.get(name)
        good = isinstance(value, int | float) and math.isfinite(value) and value >= 0.0
        return float(value) if good else 0.0  # type: ignore[arg-type]

    return Learned(
        afterglow_s=known("afterglow_s"),
        warm_up_deficit_s=known("warm_up_deficit_s"),
        irradiance_mw_cm2=known("irradiance_mw_cm2") or None,
    )
