"""The publisher's thread when things around it are broken: it says so, lives on, and ends."""

from __future__ import annotations

import sqlite3
import time

import pytest
from publish import publish_samples as ps

from platelink.publish import publisher as module
from platelink.publish import repair
from platelink.publish.broker import (
    SERVER_UNAVAILABLE,
    Acknowledged,
    BrokerSettings,
    Connected,
    ConnectionLost,
    Received,
    refusal,
)
from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.publish.outbox import OutboxSettings, OutboxSource
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings, PublisherStatus, status_text
from platelink.publish.services import free_port
from platelink.publish.teller import Teller
from platelink.publish.texts import AGAIN_S, RetainedTexts
from platelink.publish.topics import TopicError


class Row:
    def __init__(self, number: int) -> None:
        self.number = number
        self.entry = ps.event(number)


class ListSource:
    def __init__(self, count: int) -> None:
        self.rows = [Row(n) for n in range(1, count + 1)]

    def outbox_after(self, number, limit):
        return self.rows[number : number + limit]

    def last_number(self):
        return len(self.rows)

    def replaced(self):
        return False

    def close(self):
        pass


@pytest.fixture
def run(tmp_path):
    """Start a publisher on a source with no broker; wait for a status; stop it."""

    def run(open_source, condition, **more) -> PublisherStatus:
        broker = BrokerSettings("127.0.0.1", free_port())
        settings = PublisherSettings(broker, ps.SITE, ps.UNIT, **more)
        publisher = Publisher(
            settings, open_source=open_source, cursor_path=tmp_path / "cursor.json"
        )
        publisher.start()
        deadline = time.monotonic() + 5
        while not condition(status := publisher.status()) and time.monotonic() < deadline:
            time.sleep(0.01)
        assert publisher.stop()
        assert not publisher.status().running
        assert condition(status), status
        return status

    return run


def test_broker_that_is_away_is_told_with_what_waits(run, tmp_path):
    status = run(lambda: ListSource(7), lambda s: s.pending == 7 and s.problem)
    assert not status.connected
    assert "not reachable within 5 s" in status.problem and "check that it runs" in status.problem
    assert status.lag_s > 0
    assert CursorFile(tmp_path / "cursor.json").load().number == 0


def test_journal_that_cannot_be_read_is_told(run):
    def broken() -> OutboxSource:
        raise sqlite3.OperationalError("unable to open database file")

    assert "unable to open database file" in run(broken, lambda s: s.problem).problem


def test_another_journal_under_the_same_cursor_is_sent_from_the_start(run, tmp_path):
    file = CursorFile(tmp_path / "cursor.json")
    file.save(CursorState(5, "other-5", 3))
    status = run(lambda: ListSource(7), lambda s: s.notice)
    assert "another journal" in status.notice and status.cursor == 0


def test_same_journal_goes_on_where_it_was(run, tmp_path):
    file = CursorFile(tmp_path / "cursor.json")
    file.save(CursorState(5, ps.entry_id(5), 3))
    status = run(lambda: ListSource(7), lambda s: s.pending == 2)
    assert (status.cursor, status.notice) == (5, "")
    assert file.load().session > 3  # a new one for every connection, also over restarts


class Answering:
    """A broker that answers every message with this code."""

    def __init__(self, code: int) -> None:
        self.code = code
        self.events = [Connected(False, 20)]
        self.count = 0
        self.ids: list[str | None] = []

    def connect(self) -> None:
        pass

    def subscribe(self, filters: object) -> None:
        pass

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, entry_id: str | None = None
    ) -> int:
        self.count += 1
        self.ids.append(entry_id)
        self.events.append(Acknowledged(self.count, self.code, "said so"))
        return self.count

    def poll(self, timeout_s: float) -> list[object]:
        time.sleep(0.001)
        found, self.events = self.events, []
        return found

    def close(self) -> None:
        pass


