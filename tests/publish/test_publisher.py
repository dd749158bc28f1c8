"""The publisher's thread when things around it are broken: it says so, lives on, and ends."""

from __future__ import annotations

import sqlite3
import time

import pytest
from publish import publish_samples as ps

from platelink.publish.cursor import CursorFile, CursorState
from platelink.publish.mqtt import BrokerSettings
from platelink.publish.outbox import OutboxSource
from platelink.publish.publisher import Publisher, PublisherSettings, PublisherStatus
from platelink.publish.services import free_port
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

    def close(self):
        pass


@pytest.fixture
def run(tmp_path):
    """Start a publisher on a source with no broker; wait for a status; stop it."""

    def run(open_source, condition) -> PublisherStatus:
        settings = PublisherSettings(BrokerSettings("127.0.0.1", free_port()), ps.SITE, ps.UNIT)
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
