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
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from platelink.control.states import Learned
from platelink.daemon.clock import Clock
from platelink.daemon.core import CoreOutput, DeviceReported, Job, Refused, UnitCore, in_words
from platelink.daemon.recording import EventNoted, RunBegun, RunEnded, RunSampled
from platelink.daemon.service import Service, ServiceSettings
from platelink.daemon.view import event_line, status_line, summary
from platelink.daemon.wire import Answer
from platelink.link import messages as m
from platelink.link.port import Port, PortError
from platelink.link.reconnect import Reconnect
from platelink.publish.publisher import Publisher
from platelink.record.errors import JournalError, JournalRefused
from platelink.record.journal import Journal
from platelink.record.recover import DeviceAccount, close_open_run
from platelink.record.writer import JournalWriter
from platelink.runs import RunChannels, RunEvent, RunStart

COMMANDS = ("hold", "restart", "stop", "abort")
TELL_S = 0.1
"""How often followers get the status, real seconds."""
CHECKPOINT_S = 1.0
"""How often the journal is made durable against a power cut, real seconds."""
LEARN_FROM = 20
"""Newest complete runs searched for a lesson; only very short exposures teach none."""
ASK_AGAIN_S = 1.0
RECOVER_WAIT_S = 30.0
"""How long a run left open waits for its device before it is closed without it."""


