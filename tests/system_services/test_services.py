"""Broker and store as children: ready means alive, owner of the port, and answering."""

from __future__ import annotations

import json
import socket
import time

import pytest
from system_services.service_processes import SITE, UNIT, USER, Process, StandInJournal

from platelink.publish import services
from platelink.publish.broker import (
    Acknowledged,
    BrokerLink,
    Connected,
    LinkEvent,
    Received,
)
from platelink.publish.links import link_to
from platelink.publish.messages import LAST_WORD
from platelink.publish.services import BrokerService, ServiceError, StoreService, owns_port
from platelink.publish.store import Store, StoreLost, StoreSettings
from platelink.publish.topics import Topics

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(
        BrokerService.find() is None or StoreService.find() is None,
        reason="needs: apt-get install mosquitto victoria-metrics",
    ),
]


@pytest.fixture
def broker(tmp_path):
    broker = BrokerService(tmp_path / "broker", USER)
    broker.start()
    yield broker
    broker.stop()


@pytest.fixture
def store(tmp_path):
    store = StoreService(tmp_path / "store")
    store.start()
    yield store
    store.stop()


def test_stray_server_on_the_port_is_not_taken_for_the_child(tmp_path):
    broker = BrokerService(tmp_path / "broker")
    with socket.create_server(("127.0.0.1", broker.port)):
        with pytest.raises(ServiceError, match="mosquitto"):
            broker.start()
        assert broker.pid is None


def test_child_owns_its_port_and_nobody_else_does(broker, store):
    assert owns_port(broker.pid, broker.port) and owns_port(store.pid, store.port)
    assert not owns_port(broker.pid, store.port)
    pid = broker.pid
    broker.kill()
    assert not owns_port(pid, broker.port)
    broker.start()
    assert broker.pid != pid


def test_missing_program_is_named_with_the_line_to_install_it(tmp_path, monkeypatch):
    monkeypatch.setattr(BrokerService, "program", "no-such-broker")
    with pytest.raises(ServiceError, match="sudo apt-get install mosquitto"):
        BrokerService(tmp_path / "broker").start()


def test_child_that_ends_at_once_is_reported_with_its_log(tmp_path, monkeypatch):
    monkeypatch.setattr(services, "store_arguments", lambda port, data: ["-noSuchFlag"])
    with pytest.raises(ServiceError, match="noSuchFlag"):
        StoreService(tmp_path / "store").start()


def test_store_tells_its_start_time_and_what_it_dropped(store):
    client = Store(StoreSettings(store.url))
    try:
        begin = client.state()
        assert begin.start == pytest.approx(time.time(), abs=30)
        assert begin.rows_refused == 0
        client.write("m,a=b x=1 1700000000000")
        client.write("m,a=b x=1 99999999999999")  # in the year 5138: accepted, and dropped
        deadline = time.monotonic() + 5
        while client.state().rows_refused == 0 and time.monotonic() < deadline:
            time.sleep(0.1)
        assert client.state() == (begin.start, 1)
        store.kill()
        with pytest.raises(StoreLost, match="not reachable"):
            client.write("m,a=b x=1 1700000000000")
        with pytest.raises(StoreLost, match="check that it runs"):
            client.state()
    finally:
        client.close()


def poll_until(link: BrokerLink, condition, limit_s: float) -> list[LinkEvent]:
    events: list[LinkEvent] = []
    deadline = time.monotonic() + limit_s
    while not condition(events):
        assert time.monotonic() < deadline, events
        events += link.poll(0.1)
    return events


def test_killed_publisher_is_shown_offline_and_the_next_one_online(broker, tmp_path):
    StandInJournal(tmp_path / "journal.db").close()
    publisher = Process(
        tmp_path / "publisher.log", "publisher", str(tmp_path / "journal.db"),
        str(tmp_path / "cursor.json"), str(broker.port), broker.passwords[USER],
    )  # fmt: skip
    link = link_to(broker.settings("reader"), client_id="reader")
    link.connect()
    poll_until(link, lambda seen: any(isinstance(e, Connected) for e in seen), 5)
    link.subscribe([Topics(SITE, UNIT).status])

    def next_state(state: str) -> dict[str, object]:
        def texts(seen: list[LinkEvent]) -> list[dict[str, object]]:
            found = [json.loads(e.payload) for e in seen if isinstance(e, Received)]
            return [text for text in found if text["state"] == state]

        events = poll_until(link, texts, 10)
        for event in events:
            if isinstance(event, Received):
                link.acknowledge(event)
        return texts(events)[-1]

    try:
        publisher.start()
        online = next_state("online")
        publisher.kill()
        gone = next_state("offline")
        assert gone["session"] == online["session"]
        assert gone["sequence"] == LAST_WORD > online["sequence"]
        publisher.start()
        again = next_state("online")
        assert again["session"] > gone["session"]  # a late will of the old one is older than this
    finally:
        publisher.kill()
        link.close()


def test_old_last_will_that_arrives_late_is_put_right(broker, tmp_path):
    StandInJournal(tmp_path / "journal.db").close()
    publisher = Process(
        tmp_path / "publisher.log", "publisher", str(tmp_path / "journal.db"),
        str(tmp_path / "cursor.json"), str(broker.port), broker.passwords[USER],
    )  # fmt: skip
    topic = Topics(SITE, UNIT).status
    link = link_to(broker.settings("reader"), client_id="reader")
    link.connect()
    poll_until(link, lambda seen: any(isinstance(e, Connected) for e in seen), 5)
    link.subscribe([topic])
    try:
        publisher.start()
        poll_until(link, lambda seen: any(isinstance(e, Received) for e in seen), 10)
        old = {"site": SITE, "unit": UNIT, "session": 1, "sequence": LAST_WORD, "state": "offline",
               "at_utc": "2026-01-01T00:00:00Z"}  # fmt: skip
        late = link_to(broker.settings(USER), client_id="late-will")
        late.connect()  # in place of the publisher, which comes back
        late.publish(topic, json.dumps(old).encode(), retain=True)
        poll_until(late, lambda seen: any(isinstance(e, Acknowledged) for e in seen), 5)
        late.close()

        def corrected(seen: list[LinkEvent]) -> bool:
            states = [json.loads(e.payload)["state"] for e in seen if isinstance(e, Received)]
            return "offline" in states and states[-1] == "online"

        poll_until(link, corrected, 10)
    finally:
        publisher.kill()
        link.close()