class Failing(Answering):
    """Takes one entry each 20 ms, and is gone for good after the seventh."""

    def poll(self, timeout_s: float) -> list[object]:
        time.sleep(0.02)
        if self.count == 8:  # the status and seven entries
            return [ConnectionLost("killed")]
        return super().poll(timeout_s)


def test_number_and_id_of_the_cursor_are_of_the_same_entry(run, tmp_path, monkeypatch):
    """A lost connection takes the cursor back; a restart then goes on from there."""
    broker = Failing(0)
    monkeypatch.setattr(module, "link_to", lambda *_, **__: broker)
    monkeypatch.setattr(module, "CURSOR_SAVE_S", 0.0)
    box = OutboxSettings(window=1, again_s=0.05, retry_first_s=60.0, retry_cap_s=60.0)
    run(lambda: ListSource(20), lambda s: s.problem == "killed", outbox=box)
    saved = CursorFile(tmp_path / "cursor.json").load()
    assert 1 <= saved.number < 7 and saved.entry_id == ps.entry_id(saved.number)
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0))
    status = run(lambda: ListSource(20), lambda s: s.cursor == 20)
    assert (status.acknowledged, status.notice) == (20 - saved.number, "")


def test_a_restart_sends_again_what_a_broker_killed_with_it_may_have_lost(
    run, tmp_path, monkeypatch
):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0))
    run(lambda: ListSource(7), lambda s: s.cursor == 7)
    assert run(lambda: ListSource(9), lambda s: s.cursor == 9).acknowledged == 9


def test_a_full_disk_keeps_nothing_from_being_published(run, tmp_path, monkeypatch):
    def full(self, state):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0))
    monkeypatch.setattr(CursorFile, "save", full)
    status = run(lambda: ListSource(7), lambda s: s.cursor == 7 and s.notice)
    assert status.acknowledged == 7 and status.problem == ""
    assert "No space left" in status.notice and "after a restart" in status.notice


class Holding(Answering):
    """Takes seven entries and is gone; a recorder has said a moment before that it holds five."""

    entries, said = 0, False

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, entry_id: str | None = None
    ) -> int:
        self.entries += not retain
        return super().publish(topic, payload, retain=retain)

    def poll(self, timeout_s: float) -> list[object]:
        if self.entries < 7 or self.events:
            return super().poll(timeout_s)
        if self.said:
            time.sleep(0.1)
            return [self._words(6), ConnectionLost("killed")]
        self.said = True
        return [self._words(5)]

    def _words(self, last: int) -> Received:
        ranges = {ps.JOURNAL: ((1, last),)}
        return Received(*Teller("night", None).words((ps.SITE, ps.UNIT), ranges, ps.AT), 1, 1)

    def acknowledge(self, message: Received) -> None:
        pass


def test_what_recorders_hold_is_not_sent_again_after_a_loss(run, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Holding(0))
    box = OutboxSettings(again_s=0.08, retry_first_s=60.0, retry_cap_s=60.0)
    status = run(lambda: ListSource(7), lambda s: s.problem == "killed", outbox=box)
    assert status.cursor == 5