def from_ms(at_utc_ms: int) -> datetime:
    """UTC of a stamp in milliseconds."""
    return datetime.fromtimestamp(at_utc_ms / 1000.0, UTC)


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
        make_port: type[Port] = Port,
    ) -> None:
        """``make_core`` gets what the newest record taught, and now; ``make_job`` makes a job of a
        request or raises ValueError."""
        self.settings = settings
        self.clock = clock
        self.publisher = publisher
        self.journal = Journal.open(
            settings.journal, unit=settings.unit, new_uuid=secrets.token_hex(8)
        )
        self.writer = JournalWriter(self.journal)
        self._make_job = make_job
        self.core = make_core(learned_before(self.journal), clock.now())
        self.problem = ""
        """Why the port cannot be opened; empty while it is open."""
        self._left_open = {run.start.run_id: run for run in self.journal.open_runs()}
        self._reconnect = Reconnect()
        self._port = make_port(
            settings.port, baud=settings.baud, on_data=self._on_data, on_lost=self._on_lost
        )
        self._refused = ""
        """What the journal last refused; empty while it contradicted nothing."""
        self._not_durable = ""
        """Why the last checkpoint failed; empty after a good one."""
        self._stop = asyncio.Event()
        self._wake: asyncio.TimerHandle | None = None
        self._listeners: list[Callable[[Answer], None]] = []
        self._recover_by = clock.now() + RECOVER_WAIT_S
        self._ask_at = math.inf
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
        for output in self.core.flush():
            self._carry_out(output)
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
        self._wake = None
        if self._reconnect.tick(now=now):
            self._open_port()
        self.writer.retry(now=now)
        if self._left_open and now >= self._recover_by:
            self._recover(None)
        if now >= self._ask_at:
            self._ask_at = math.inf
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
            for output in outputs:
                self._carry_out(output)
        finally:  # whatever went wrong with the record: the device is served on
            if self.core.up:
                self._reconnect.proven(now=self.clock.now())
            self._port.write(self.core.data_to_send())
            self._arm()

    def _arm(self) -> None:
        if self._wake is not None:
            self._wake.cancel()
        dues = [self.core.next_deadline(), self._reconnect.next_deadline()]
        dues.append(self.writer.next_deadline())
        if self._left_open:
            dues += [self._recover_by, self._ask_at]
        due = min((d for d in dues if d is not None), default=math.inf)
        if due == math.inf or self._stop.is_set():
            return
        delay_s = self.clock.real_s(max(0.0, due - self.clock.now()))
        self._wake = asyncio.get_running_loop().call_later(delay_s, self._tick, due)

    def _carry_out(self, output: CoreOutput) -> None:
        if isinstance(output, RunBegun):
            self._begin(output)
            return
        try:
            self._record_and_tell(output)
        except JournalRefused as error:  # a fault of ours: shown, but the unit is served on
            self._refused = str(error)

    def _record_and_tell(self, output: CoreOutput) -> None:
        now = self.clock.now()
        match output:
            case RunSampled():
                stamp = from_ms(int(output.block.at_utc_ms[-1]))
                self.writer.append_samples(output.run_id, output.block, stamp, now=now)
            case EventNoted():
                self.writer.append(self._event(output), now=now)
                self._say({"event": event_line(output)})
            case RunEnded():
                self._end(output)
                self._say({"ended": output.run_id, "state": str(output.ended.state),
                           "reason": output.ended.reason})  # fmt: skip
            case DeviceReported():
                if self._left_open:
                    self._device_reported(output.report)
            case Refused():
                self._say({"refused": output.text})

    def _begin(self, begun: RunBegun) -> None:
        """Open the run in the journal. JournalError or ValueError: nothing was written."""
        at_utc = from_ms(begun.at_utc_ms)
        common: dict[str, Any] = {"run_id": begun.run_id, "unit": self.settings.unit}
        now = self.clock.now()
        start = RunStart(id=self.writer.next_id(), at_utc=at_utc, **common, **begun.facts)
        self.writer.append(start, now=now)
        channels = RunChannels(
            id=self.writer.next_id(), at_utc=at_utc, channels=begun.channels, **common
        )
        self.writer.append(channels, now=now)

    def _event(self, event: EventNoted) -> RunEvent:
        return RunEvent(
            id=self.writer.next_id(),
            run_id=event.run_id,
            unit=self.settings.unit,
            at_utc=from_ms(event.at_utc_ms),
            name=event.name,
            text=event.text,
            ticks=event.ticks,
            data={k: v for k, v in event.data.items() if v == v},  # noqa: PLR0124 -- drops NaN
        )

    def _end(self, run: RunEnded) -> None:
        ended = run.ended
        self.writer.end_run(
            run.run_id,
            from_ms(run.at_utc_ms),
            str(ended.state),  # type: ignore[arg-type]
            ended.reason,
            now=self.clock.now(),
            dose_mj_cm2=ended.dose_mj_cm2,
            device_dose_mj_cm2=ended.device_dose_mj_cm2,
            light_s=ended.light_s,
            gaps=run.gaps,
        )

    def _device_reported(self, report: m.OrderReport) -> None:
        """An order still open ends at its dose: wait for that before closing its run."""
        lamp_on = report.state == m.OrderState.OPEN
        account = DeviceAccount(
            order=report.order,
            boot_id=report.boot_id,
            lamp_on=lamp_on,
            closed_by=in_words(m.CloseReason, report.close_reason),
            open_sum=report.open_sum,
            close_sum=report.close_sum,
            open_count=report.open_count,
            close_count=report.close_count,
        )
        if lamp_on:
            self._ask_at = self.clock.now() + ASK_AGAIN_S
            self._recover_by = max(self._recover_by, self._ask_at + RECOVER_WAIT_S)
        else:
            self._recover(account)

    def _recover(self, account: DeviceAccount | None) -> None:
        """Close the runs that an earlier process left open, with what the device still knows."""
        for run_id, run in self._left_open.items():
            end = close_open_run(
                run,
                self.journal.events(run_id),
                account,
                entry_id=self.writer.next_id(),
                at_utc=from_ms(self.clock.utc_ms()),
            )
            self.writer.append(end, now=self.clock.now())
            self._say({"ended": run_id, "state": end.state, "reason": end.reason})
        self._left_open.clear()

    # --- requests --------------------------------------------------------------------------

    def submit(self, job: Job) -> str:
        """Begin an exposure; the reason when it is refused, else empty."""
        if self._left_open:
            return "the run before is still being closed; try again in a moment"
        try:
            refused = self._told(self.core.expose(job, **self._now()))
        except (JournalError, ValueError) as error:
            # A run that cannot be recorded is not made; nothing was sent for it yet.
            self.core.withdraw()
            return str(error)
        return refused or self._told(self.core.start(**self._now()))

    def command(self, name: str, reason: str = "") -> str:
        """Hold, restart, stop or abort; the reason when it is refused, else empty."""
        return self._told(self.core.command(name, reason, **self._now()))

    def _told(self, outputs: tuple[CoreOutput, ...]) -> str:
        self._after(outputs)
        for output in outputs:
            if isinstance(output, Refused):
                return output.text
            if isinstance(output, EventNoted) and output.name == "refused":
                return output.text
        return ""

    def handle(self, request: Answer) -> Answer:
        """Answer one request of the service."""
        do = request.get("do")
        if do == "status":
            return {"ok": True, **self.status()}
        try:
            refused = self._do(str(do), request)
        except (ValueError, TypeError) as error:
            refused = str(error)
        if refused:
            return {"ok": False, "error": refused}
        return {"ok": True, "run_id": self.core.run_id}

    def _do(self, do: str, request: Answer) -> str:
        if do == "expose":
            return self.submit(self._make_job(request.get("job")))
        if do in COMMANDS:
            return self.command(do, str(request.get("reason") or "by request"))
        return f"{do}: not known; use expose, status, follow, {', '.join(COMMANDS)}"

    def status(self) -> Answer:
        """Everything a face shows, as plain JSON values."""
        line = status_line(self.core.status(now=self.clock.now()))
        writer = self.writer.status()
        line["problem"] = self.problem
        fault = writer.fault or self._refused or self._not_durable
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
        while True:
            await asyncio.sleep(TELL_S)
            status = self.status()
            self._say({"status": status})
            if self.publisher is not None:
                self.publisher.report(summary(status))


def learned_before(journal: Journal) -> Learned | None:
    """What the newest complete run taught; None on a journal without any."""
    for run in journal.runs(state="complete", limit=LEARN_FROM):
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
