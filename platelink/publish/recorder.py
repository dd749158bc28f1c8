"""The recorder: broker to store, a process of its own. One thread owns socket, journal and clock;
a second one only waits for the answers of the store.

A message is acknowledged to the broker when it is in the recorder's journal; from there it goes to
the store, and stays until the store has surely kept it. Everything that decides is in intake,
upload and backoff; here are only the calls.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from platelink.ledger.by import from_ms
from platelink.publish.broker import (
    NOT_AUTHORIZED,
    REFUSED,
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerLink,
    BrokerSettings,
    Connected,
    Received,
    refusal,
)
from platelink.publish.intake import FIRST_MS, Accepted, Rejected, judge
from platelink.publish.links import ListeningLink
from platelink.publish.recorder_journal import Counts, RecorderJournal
from platelink.publish.recorder_schema import DamagedRowError, RecorderJournalError
from platelink.publish.rounds import in_rounds
from platelink.publish.store import Store, StoreLost, StoreRefused, StoreSettings, StoreState
from platelink.publish.teller import KEPT_S, Teller
from platelink.publish.topics import ROOT, recorder_filters
from platelink.publish.upload import (
    AskStore,
    Confirm,
    Row,
    SetAside,
    Upload,
    UploadSettings,
    Write,
)

POLL_S = 0.1
BUSY_POLL_S = 0.005
"""While rows wait to be written the broker is only looked at."""
HOUSEKEEPING_S = 10.0
Heard = dict[tuple[str, str], int]
"""When the newest entry of a site's unit came, ms since 1970."""


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
    """How long the steps of runs and the order of points are known."""
    upload: UploadSettings = field(default_factory=UploadSettings)
    watch: tuple[str, int] | None = None
    """Host and port at which figures and health are answered."""


