"""The recorder answers the broker for what its journal holds, and for nothing else."""

from __future__ import annotations

import json
import sqlite3
from concurrent.futures import wait
from contextlib import closing
from types import SimpleNamespace
from unittest.mock import Mock

import pytest
from publish import publish_samples as ps

from platelink.publish import links
from platelink.publish import recorder as module
from platelink.publish.broker import (
    Acknowledged,
    BrokerSettings,
    Connected,
    ConnectionLost,
    LinkEvent,
    Received,
)
from platelink.publish.recorder import Recorder, RecorderSettings
from platelink.publish.recorder_journal import RecorderJournal
from platelink.publish.recorder_schema import RecorderJournalError
from platelink.publish.store import StoreSettings, StoreState
from platelink.publish.topics import Topics

TOPICS = Topics(ps.SITE, ps.UNIT)


class Broker:
    """Keeps what is not acknowledged, and gives it to every new connection."""

    def __init__(self) -> None:
        entries = ps.whole_run(2, 4)
        self.kept = [
            Received(TOPICS.of(e), e.model_dump_json().encode(), n, 1)
            for n, e in enumerate(entries, 1)
        ]
        self.connections = 0
        self.open = False
        self.told: list[tuple[str, dict[str, list[list[int]]]]] = []

    def __call__(self, *_: object, **__: object) -> Broker:
        return self

    def connect(self) -> None:
        self.connections += 1
        self.open = True
        self._next: list[LinkEvent] = [Connected(True, 20), *self.kept]

    def subscribe(self, filters: object) -> None:
        pass

    def poll(self, timeout_s: float) -> list[LinkEvent]:
        found, self._next = self._next, []
        return found

    def publish(self, topic: str, payload: bytes, *, retain: bool, expiry_s: int) -> int:
        assert self.open and retain and expiry_s == 7 * 86400
        self.told.append((topic, json.loads(payload)["journals"]))
        return 1

    def acknowledge(self, message: Received) -> None:
        assert self.open
        self.kept.remove(message)

    def close(self) -> None:
        self.open = False


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    clock = SimpleNamespace(now=100.0)
    clock.monotonic = lambda: clock.now
    clock.time_ns = lambda: ps.AT_MS * 1_000_000 + 1
    clock.sleep = lambda seconds: None
    for one in (module, links):
        monkeypatch.setattr(one, "time", clock)
    return clock


def test_nothing_is_acknowledged_while_the_journal_cannot_take_it(
    tmp_path, monkeypatch, clock
) -> None:
    broker = Broker()
    monkeypatch.setattr(links, "link_to", broker)
    commit, full = RecorderJournal.commit, True

    def committing(self, batch, *, utc_ms):
        if full:
            raise RecorderJournalError("recorder journal: no space left")
        return commit(self, batch, utc_ms=utc_ms)

    monkeypatch.setattr(RecorderJournal, "commit", committing)
    settings = RecorderSettings(
        BrokerSettings("broker.example"), StoreSettings("http://127.0.0.1:1"), tmp_path / "r.db"
    )
    recorder = Recorder(settings)
    for _ in range(3):
        recorder.step()
        clock.now += 20.0
        status = recorder.status()
        assert len(broker.kept) == 7 and not broker.open
        assert not status.connected and status.counts.received == 0
        assert status.store_rows_refused is None  # nobody has asked it
        assert "no space left" in status.journal_problem
    assert broker.connections == 3  # it comes back for them
    full = False
    recorder.step()
    status = recorder.status()
    assert broker.kept == [] and broker.open
    assert (status.counts.received, status.journal_problem) == (7, "")
    assert broker.told == [(TOPICS.held("recorder"), {ps.JOURNAL: [[1, 7]]})]  # not before
    recorder.close()


def test_a_broker_that_does_not_take_what_is_held_is_told_of_once(tmp_path, monkeypatch, clock):
    broker = Broker()
    monkeypatch.setattr(links, "link_to", broker)
    settings = RecorderSettings(
        BrokerSettings("broker.example"), StoreSettings("http://127.0.0.1:1"), tmp_path / "r.db"
    )
    recorder = Recorder(settings)
    recorder.step()
    assert len(broker.told) == 1
    broker._next = [Acknowledged(1, 0x87, "Not authorized"), ConnectionLost("left")]
    for _ in range(4):
        clock.now += 20.0
        recorder.step()
    status = recorder.status()
    assert broker.connections == 2 and len(broker.told) == 1  # no connecting for ever
    assert status.connected and "right to write platelink/v1/+/+/held/+" in status.broker_problem
    recorder.close()


