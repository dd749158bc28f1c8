"""The publisher: journal to broker, in a thread of its own that nobody waits for.

It reads the journal through its own read-only source, which is opened in the thread, and keeps
its place in its own cursor file. All decisions are the outbox's; here are clock, socket and file.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path

from pydantic import JsonValue

from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.publish.mqtt import (
    NO_SUBSCRIBERS,
    Acknowledged,
    BrokerError,
    BrokerLink,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    SubscriptionRefused,
    Will,
)
from platelink.publish.outbox import (
    Connect,
    Drop,
    Outbox,
    OutboxSettings,
    OutboxSource,
    OutboxState,
)
from platelink.publish.topics import Topics

POLL_S = 0.1
"""How late a new entry may leave, and how often an idle publisher looks into the journal."""
CURSOR_SAVE_S = 0.5
"""Flushing a memory card costs tens of milliseconds; a cursor that lags costs only duplicates."""
OWN_MESSAGES = 2
"""Status messages that may be in flight beside the entries."""
STATUS_S = 2.0
"""How often the pending count is measured, and the retained status renewed when it changed."""
RESTART_S = 2.0


@dataclass(frozen=True, slots=True)
class PublisherSettings:
    broker: BrokerSettings
    site: str
    unit: str
    hold_without_subscriber: bool = True
    """Wait until somebody is subscribed, since the broker keeps nothing for nobody."""
    outbox: OutboxSettings = field(default_factory=OutboxSettings)

    @property
    def client_id(self) -> str:
        return f"platelink-{self.site}-{self.unit}"


@dataclass(frozen=True, slots=True)
class PublisherStatus:
    """What a page or ``doctor`` shows. ``problem`` is empty while everything flows."""

    running: bool = False
    connected: bool = False
    state: str = OutboxState.WAITING.value
    pending: int = 0
    """Entries of the journal that the broker has not acknowledged."""
    lag_s: float = 0.0
    """Age of the oldest of them."""
    in_flight: int = 0
    cursor: int = 0
    acknowledged: int = 0
    """Entries acknowledged since the start of this process."""
    connections: int = 0
    problem: str = ""
    notice: str = ""


class Publisher:
    """``start()`` once, ``stop()`` once; ``status()`` and ``report()`` from any thread."""

    def __init__(
        self,
        settings: PublisherSettings,
        *,
        open_source: Callable[[], OutboxSource],
        cursor_path: Path,
    ) -> None:
        self._settings = settings
        self._topics = Topics(settings.site, settings.unit)
        self._open_source = open_source
        self._cursor_file = CursorFile(cursor_path)
        self._status = PublisherStatus()
        self._detail: dict[str, JsonValue] = {}
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="publisher", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self, timeout_s: float = 8.0) -> bool:
        """Ask the thread to end and wait for it; False if it is still busy after ``timeout_s``.
        What is not acknowledged yet is sent after the next start."""
        self._stopping.set()
        if self._thread.ident is not None:
            self._thread.join(timeout_s)
        return not self._thread.is_alive()

    def status(self) -> PublisherStatus:
        return self._status

    def report(self, detail: dict[str, JsonValue]) -> None:
        """Set what the retained status shows as ``detail``; sent within STATUS_S."""
        self._detail = dict(detail)

    def _run(self) -> None:
        """The thread never ends by an error: it says so and begins again."""
        while not self._stopping.is_set():
            try:
                self._work()
            except Exception as fault:  # whatever it is must be shown, and not end the thread
                text = f"publisher stopped by {fault!r}, begins again in {RESTART_S:g} s"
                self._status = replace(self._status, connected=False, problem=text)
                self._stopping.wait(RESTART_S)
        self._status = replace(self._status, running=False, connected=False)

    def _work(self) -> None:
        source = self._open_source()
        try:
            shift = _Shift(self._settings, self._topics, source, self._cursor_file)
            try:
                while not self._stopping.is_set():
                    shift.step(self._detail)
                    self._status = shift.status
                shift.leave(self._detail)
            finally:
                shift.close()
        finally:
            source.close()


class _Shift:
    """Everything that lives from one opening of the journal to its closing."""

    def __init__(
        self, settings: PublisherSettings, topics: Topics, source: OutboxSource, file: CursorFile
    ) -> None:
        self._settings = settings
        self._topics = topics
        self._source = source
        self._file = file
        saved = file.load()
        notice = file.notice
        if saved.number and not _same_journal(source, saved):
            notice = (
                f"the journal has no entry {saved.entry_id!r} at number {saved.number}: it is "
                f"another journal than before, every entry is sent from the first"
            )
            saved = CursorState(session=saved.session)
        self._saved = saved
        self._saved_at = time.monotonic()
        self._outbox = Outbox(settings.outbox, cursor=saved.number, now=time.monotonic())
        self._link: BrokerLink | None = None
        self._ids: dict[int, str] = {}
        self._numbers: dict[int, int] = {}  # message id of this connection -> number
        self._entry_id = saved.entry_id
        self._sequence = 0
        self._told: tuple[int, str] | None = None
        self._measured_at = float("-inf")
        self.status = PublisherStatus(running=True, cursor=saved.number, notice=notice)

    def step(self, detail: dict[str, JsonValue]) -> None:
        """One round: what is due, send what may go, hear what came. Blocks up to POLL_S."""
        now = time.monotonic()
        for action in self._outbox.tick(now=now):
            self._act(action, now)
        if self._link is None:
            time.sleep(POLL_S)
        else:
            self._send(now)
            for event in self._link.poll(POLL_S):
                self._hear(event, detail)
        now = time.monotonic()
        if self._outbox.cursor != self._saved.number and now - self._saved_at >= CURSOR_SAVE_S:
            self._save()
        self._measure(detail, now)

    def leave(self, detail: dict[str, JsonValue]) -> None:
        """Say goodbye: the last status of this session, then an orderly end of the connection."""
        if self._link is not None and self._outbox.connected:
            self._tell("offline", detail)
            self._link.poll(POLL_S)

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None
        if self._outbox.cursor != self._saved.number:
            self._save()

    def _act(self, action: Connect | Drop, now: float) -> None:
        self._forget_link()
        if isinstance(action, Drop):
            return
        session = max(self._saved.session + 1, int(time.time()))
        self._saved = replace(self._saved, session=session)
        self._save()
        self._sequence = 0
        will = Will(self._topics.status, self._status_text("offline", {}, LAST_WORD))
        self._link = BrokerLink(
            self._settings.broker, client_id=self._settings.client_id, will=will
        )
        try:
            self._link.connect()
        except BrokerError as fault:
            self._forget_link()
            self._outbox.lost(str(fault), now=time.monotonic())

    def _forget_link(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None
        self._numbers.clear()

    def _send(self, now: float) -> None:
        assert self._link is not None
        room = self._outbox.room()
        if room < 1:
            return
        for row in self._source.outbox_after(self._outbox.sent_to(), room):
            topic = self._topics.of(row.entry)
            payload = row.entry.model_dump_json().encode()
            self._numbers[self._link.publish(topic, payload)] = row.number
            self._ids[row.number] = row.entry.id
            self._outbox.sent(row.number, now=now)

    def _hear(self, event: LinkEvent, detail: dict[str, JsonValue]) -> None:
        now = time.monotonic()
        match event:
            case Connected():
                assert self._link is not None
                self._outbox.connected_to_broker(event.receive_maximum - OWN_MESSAGES, now=now)
                self._link.subscribe([self._topics.status])
                self._tell("online", detail)
            case ConnectionLost(reason):
                self._outbox.lost(reason, now=now)
                self._forget_link()
            case Acknowledged():
                self._answered(event, now)
            case Received(topic, payload):
                if self._link is not None:
                    self._link.acknowledge(event)
                if topic == self._topics.status:
                    self._compare(payload, detail)
            case SubscriptionRefused(reason):
                self.status = replace(self.status, notice=f"own status not readable: {reason}")

    def _answered(self, event: Acknowledged, now: float) -> None:
        number = self._numbers.pop(event.mid, None)
        if number is None:
            return  # the status message
        if event.code == NO_SUBSCRIBERS and self._settings.hold_without_subscriber:
            text = (
                "the broker has no subscriber and would throw the entries away: start "
                "'platelink recorder' (or set hold_without_subscriber = false)"
            )
            self._outbox.undelivered(number, text, now=now)
        elif event.code >= 0x80:
            text = f"the broker refused entry {number}: {event.reason} ({event.code})"
            self._outbox.undelivered(number, text, now=now)
        elif self._outbox.acknowledged(number, now=now):
            self._entry_id = self._ids[self._outbox.cursor]
            self._ids = {n: i for n, i in self._ids.items() if n > self._outbox.cursor}

    def _compare(self, payload: bytes, detail: dict[str, JsonValue]) -> None:
        """Look at the retained status as the broker has it, and put an old last will right."""
        try:
            seen = UnitStatus.model_validate_json(payload).order()
        except ValueError:
            seen = (0, 0)
        own = (self._saved.session, self._sequence)
        if seen[0] < own[0]:
            self._tell("online", detail)
        elif seen[0] > own[0]:
            text = (
                f"the broker has a status of session {seen[0]}, later than ours ({own[0]}): "
                f"another publisher runs under the same site and unit, or the clock was set back"
            )
            self.status = replace(self.status, notice=text)

    def _tell(self, state: str, detail: dict[str, JsonValue]) -> None:
        assert self._link is not None
        self._sequence += 1
        self._link.publish(
            self._topics.status, self._status_text(state, detail, self._sequence), retain=True
        )

    def _status_text(self, state: str, detail: dict[str, JsonValue], sequence: int) -> bytes:
        message = UnitStatus.model_validate(
            {
                "site": self._settings.site,
                "unit": self._settings.unit,
                "session": self._saved.session,
                "sequence": sequence,
                "state": state,
                "at_utc": datetime.now(UTC),
                "pending": None if sequence == LAST_WORD else self.status.pending,
                "detail": detail,
            }
        )
        return message.model_dump_json().encode()

    def _save(self) -> None:
        self._saved = replace(self._saved, number=self._outbox.cursor, entry_id=self._entry_id)
        self._file.save(self._saved)
        self._saved_at = time.monotonic()

    def _measure(self, detail: dict[str, JsonValue], now: float) -> None:
        box = self._outbox
        self.status = replace(
            self.status,
            connected=box.connected,
            state=box.state.value,
            in_flight=box.in_flight,
            cursor=box.cursor,
            acknowledged=box.delivered,
            connections=box.connections,
            problem=box.reason,
        )
        if now - self._measured_at < STATUS_S:
            return
        self._measured_at = now
        oldest = self._source.outbox_after(box.cursor, 1)
        pending = max(self._source.last_number() - box.cursor, 0) if oldest else 0
        # Wall time on purpose: the age must be right over restarts, and it is only shown.
        lag_s = (datetime.now(UTC) - oldest[0].entry.at_utc).total_seconds() if oldest else 0.0
        self.status = replace(self.status, pending=pending, lag_s=max(lag_s, 0.0))
        told = (pending, json.dumps(detail, sort_keys=True))
        if box.connected and self._link is not None and told != self._told:
            self._told = told
            self._tell("online", detail)


def _same_journal(source: OutboxSource, saved: CursorState) -> bool:
    rows = source.outbox_after(saved.number - 1, 1)
    return bool(rows) and rows[0].number == saved.number and rows[0].entry.id == saved.entry_id
