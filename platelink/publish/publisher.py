"""The publisher: journal to broker, in a thread of its own that nobody waits for.

It reads the journal through its own read-only source, which is opened in the thread, and keeps
its place in its own cursor file. All decisions are the outbox's; here are clock, socket and file.
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from pydantic import JsonValue

from platelink.publish.broker import (
    NO_SUBSCRIBERS,
    REFUSED,
    Acknowledged,
    BrokerError,
    BrokerLink,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
    SubscriptionRefused,
    Will,
    refusal,
)
from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.holdings import split_id
from platelink.publish.links import link_to
from platelink.publish.messages import LAST_WORD, HeldEntries, UnitStatus
from platelink.publish.outbox import Connect, Drop, Outbox, OutboxSource
from platelink.publish.payloads import payload_of
from platelink.publish.publishing import (
    RENEW_S,
    PublisherSettings,
    PublisherStatus,
    status_text,
)
from platelink.publish.ranges import joined
from platelink.publish.repair import IN_FLIGHT, Held, Repair
from platelink.publish.texts import RetainedTexts
from platelink.publish.topics import Topics
from platelink.runs import EXACT, AnyEntry

POLL_S = 0.1
"""How late a new entry may leave, and how often an idle publisher looks into the journal."""
CURSOR_SAVE_S = 0.5
"""Flushing a memory card costs tens of milliseconds; a cursor that lags costs only duplicates."""
OWN_MESSAGES = 3 + IN_FLIGHT
"""Status, a retained text, and entries that a recorder lacks: in flight beside the new entries."""
STATUS_S = 2.0
"""How often the pending count is measured, and the retained status renewed when it changed."""
RESTART_S = 2.0


class Publisher:
    """``start()`` once, ``stop()`` once; ``status()`` and ``report()`` from any thread."""

    def __init__(
        self,
        settings: PublisherSettings,
        *,
        open_source: Callable[[], OutboxSource],
        cursor_path: Path,
        texts: RetainedTexts | None = None,
    ) -> None:
        self.texts = texts or RetainedTexts()
        """What the broker keeps, of this unit and of others."""
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
                text = f"publisher failed ({fault!r}), restarts in {RESTART_S:g} s"
                self._status = replace(self._status, connected=False, problem=text)
                self._stopping.wait(RESTART_S)
        self._status = replace(self._status, running=False, connected=False)

    def _work(self) -> None:
        source = self._open_source()
        try:
            shift = _Shift(self._settings, self._topics, source, self._cursor_file, self.texts)
            try:
                while not self._stopping.is_set() and not source.replaced():
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
        self, settings: PublisherSettings, topics: Topics, source: OutboxSource, file: CursorFile,
        texts: RetainedTexts,
    ) -> None:  # fmt: skip
        self._settings = settings
        self._texts = texts
        self._topics = topics
        self._source = source
        self._file = file
        saved = file.load()
        self._notices = {"cursor": file.notice}
        if saved.number and not _same_journal(source, saved):
            self._notices["journal"] = (
                f"the journal has no entry {saved.entry_id!r} at number {saved.number}: this "
                "is another journal than before; all entries are sent from the first"
            )
            saved = CursorState(session=saved.session)
        self._saved = saved
        self._saved_at = time.monotonic()
        self._outbox = Outbox(settings.outbox, cursor=saved.number, now=time.monotonic())
        self._link: BrokerLink | None = None
        self._numbers: dict[int, int] = {}  # message id of this connection -> number
        self._again: dict[int, int] = {}  # the same of those that a recorder lacks
        self._repair = Repair(now=time.monotonic())
        self._sequence = 0
        self._reported: tuple[int, str] | None = None
        self._told, self._told_at = 0, float("-inf")  # the newest status: its message id, when
        self._measured_at = float("-inf")
        self.status = PublisherStatus(running=True, cursor=saved.number, notice=self._notice())

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
        if self._outbox.sure != self._saved.number and now - self._saved_at >= CURSOR_SAVE_S:
            self._save()
        self._measure(detail, now)
        text = self._texts.next(now=now) if self._outbox.connected else None
        if text is not None and self._link is not None:
            topic, body = text
            self._texts.sent(topic, body, self._link.publish(topic, body.encode(), retain=True))

    def leave(self, detail: dict[str, JsonValue]) -> None:
        """Say goodbye: the last status of this session, then an orderly end of the connection."""
        if self._link is not None and self._outbox.connected:
            self._tell("offline", detail)
            self._link.poll(POLL_S)

    def close(self) -> None:
        if self._link is not None:
            self._link.close()
            self._link = None
        if self._outbox.sure != self._saved.number:
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
        self._link = link_to(self._settings.broker, client_id=self._settings.client_id, will=will)
        try:
            self._link.connect()
        except BrokerError as fault:
            self._forget_link()
            self._outbox.lost(str(fault), now=time.monotonic())

    def _forget_link(self) -> None:
        if self._link is not None:
            self._link.close()
        self._link = None
        self._texts.lost()
        self._numbers.clear()
        self._again.clear()
        self._repair.lost(now=time.monotonic())

    def _send(self, now: float) -> None:
        assert self._link is not None
        free = min(self._outbox.free(), self._outbox.pace(now=now))
        for row in self._source.outbox_after(self._outbox.sent_to(), free) if free > 0 else ():
            self._numbers[self._publish(row.entry, row.entry.id)] = row.number
            self._outbox.sent(row.number, now=now)
        if self._outbox.flows:
            self._send_again(now)

    def _send_again(self, now: float) -> None:
        """What recorders lack, beside the new ones."""
        self._repair.tick(self._outbox.cursor, now=now)
        while (number := self._repair.next()) is not None:
            rows = self._source.outbox_after(number - 1, 1)
            if rows and rows[0].number == number:
                # without its id: a stream may have had it, and it is not in the recorder
                self._again[self._publish(rows[0].entry)] = number
                self._repair.sent(number)
            else:
                self._repair.skip(rows[0].number if rows else EXACT)

    def _publish(self, entry: AnyEntry, entry_id: str | None = None) -> int:
        assert self._link is not None
        content = payload_of(entry, blocks=self._settings.blocks)
        return self._link.publish(self._topics.of(entry), content, entry_id=entry_id)

    def _hear(self, event: LinkEvent, detail: dict[str, JsonValue]) -> None:
        now = time.monotonic()
        match event:
            case Connected():
                assert self._link is not None
                self._outbox.connected_to_broker(event.receive_maximum - OWN_MESSAGES, now=now)
                self._link.subscribe(
                    [self._topics.status, self._topics.held_by_any, *self._texts.listen]
                )
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
                elif not self._texts.heard(topic, payload):
                    self._hear_held(topic, payload)
            case SubscriptionRefused(reason):
                self._notices["status"] = f"own status not readable: {reason}"

    def _answered(self, event: Acknowledged, now: float) -> None:
        self._texts.answered(event.mid, refusal(event), now=now)
        again = self._again.pop(event.mid, None)
        if again is not None:
            self._repair.answered(again)
        if event.mid == self._told:
            why = refusal(event)
            self._notices["own"] = f"the broker refused this unit's status: {why}" if why else ""
        number = self._numbers.pop(event.mid, None)
        if number is None:
            return  # the status, or one that was sent again
        if event.code == NO_SUBSCRIBERS and self._settings.hold_without_subscriber:
            text = (
                "the broker has no subscriber and would discard the entries: start "
                "'platelink recorder'"
            )
            self._outbox.undelivered(number, text, now=now)
        elif event.code >= REFUSED:
            text = f"the broker refused entry {number}: {refusal(event)}"
            self._outbox.undelivered(number, text, now=now)
        else:
            self._outbox.acknowledged(number, now=now)

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
            self._notices["status"] = (
                f"the broker has a status of session {seen[0]}, later than ours ({own[0]}): "
                f"another publisher uses the same site and unit, or the clock was set back"
            )

    def _hear_held(self, topic: str, payload: bytes) -> None:
        """A recorder says which entries it holds; without words it is no more."""
        recorder = topic.rpartition("/")[2]
        try:
            held = HeldEntries.model_validate_json(payload) if payload else None
        except ValueError:
            return  # a newer recorder's: what it lacks it does not get again from here
        if held is None:
            self._repair.heard(recorder, None)
            return
        journal = split_id(_id_of(self._source, 1))[0]
        ranges = joined(pair for pair in held.journals.get(journal, ()) if pair[0] <= pair[1])
        self._repair.heard(recorder, Held(held.group, ranges))
        self._outbox.held(self._repair.held_by_all(), now=time.monotonic())

    def _tell(self, state: Literal["online", "offline"], detail: dict[str, JsonValue]) -> None:
        assert self._link is not None
        self._sequence += 1
        self._told_at = time.monotonic()
        text = self._status_text(state, detail, self._sequence)
        self._told = self._link.publish(self._topics.status, text, retain=True)

    def _status_text(
        self, state: Literal["online", "offline"], detail: dict[str, JsonValue], sequence: int
    ) -> bytes:
        order = (self._saved.session, sequence)
        return status_text(
            self._settings, self.status, state, order=order, at_utc=datetime.now(UTC),
            detail=detail,
        )  # fmt: skip

    def _save(self) -> None:
        """Where a restart goes on: number and id of one entry, the last that is surely kept."""
        number = self._outbox.sure
        if number != self._saved.number:
            self._saved = replace(self._saved, number=number, entry_id=_id_of(self._source, number))
        self._notices["cursor"] = ""
        try:
            self._file.save(self._saved)
        except OSError as fault:
            self._notices["cursor"] = (
                f"cursor file {self._file.path} cannot be written ({fault.strerror}): "
                "publishing continues; after a restart some entries are sent again; check "
                "free disk space"
            )
        self._saved_at = time.monotonic()

    def _notice(self) -> str:
        told = (*self._notices.values(), self._texts.refused(), self._texts.notice)
        return "; ".join(filter(None, told))

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
            notice=self._notice(),
            sent_again=self._repair.sent_again,
        )
        if now - self._measured_at < STATUS_S:
            return
        self._measured_at = now
        oldest = self._source.outbox_after(box.cursor, 1)
        last = self._source.last_number()
        pending = box.pending = max(last - box.cursor, 0) if oldest else 0
        # Wall time on purpose: the age must be right over restarts, and it is only shown.
        lag_s = (datetime.now(UTC) - oldest[0].entry.at_utc).total_seconds() if oldest else 0.0
        self.status = replace(
            self.status, pending=pending, lag_s=max(lag_s, 0.0), entries=last,
            journal=self.status.journal or split_id(_id_of(self._source, 1))[0],
        )  # fmt: skip
        report = (pending, json.dumps(detail, sort_keys=True))
        new = report != self._reported or now - self._told_at >= RENEW_S
        if box.connected and self._link is not None and new:
            self._reported = report
            self._tell("online", detail)


def _same_journal(source: OutboxSource, saved: CursorState) -> bool:
    return _id_of(source, saved.number) == saved.entry_id


def _id_of(source: OutboxSource, number: int) -> str:
    """Id of the entry of this number; empty when there is none."""
    rows = source.outbox_after(number - 1, 1) if number else ()
    return rows[0].entry.id if rows and rows[0].number == number else ""