@dataclass(frozen=True, slots=True)
class RecorderStatus:
    """What is shown. The problems are empty while everything works."""

    connected: bool
    counts: Counts
    pending: int
    """Rows to be written to the store."""
    lag_s: float
    """Age of the oldest of them."""
    unconfirmed: int
    """Rows written, not yet surely kept by the store."""
    lines_written: int
    rows_written_again: int
    store_start: float | None
    store_restarts: int
    store_rows_refused: int | None
    """Rows that the store says it dropped after accepting them; must stay 0. None: not asked yet,
    or it does not say."""
    broker_problem: str
    store_problem: str
    journal_problem: str

    def text(self) -> str:
        """Two or more lines for people."""
        c = self.counts
        lines = [
            f"received {c.received} (duplicates {c.duplicates}, dead letters {c.dead_letters}, "
            f"waiting for a start {c.waiting}, {c.early} ahead of time); to write {self.pending}, "
            f"unconfirmed {self.unconfirmed}, confirmed lines {c.confirmed_lines}",
            f"broker {'connected' if self.connected else 'not connected'}; store restarts seen "
            f"{self.store_restarts}, rows written again {self.rows_written_again}, rows dropped "
            f"by the store {'not known' if (n := self.store_rows_refused) is None else n}",
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
        self._waits = ThreadPoolExecutor(1, "store")
        self._asked: Future[StoreState | None] | None = None
        """The open request to the store."""
        self._upload = Upload(settings.upload, rows=self._journal.rows(), now=time.monotonic())
        self._link = ListeningLink(
            settings.broker, client_id(settings.name), recorder_filters(settings.group)
        )
        self._teller = Teller(settings.name, settings.group)
        self._tended_at = float("-inf")
        self._rows_refused: int | None = None
        self.heard: Heard = {}
        self._held_problem = ""
        self._forbidden = False
        """To say what it has: not tried again before the next start."""
        self._journal_problem = ""

    def run(
        self,
        stop: threading.Event,
        report: Callable[[RecorderStatus], None],
        *,
        report_every_s: float = 10.0,
    ) -> None:
        """Work until ``stop`` is set; ``report`` is called now and then, in this thread."""
        in_rounds(self.step, lambda: report(self.status()), stop, every_s=report_every_s)

    def step(self) -> None:
        """One round: the store's answer and the next request to it, then receive, commit,
        acknowledge."""
        busy = self._work_on_store()
        self._receive(BUSY_POLL_S if busy else POLL_S)
        if self._link.up is not None:
            self._tell(self._link.up)
        self._tend()

    def status(self) -> RecorderStatus:
        upload = self._upload
        return RecorderStatus(
            connected=self._link.up is not None,
            counts=self._journal.counts(),
            pending=upload.pending,
            lag_s=self._lag_s(),
            unconfirmed=upload.unconfirmed,
            lines_written=upload.lines_written,
            rows_written_again=upload.rows_written_again,
            store_start=upload.store_start,
            store_restarts=upload.store_restarts,
            store_rows_refused=self._rows_refused,
            broker_problem=self._link.problem or self._held_problem,
            store_problem=upload.problem,
            journal_problem=self._journal_problem,
        )

    def _lag_s(self) -> float:
        oldest = self._upload.oldest
        came_ms = None if oldest is None else self._journal.came_ms(oldest)
        return 0.0 if came_ms is None else max(0.0, (_utc_ms() - came_ms) / 1000.0)

    def close(self) -> None:
        """What is not confirmed stays in the journal and is sent again by the next start."""
        self._link.close()
        self._waits.shutdown()  # an answer comes within the store's timeout; it changes nothing
        self._store.close()
        self._journal.close()

    def _receive(self, timeout_s: float) -> None:
        messages: list[Received] = []
        for event in self._link.poll(timeout_s):
            match event:
                case Received():
                    messages.append(event)
                case Connected():
                    self._teller.connected()
                case Acknowledged(_, code, _) if code == SERVER_UNAVAILABLE:
                    self._teller.took(self._journal.holdings.units())  # heard by nobody
                case Acknowledged():
                    self._said(event)
        if messages and self._keep(messages):
            self._link.acknowledge(*messages)

    def _said(self, answer: Acknowledged) -> None:
        """The broker took a list of what is held, or did not."""
        if self._forbidden:
            return
        why = "the broker rejects this recorder's list of what it has"
        if answer.code == NOT_AUTHORIZED:
            self._forbidden = True
            self._held_problem = (
                f"{why} ({answer.reason}): give its user the right to write {ROOT}/+/+/held/+, "
                "then start it again"
            )
        elif answer.code >= REFUSED:
            self._held_problem = f"{why}: {refusal(answer)}; it is said again"
            self._teller.took(self._journal.holdings.units())
        else:
            self._held_problem = ""

    def _keep(self, messages: list[Received]) -> bool:
        """Commit; False, and the connection is left, when the journal cannot take them: the
        broker keeps them and sends them again."""
        utc_ms = _utc_ms()
        if utc_ms < FIRST_MS:
            self._journal_problem = "this computer's clock shows a time before 2020: set the clock"
            self._link.lost("left until the clock is set")
            return False
        batch = [_judged(message, utc_ms) for message in messages]
        try:
            rows = self._journal.commit(batch, utc_ms=utc_ms)
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)
            self._link.lost("left until the journal can be written again")
            return False
        self._journal_problem = ""
        units = {(m.address.site, m.address.unit) for m in batch if isinstance(m, Accepted)}
        self._teller.took(units)
        self.heard = self.heard | dict.fromkeys(units, utc_ms)
        self._upload.add(rows, now=time.monotonic())
        return True

    def _tell(self, link: BrokerLink) -> None:
        """Publishers hear which of their entries are here, and send what is missing."""
        if self._forbidden:
            return  # some brokers leave a client that writes where it may not
        holdings = self._journal.holdings
        try:
            for unit in self._teller.due(holdings.units, now=time.monotonic()):
                words = self._teller.words(unit, holdings.of(*unit), from_ms(_utc_ms()))
                link.publish(words.topic, words.payload, retain=True, expiry_s=KEPT_S)
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)

    def _work_on_store(self) -> bool:
        """Take the store's answer and ask the next; True while it is at work, or may soon be."""
        if self._asked is not None:
            if not self._asked.done():
                return True
            self._answered(self._asked)
            self._asked = None
        actions = self._upload.tick(now=time.monotonic())
        for action in actions:
            match action:
                case AskStore():
                    self._asked = self._waits.submit(self._store.state)
                case Write(rows):
                    self._write(rows)
        return bool(actions) and not self._upload.problem

    def _write(self, rows: tuple[Row, ...]) -> None:
        """What cannot be read is no reason to stand still: a damaged row goes aside, like one that
        the store refuses, and anything else may pass."""
        try:
            lines = self._journal.lines_of(rows)
        except DamagedRowError as fault:
            self._do(self._upload.write_refused(str(fault), now=time.monotonic()))
        except RecorderJournalError as fault:
            self._upload.lost(str(fault), now=time.monotonic())
        else:
            self._asked = self._waits.submit(self._store.write, lines)

    def _answered(self, answer: Future[StoreState | None]) -> None:
        now, upload = time.monotonic(), self._upload
        done: tuple[Confirm | SetAside, ...] = ()
        try:
            state = answer.result()
        except StoreRefused as fault:
            done = upload.write_refused(str(fault), now=now)
        except StoreLost as fault:
            upload.lost(str(fault), now=now)
        else:
            if state is None:
                upload.written(now=now)
            else:
                self._rows_refused = state.rows_refused
                done = upload.store_seen(state.start, now=now)
        self._do(done)

    def _do(self, actions: Sequence[Confirm | SetAside]) -> None:
        """What the journal does not take now is written again, and so comes again."""
        for action in actions:
            rows = action.rows if isinstance(action, Confirm) else (action.row,)
            try:
                if isinstance(action, Confirm):
                    self._journal.confirm(rows)
                else:
                    self._journal.set_aside(action.row, action.reason, utc_ms=_utc_ms())
            except RecorderJournalError as fault:
                self._journal_problem = str(fault)
                self._upload.add(rows, now=time.monotonic())

    def _tend(self) -> None:
        """Now and then: entries whose start never came, old duplicates' ids, free space."""
        now = time.monotonic()
        if now - self._tended_at < HOUSEKEEPING_S:
            return
        self._tended_at = now
        utc_ms = _utc_ms()
        late_ms = utc_ms - int(self._settings.start_wait_s * 1000)
        try:
            rows = self._journal.release_early(utc_ms=utc_ms)
            rows += self._journal.release_waiting(before_ms=late_ms, utc_ms=utc_ms)
            self._upload.add(rows, now=now)
            self._journal.forget_before(utc_ms - int(self._settings.remember_s * 1000))
        except RecorderJournalError as fault:
            self._journal_problem = str(fault)


def client_id(name: str) -> str:
    """Of the session of the recorder of this name."""
    return f"platelink-recorder-{name}"


def _judged(message: Received, utc_ms: int) -> Accepted | Rejected:
    """Whatever goes wrong in judging a message says something of that message alone."""
    try:
        return judge(message.topic, message.payload, utc_ms=utc_ms)
    except Exception as fault:
        return Rejected(message.topic, message.payload, f"cannot be judged: {fault!r}")


def _utc_ms() -> int:
    return time.time_ns() // 1_000_000