class Lacking(Answering):
    """A recorder that is new says what it has, and nothing else happens."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        words = Teller("new", None).words((ps.SITE, ps.UNIT), {ps.JOURNAL: ((6, 7),)}, ps.AT)
        self.events.append(Received(*words, 1, 1))

    def acknowledge(self, message: Received) -> None:
        pass


def test_what_a_recorder_lacks_is_sent_though_nothing_new_comes(run, tmp_path, monkeypatch):
    broker = Lacking(0)
    monkeypatch.setattr(module, "link_to", lambda *_, **__: broker)
    monkeypatch.setattr(repair, "LOOK_S", 0.05)
    CursorFile(tmp_path / "cursor.json").save(CursorState(7, ps.entry_id(7), 3))
    status = run(lambda: ListSource(7), lambda s: s.sent_again >= 5)
    assert (status.cursor, status.acknowledged) == (7, 0)
    assert set(broker.ids) == {None}  # a cluster would drop what it knows


@pytest.mark.parametrize("code", [0x80, 0x87, 0x97])
def test_what_the_broker_refuses_is_not_delivered(run, tmp_path, monkeypatch, code):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(code))
    status = run(lambda: ListSource(7), lambda s: "refused entry 1" in s.problem)
    assert (status.cursor, status.acknowledged, status.state) == (0, 0, "held")
    assert CursorFile(tmp_path / "cursor.json").load().number == 0


def test_a_status_that_the_broker_does_not_take_is_told_and_the_notice_goes(run, monkeypatch):
    """Entries flow: without this the shop sees a unit as away that is there."""

    class Picky(Answering):
        refusing = True

        def publish(
            self, topic: str, payload: bytes, *, retain: bool = False, entry_id: str | None = None
        ) -> int:
            self.code = 0x87 if retain and self.refusing else 0
            return super().publish(topic, payload, retain=retain, entry_id=entry_id)

    broker, told = Picky(0), []

    def done(status: PublisherStatus) -> bool:
        if status.notice and status.cursor == 7:
            told.append((status.notice, status.problem))
            broker.refusing = False
        return bool(told) and not status.notice

    monkeypatch.setattr(module, "link_to", lambda *_, **__: broker)
    monkeypatch.setattr(module, "STATUS_S", 0.0)
    monkeypatch.setattr(module, "RENEW_S", 0.0)
    run(lambda: ListSource(7), done)
    said = "the broker refused this unit's status: said so (135), check its access list"
    assert told[0] == (said, "")


def test_what_nobody_has_subscribed_to_is_not_delivered(run, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0x10))
    status = run(lambda: ListSource(7), lambda s: "no subscriber" in s.problem)
    assert (status.cursor, status.acknowledged, status.state) == (0, 0, "held")


def test_an_entry_goes_under_its_id(run, monkeypatch):
    broker = Answering(0)
    monkeypatch.setattr(module, "link_to", lambda *_, **__: broker)
    run(lambda: ListSource(7), lambda s: s.cursor == 7)
    assert [i for i in broker.ids if i is not None][:7] == [ps.entry_id(n) for n in range(1, 8)]


def test_what_it_takes_is_delivered(run, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0))
    box = OutboxSettings(again_s=0.0)
    assert run(lambda: ListSource(7), lambda s: s.cursor == 7, outbox=box).acknowledged == 7
    assert 1 <= CursorFile(tmp_path / "cursor.json").load().number <= 6  # the newest may be lost


class Listening(Answering):
    """Keeps what the status says."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.statuses: list[UnitStatus] = []

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, entry_id: str | None = None
    ) -> int:
        if retain:
            self.statuses.append(UnitStatus.model_validate_json(payload))
        return super().publish(topic, payload, retain=retain, entry_id=entry_id)


@pytest.mark.parametrize(("renew_s", "again"), [(0.0, True), (1e9, False)])
def test_a_status_is_renewed_although_nothing_changes(run, monkeypatch, renew_s, again):
    broker = Listening(0)
    monkeypatch.setattr(module, "link_to", lambda *_, **__: broker)
    monkeypatch.setattr(module, "STATUS_S", 0.0)
    monkeypatch.setattr(module, "RENEW_S", renew_s)
    rounds = iter(range(200))
    run(lambda: ListSource(3), lambda s: s.cursor == 3 and next(rounds, None) is None)
    settled = [said for said in broker.statuses if said.pending == 0 and said.entries == 3]
    online = [said for said in settled if said.state == "online"]
    assert (len(online) > 10) is again and online
    assert {said.renewed_s for said in online} == {20.0}
    assert {said.journal for said in online} == {ps.JOURNAL}
    assert [said.sequence for said in broker.statuses] == [*range(1, len(broker.statuses) + 1)]


