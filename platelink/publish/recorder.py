"""The recorder: broker to store, a process of its own. One thread owns socket, journal and clock.

A message is acknowledged to the broker when it is in the recorder's journal; from there it goes to
the store, and stays until the store has surely kept it. Everything that decides is in intake,
upload and backoff; here are only the calls.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from platelink.publish.backoff import Backoff
from platelink.publish.intake import judge
from platelink.publish.mqtt import (
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    Received,
    SubscriptionRefused,
)
from platelink.publish.recorder_journal import Counts, RecorderJournal, RecorderJournalError
from platelink.publish.store import Store, StoreLost, StoreRefused, StoreSettings
from platelink.publish.topics import recorder_filters
from platelink.publish.upload import (
    AskStore,
    Confirm,
    SetAside,
    Upload,
    UploadSettings,
    Write,
)

POLL_S = 0.1
BUSY_POLL_S = 0.005
"""While rows wait to be written the broker is only looked at."""
RECEIVE_MAXIMUM = 200
"""Messages that the broker may send ahead of our commits."""
HOUSEKEEPING_S = 10.0


@dataclass(frozen=True, slots=True)
class RecorderSettings:
    broker: BrokerSettings
    store: StoreSettings
    journal_path: Path
    name: str = "recorder"
    """Fixed name of this recorder's session with the broker; one per running recorder."""
    group: str | None = None
    """Recorders of one group share the messages between them (shared subscription)."""
    start_wait_s: float = 60.0
    """How long entries wait for the start of their run, which tells their step."""
    remember_s: float = 7 * 86400.0
    """How long duplicates are known by their id; a later one is sent again, which is harmless."""
    upload: UploadSettings = field(default_factory=UploadSettings)


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """What is shown. The problems are empty while everything works."""

    connected: bool
    counts: Counts
    pending: int
    """Rows to be written to the store."""
    unconfirmed: int
    """Rows written, not yet surely kept by the store."""
    lines_written: int
    rows_written_again: int
    store_start: float | None
    store_restarts: int
    store_rows_refused: int
    """Rows that the store says it dropped after accepting them; must stay 0."""
    broker_problem: str
    store_problem: str
    journal_problem: str

    def text(self) -> str:
        """Two or more lines for people."""
        c = self.counts
        lines = [
            f"received {c.received} (duplicates {c.duplicates}, dead letters {c.dead_letters}, "
            f"waiting for a start {c.waiting}); to write {self.pending}, unconfirmed "
            f"{self.unconfirmed}, confirmed lines {c.confirmed_lines}",
            f"broker {'connected' if self.connected else 'not connected'}; store restarts seen "
            f"{self.store_restarts}, rows written again {self.rows_written_again}, rows dropped "
            f"by the store {self.store_rows_refused}",
        ]
        problems = (self.broker_problem, self.store_problem, self.journal_problem)
        return "\n".join([*lines, *(f"problem: {p}" for p in problems if p)])