def test_a_list_that_reached_nobody_is_said_again(tmp_path, monkeypatch, clock):
    """A cluster without a leader for a while forbids nothing."""
    broker = Broker()
    monkeypatch.setattr(links, "link_to", broker)
    settings = RecorderSettings(
        BrokerSettings("broker.example"), StoreSettings("http://127.0.0.1:1"), tmp_path / "r.db"
    )
    recorder = Recorder(settings)
    recorder.step()
    broker._next = [Acknowledged(1, 0x88, "timeout")]
    for _ in range(4):
        clock.now += 20.0
        recorder.step()
    assert broker.told == 2 * [(TOPICS.held("recorder"), {ps.JOURNAL: [[1, 7]]})]
    assert recorder.status().broker_problem == ""
    recorder.close()


def test_a_broker_without_room_for_the_list_forbids_nothing(tmp_path, monkeypatch, clock):
    broker = Broker()
    monkeypatch.setattr(links, "link_to", broker)
    recorder = made(tmp_path)
    recorder.step()
    broker._next = [Acknowledged(1, 0x97, "insufficient storage resources available")]
    clock.now += 20.0
    recorder.step()
    said = recorder.status().broker_problem
    assert "insufficient storage" in said and "make room" in said and "right" not in said
    assert len(broker.told) == 2  # said again
    broker._next = [Acknowledged(2, 0, "")]
    recorder.step()
    assert recorder.status().broker_problem == ""
    recorder.close()


def made(tmp_path) -> Recorder:
    settings = RecorderSettings(
        BrokerSettings("broker.example"), StoreSettings("http://127.0.0.1:1"), tmp_path / "r.db"
    )
    return Recorder(settings)


class TakingStore:
    """Keeps what is written; refuses none."""

    def __init__(self, *_: object) -> None:
        self.lines: list[str] = []

    def state(self) -> StoreState:
        return StoreState(1.0, 0)

    def write(self, lines: str) -> None:
        self.lines += lines.split("\n")

    def close(self) -> None:
        pass


@pytest.fixture
def store(monkeypatch) -> TakingStore:
    store = TakingStore()
    monkeypatch.setattr(module, "Store", lambda *_: store)
    return store


def worked(recorder: Recorder, clock: SimpleNamespace, times: int = 40) -> None:
    for _ in range(times):
        clock.now += 6.0
        recorder.step()
        if recorder._asked is not None:
            wait([recorder._asked])


@pytest.mark.parametrize("damage", ["CAST(x'ff' AS TEXT)", "''"])
def test_a_damaged_row_goes_aside_and_the_others_are_written(
    tmp_path, monkeypatch, clock, store, damage
):
    broker = Broker()
    monkeypatch.setattr(links, "link_to", broker)
    recorder = made(tmp_path)
    recorder._receive(0.0)
    recorder.close()
    with closing(sqlite3.connect(tmp_path / "r.db")) as db, db:
        ((rows,),) = db.execute("SELECT count(*) FROM row")
        db.execute(f"UPDATE row SET lines = {damage}, line_count = 0 WHERE number = 2")
    broker.kept = []
    recorder = made(tmp_path)
    worked(recorder, clock)
    status = recorder.status()
    assert rows > 2 and store.lines
    assert (status.counts.rows, status.pending, status.counts.dead_letters) == (0, 0, 1)
    recorder.close()
    with closing(sqlite3.connect(tmp_path / "r.db")) as db:
        ((stage, reason),) = db.execute("SELECT stage, reason FROM dead_letter")
    assert stage == "upload" and "row 2 cannot be read (its lines are damaged)" in reason


def test_rows_that_cannot_be_read_for_a_while_are_written_after_it(
    tmp_path, monkeypatch, clock, store
):
    monkeypatch.setattr(links, "link_to", Broker())
    recorder = made(tmp_path)
    with monkeypatch.context() as broken:
        fault = RecorderJournalError("r.db: disk I/O error")
        broken.setattr(RecorderJournal, "lines_of", Mock(side_effect=fault))
        worked(recorder, clock)
    assert "disk I/O error" in recorder.status().text() and not store.lines
    worked(recorder, clock)
    status = recorder.status()
    assert store.lines and "problem" not in status.text()
    assert (status.counts.rows, status.counts.dead_letters) == (0, 0)
    recorder.close()


def test_what_could_not_be_forgotten_is_forgotten_when_it_can(tmp_path, monkeypatch, clock, store):
    monkeypatch.setattr(links, "link_to", Broker())
    recorder = made(tmp_path)
    with monkeypatch.context() as broken:
        fault = RecorderJournalError("r.db: no space left")
        broken.setattr(RecorderJournal, "confirm", Mock(side_effect=fault))
        worked(recorder, clock)
    assert "no space left" in recorder.status().journal_problem
    worked(recorder, clock)
    assert recorder.status().counts.rows == 0
    recorder.close()