def test_a_last_will_promises_nothing_and_counts_nothing():
    settings = PublisherSettings(BrokerSettings("h"), ps.SITE, ps.UNIT)
    status = PublisherStatus(pending=7, lag_s=3.0, journal="j", entries=9)
    told = [
        UnitStatus.model_validate_json(
            status_text(settings, status, "offline", order=(1, sequence), at_utc=ps.AT, detail={})
        )
        for sequence in (4, LAST_WORD)
    ]
    assert [said.renewed_s for said in told] == [None, None]
    assert [(said.pending, said.behind_s, said.entries) for said in told] == [
        (7, 3.0, 9), (None, None, None),
    ]  # fmt: skip


def test_a_journal_begun_anew_is_gone_over_to(run, tmp_path, monkeypatch):
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0))
    old, new = ListSource(7), ListSource(3)
    old.replaced = lambda: True
    for number, row in enumerate(new.rows, 1):
        row.entry = row.entry.model_copy(update={"id": f"another-{number}"})
    sources = iter([old])
    status = run(lambda: next(sources, new), lambda s: s.pending == 0 and s.cursor == 3)
    assert status.running


def test_stop_before_start_is_fine_and_bad_names_are_refused_at_once(tmp_path):
    settings = PublisherSettings(BrokerSettings("127.0.0.1"), ps.SITE, ps.UNIT)
    publisher = Publisher(settings, open_source=lambda: ListSource(0), cursor_path=tmp_path / "c")
    assert publisher.stop() and not publisher.status().running
    with pytest.raises(TopicError, match="site"):
        Publisher(
            PublisherSettings(BrokerSettings("127.0.0.1"), "two words", ps.UNIT),
            open_source=lambda: ListSource(0), cursor_path=tmp_path / "c",
        )  # fmt: skip


def test_credentials_are_not_shown():
    settings = PublisherSettings(
        BrokerSettings("h", username="shop", password="secret"), ps.SITE, ps.UNIT
    )
    assert "secret" not in repr(settings)


class Elected(Answering):
    """A cluster that has a leader again after the first refusal of what it is to keep."""

    def __init__(self) -> None:
        super().__init__(0)
        self.kept: list[str] = []

    def publish(
        self, topic: str, payload: bytes, *, retain: bool = False, entry_id: str | None = None
    ) -> int:
        if topic.endswith("checkpoint"):
            self.kept.append(payload.decode())
            self.code = SERVER_UNAVAILABLE if len(self.kept) == 1 else 0
        return super().publish(topic, payload, retain=retain, entry_id=entry_id)


def test_a_text_that_was_refused_for_a_while_is_sent_again_and_the_notice_goes() -> None:
    texts, broker = RetainedTexts(), Elected()
    texts.retain("a/checkpoint", "as it is now")

    def turn(now: float) -> None:
        found = texts.next(now=now)
        if found is not None:
            texts.sent(*found, broker.publish(found[0], found[1].encode()))
        for answer in broker.poll(0.0):
            if isinstance(answer, Acknowledged):
                texts.answered(answer.mid, refusal(answer), now=now)

    turn(0.0)
    assert "refused a/checkpoint" in texts.refused() and "access list" not in texts.refused()
    assert "most nodes of the cluster" in texts.refused()
    turn(AGAIN_S - 0.1)
    assert len(broker.kept) == 1
    turn(AGAIN_S)
    assert broker.kept == ["as it is now"] * 2 and texts.refused() == ""
    turn(2.0 * AGAIN_S)
    assert len(broker.kept) == 2


def test_what_is_to_be_done_about_a_refusal_is_of_its_code(run, tmp_path, monkeypatch) -> None:
    for code, words in ((0x87, "access list"), (0x88, "nodes of the cluster"), (0x97, "room")):
        assert words in refusal(Acknowledged(1, code, "said so"))
    monkeypatch.setattr(module, "link_to", lambda *_, **__: Answering(0x88))
    status = run(lambda: ListSource(7), lambda s: "refused entry 1" in s.problem)
    assert "said so (136), see that most nodes of the cluster run" in status.problem
