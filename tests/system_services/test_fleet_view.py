"""The fleet's view at a real broker: who is there, who is gone, and a broker killed with them."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from system_services.service_processes import SITE, UNIT, USER, Process, StandInJournal

from platelink.fleet.view import Presence, Row
from platelink.fleet.watch import Watch
from platelink.publish.services import BrokerService

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(BrokerService.find() is None, reason="needs: apt-get install mosquitto"),
]
LIMIT_S = 60.0


@pytest.fixture
def broker(tmp_path: Path) -> Iterator[BrokerService]:
    broker = BrokerService(tmp_path / "broker", USER)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def publisher(broker: BrokerService, tmp_path: Path) -> Iterator[Process]:
    StandInJournal(tmp_path / "journal.db").close()
    publisher = Process(
        tmp_path / "publisher.log", "publisher", str(tmp_path / "journal.db"),
        str(tmp_path / "cursor.json"), str(broker.port), broker.passwords[USER],
    )  # fmt: skip
    yield publisher
    publisher.kill()


def row(listener: Watch, *, later_s: float = 0.0) -> Row | None:
    found = listener.fleet.rows(now=time.monotonic() + later_s, utc_s=time.time() + later_s)
    return next((one for one in found if (one.site, one.unit) == (SITE, UNIT)), None)


def until(listener: Watch, wanted: Callable[[Row], bool]) -> Row:
    deadline = time.monotonic() + LIMIT_S
    while (found := row(listener)) is None or not wanted(found):
        assert time.monotonic() < deadline, (found, listener.problem)
        listener.step(0.05)
    return found


def test_a_unit_comes_goes_and_comes_again(broker: BrokerService, publisher: Process) -> None:
    listener = Watch(broker.settings("reader"))
    try:
        publisher.start()
        found = until(listener, lambda row: row.presence is Presence.ONLINE)
        assert (found.clock_s, found.twins) == (None, False)
        publisher.kill()
        gone = until(listener, lambda row: row.presence is Presence.OFFLINE)
        assert gone.since_utc_s is not None and gone.lit is None
        publisher.start()
        until(listener, lambda row: row.presence is Presence.ONLINE)
    finally:
        listener.close()


def test_a_unit_that_went_with_its_broker_is_not_online_for_ever(
    broker: BrokerService, publisher: Process
) -> None:
    """A killed broker sends no last will; what it kept says 'online'."""
    listener = Watch(broker.settings("reader"))
    publisher.start()
    try:
        until(listener, lambda row: row.presence is Presence.ONLINE)
    finally:
        listener.close()
    kept = broker.directory / "mosquitto.db"
    deadline = time.monotonic() + LIMIT_S
    while not kept.exists() or b"online" not in kept.read_bytes():  # it saves every two seconds
        assert time.monotonic() < deadline
        time.sleep(0.1)
    publisher.kill()
    broker.kill()
    broker.start()
    listener = Watch(broker.settings("reader"))
    try:
        until(listener, lambda _: True)
        found = row(listener, later_s=25.0)
        assert found is not None and found.presence is Presence.UNSURE
        found = row(listener, later_s=60.0)
        assert found is not None and found.presence is Presence.SILENT
    finally:
        listener.close()


def test_a_wrong_password_is_said_and_not_what_follows_from_it(broker: BrokerService) -> None:
    listener = Watch(replace(broker.settings("reader"), password="not this one"))
    try:
        deadline = time.monotonic() + LIMIT_S
        while "check name and password" not in listener.problem:
            assert time.monotonic() < deadline, listener.problem
            listener.step(0.05)
        for _ in range(10):
            listener.step(0.05)
            assert "check name and password" in listener.problem
    finally:
        listener.close()