class Recorder:
    """Make it, call ``run`` in the thread that made it, ``close`` it."""

    def __init__(self, settings: RecorderSettings) -> None:
        """RecorderJournalError if the journal is in use or cannot be written."""
        self._settings = settings
        self._journal = RecorderJournal(settings.journal_path)
        self._store = Store(settings.store)
        now = time.monotonic()
        self._upload = Upload(settings.upload, rows=self._journal.rows(), now=now)
        self._link: BrokerLink | None = None
        self._connected = False
        self._broker_backoff = Backoff(0.5, 15.0)
        self._connect_at = now
        self._tended_at = float("-inf")
        self._rows_refused = 0
        self._broker_problem = ""
        self._journal_problem = ""

    def run(
        self,
        stop: threading.Event,
        report: Callable[[RecorderStatus], None],
        *,
        report_every_s: float = 10.0,
    ) -> None:
        """Work until ``stop`` is set; ``report`` is called now and then, in this thread."""
        report_at = time.monotonic() + report_every_s
        while not stop.is_set():
            self.step()
            if time.monotonic() >= report_at:
                report(self.status())
                report_at = time.monotonic() + report_every_s
        report(self.status())

    def step(self) -> None:
        """One round: receive, commit, acknowledge, then at most one request to the store."""
        busy = self._work_on_store()
        if self._link is None and time.monotonic() >= self._connect_at:
            self._connect()
        if self._link is None:
            time.sleep(BUSY_POLL_S if busy else POLL_S)
        else:
            self._receive(self._link, BUSY_POLL_S if busy else POLL_S)
        self._tend()

    def status(self) -> RecorderStatus:
        upload = self._upload
        return RecorderStatus(
            connected=self._connected,
            counts=self._journal.counts(),
            pending=upload.pending,
            unconfirmed=upload.unconfirmed,
            lines_written=upload.lines_written,
            rows_written_again=upload.rows_written_again,
            store_start=upload.store_start,
            store_restarts=upload.store_restarts,
            store_rows_refused=self._rows_refused,
            broker_problem=self._broker_problem,
            store_problem=upload.problem,
            journal_problem=self._journal_problem,
        )

    def close(self) -> None:
        """What is not confirmed stays in the journal and is sent again by the next start."""
        self._leave()
        self._store.close()
        self._journal.close()

    def _connect(self) -> None:
        s = self._settings
        link = BrokerLink(
            s.broker, client_id=f"platelink-recorder-{s.name}", receive_maximum=RECEIVE_MAXIMUM
        )
        try:
            link.connect()
        except BrokerError as fault:
            self._lost(str(fault))
        else:
            self._link = link

    def _receive(self, link: BrokerLink, timeout_s: float) -> None:
        messages: list[Received] = []
        for event in link.poll(timeout_s):
            match event:
                case Received():
                    messages.append(event)
                case Connected():
                    self._connected = True
                    self._broker_problem = ""
                    self._broker_backoff.succeeded()
                    # Also on a resumed session: this recorder may have changed its group.
                    link.subscribe(recorder_filters(self._settings.group))
                case ConnectionLost(reason):
                    self._lost(reason)
                case SubscriptionRefused(reason):
                    self._lost(reason)
        if messages and self._keep(messages) and self._link is link:
            for message in messages:
                link.acknowledge(message)

    def _keep(self, messages: list[Received]) -> bool:
        """Commit; False, and the connection is left, when the journal cannot take them: the
        broker keeps them and sends them again."""
        utc_ms = _utc_ms()
        batch = [judge(m.topic, m.payload, utc_ms=utc_ms) for m in messages]
        try:
            rows = self._journal.commit(batch, utc_ms=utc_ms)
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)
            self._lost("left until the journal can be written again")
            return False
        self._journal_problem = ""
        self._upload.add(rows, now=time.monotonic())
        return True

    def _work_on_store(self) -> bool:
        """Do the next thing at the store; True if there may be more at once."""
        actions = self._upload.tick(now=time.monotonic())
        try:
            for action in actions:
                match action:
                    case AskStore():
                        self._ask()
                    case Write(rows):
                        self._write(self._journal.lines_of(rows))
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)
        return bool(actions) and not self._upload.problem

    def _ask(self) -> None:
        try:
            state = self._store.state()
        except StoreLost as fault:
            self._upload.store_lost(str(fault), now=time.monotonic())
            return
        self._rows_refused = state.rows_refused
        for confirm in self._upload.store_seen(state.start, now=time.monotonic()):
            self._do(confirm)

    def _write(self, lines: str) -> None:
        try:
            self._store.write(lines)
        except StoreRefused as fault:
            for aside in self._upload.write_refused(str(fault), now=time.monotonic()):
                self._do(aside)
        except StoreLost as fault:
            self._upload.write_lost(str(fault), now=time.monotonic())
        else:
            self._upload.written(now=time.monotonic())

    def _do(self, action: Confirm | SetAside) -> None:
        if isinstance(action, Confirm):
            self._journal.confirm(action.rows)
        else:
            self._journal.set_aside(action.row, action.reason, utc_ms=_utc_ms())

    def _tend(self) -> None:
        """Now and then: entries whose start never came, old duplicates' ids, free space."""
        now = time.monotonic()
        if now - self._tended_at < HOUSEKEEPING_S:
            return
        self._tended_at = now
        utc_ms = _utc_ms()
        late_ms = utc_ms - int(self._settings.start_wait_s * 1000)
        try:
            self._upload.add(
                self._journal.release_waiting(before_ms=late_ms, utc_ms=utc_ms), now=now
            )
            self._journal.forget_before(utc_ms - int(self._settings.remember_s * 1000))
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)

    def _lost(self, reason: str) -> None:
        self._leave()
        self._broker_problem = reason
        self._connect_at = self._broker_backoff.failed(now=time.monotonic())

    def _leave(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None
        self._connected = False


def _utc_ms() -> int:
    return time.time_ns() // 1_000_000
