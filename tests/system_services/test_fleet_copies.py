"""Copies by way of a real broker: a unit that was away for a week comes back among live ones, and
keeper and broker are killed meanwhile."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

import pytest
from publish import publish_samples as ps

from platelink.fleet.keep import Keeper, KeepSettings
from platelink.fleet.opened import opened
from platelink.publish.publisher import Publisher
from platelink.publish.publishing import PublisherSettings
from platelink.publish.ranges import Ranges
from platelink.publish.services import BrokerService
from platelink.runs import AnyEntry

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(BrokerService.find() is None, reason="needs: apt-get install mosquitto"),
]
SITE, AWAY, LIVE = "invented-shop", "unit-1", "unit-2"
BACKLOG = 8000
NEW = 10
LIMIT_S = 240.0
USUAL_BETWEEN = 500
"""Entries of the backlog that come between a live entry's making and its being kept, as a rule:
what is on its way, and what goes out while a publisher looks for new ones."""


class Row(NamedTuple):
    number: int
    entry: AnyEntry


class Journal:
    """Entries in memory: one thread appends, the publisher's reads."""

    def __init__(self, unit: str, count: int) -> None:
        self._unit, self._lock = unit, threading.Lock()
        self._rows: list[Row] = []
        for _ in range(count):
            self.append()

    def append(self) -> None:
        number = len(self._rows) + 1
        at = ps.AT + timedelta(seconds=number)
        entry = ps.event(number, run=None, at=at).model_copy(
            update={"unit": self._unit, "id": f"{self._unit}-{number}"}
        )
        with self._lock:
            self._rows.append(Row(number, entry))

    def outbox_after(self, number: int, limit: int) -> Sequence[Row]:
        with self._lock:
            return self._rows[number : number + limit]

    def last_number(self) -> int:
        return len(self._rows)

    def replaced(self) -> bool:
        return False

    def close(self) -> None:
        pass


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerService]:
    broker = BrokerService(tmp_path / "broker", f"{SITE}/{AWAY}", f"{SITE}/{LIVE}")
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def publish(broker: BrokerService, tmp_path: Path) -> Iterator[Callable[[str, Journal], Publisher]]:
    made: list[Publisher] = []

    def start(unit: str, journal: Journal) -> Publisher:
        settings = PublisherSettings(broker.settings(f"{SITE}/{unit}"), SITE, unit)
        cursor = tmp_path / f"{unit}.cursor"
        made.append(Publisher(settings, open_source=lambda: journal, cursor_path=cursor))
        made[-1].start()
        return made[-1]

    yield start
    for one in made:
        one.stop(30.0)


def keeper(broker: BrokerService, tmp_path: Path) -> Keeper:
    return Keeper(KeepSettings(broker.settings("keeper"), tmp_path / "fleet", "a1"))


def held(worker: Keeper, unit: str) -> Ranges:
    return worker.copies.held((SITE, unit)).get(unit, ())


def newest(worker: Keeper, unit: str) -> int:
    ranges = held(worker, unit)
    return ranges[-1][1] if ranges else 0


def until(worker: Keeper, wanted: Callable[[], bool]) -> None:
    deadline = time.monotonic() + LIMIT_S
    while not wanted():
        assert time.monotonic() < deadline, worker.status()
        worker.step()


def test_a_week_of_one_unit_does_not_hold_up_the_live_ones(
    broker: BrokerService, publish: Callable[[str, Journal], Publisher], tmp_path: Path
) -> None:
    away, live = Journal(AWAY, BACKLOG), Journal(LIVE, 1)
    worker = keeper(broker, tmp_path)
    try:
        publish(LIVE, live)
        until(worker, lambda: newest(worker, LIVE) == 1)
        publish(AWAY, away)
        until(worker, lambda: newest(worker, AWAY) > 0)
        between: list[int] = []
        while newest(worker, AWAY) < BACKLOG and len(between) < NEW:
            before = newest(worker, AWAY)
            live.append()
            until(worker, lambda: newest(worker, LIVE) == live.last_number())
            between.append(newest(worker, AWAY) - before)
        print(f"live entries came after {sorted(between)} of the backlog")
        assert len(between) == NEW
        assert sorted(between)[NEW // 2] < USUAL_BETWEEN
        until(worker, lambda: held(worker, AWAY) == ((1, BACKLOG),))
        assert held(worker, LIVE) == ((1, live.last_number()),)
        assert worker.status().refused == 0
    finally:
        worker.close()
    for unit, journal in ((AWAY, away), (LIVE, live)):
        (kept,) = ([row.entry for row in reader.outbox_after(0, 10_000)]
                   for reader in opened(tmp_path / "fleet", (SITE, unit)))  # fmt: skip
        assert kept == [row.entry for row in journal.outbox_after(0, 10_000)]


def test_nothing_is_lost_when_keeper_and_broker_are_killed(
    broker: BrokerService, publish: Callable[[str, Journal], Publisher], tmp_path: Path
) -> None:
    journal = Journal(LIVE, 300)
    worker = keeper(broker, tmp_path)
    try:
        until(worker, lambda: worker.status().connected)
        publish(LIVE, journal)
        until(worker, lambda: newest(worker, LIVE) > 20)
        worker.close()  # what it had not acknowledged comes again
        for _ in range(200):
            journal.append()
        worker = keeper(broker, tmp_path)
        until(worker, lambda: newest(worker, LIVE) > 300)
        broker.kill()
        for _ in range(200):
            journal.append()
        broker.start()
        until(worker, lambda: held(worker, LIVE) == ((1, 700),))
    finally:
        worker.close()


def test_a_keeper_that_is_new_gets_what_the_broker_had_given_to_others(
    broker: BrokerService, publish: Callable[[str, Journal], Publisher], tmp_path: Path
) -> None:
    """The first one's folder is lost with its name: units send everything again."""
    journal = Journal(LIVE, 50)
    first = keeper(broker, tmp_path)
    try:
        until(first, lambda: first.status().connected)
        publish(LIVE, journal)
        until(first, lambda: held(first, LIVE) == ((1, 50),))
    finally:
        first.close()
    (tmp_path / "fleet").rename(tmp_path / "gone")
    worker = Keeper(KeepSettings(broker.settings("keeper"), tmp_path / "fleet", "b2"))
    try:
        until(worker, lambda: worker.status().connected)
        journal.append()
        until(worker, lambda: held(worker, LIVE) == ((1, 51),))
    finally:
        worker.close()
