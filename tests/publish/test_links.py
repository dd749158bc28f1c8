"""The link of who listens: lost again and again, and made again after pauses."""

from __future__ import annotations

from itertools import pairwise
from types import SimpleNamespace

import pytest
from fleet.fleet_links import Nowhere, Script

from platelink.publish import links
from platelink.publish.broker import BrokerSettings, Connected, ConnectionLost, Received
from platelink.publish.links import ListeningLink


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> SimpleNamespace:
    clock = SimpleNamespace(now=100.0)
    clock.monotonic = lambda: clock.now

    def sleep(seconds: float) -> None:
        clock.now += seconds

    clock.sleep = sleep
    monkeypatch.setattr(links, "time", clock)
    return clock


def test_pauses_grow_and_begin_anew_once_it_was_let_in(clock, monkeypatch):
    tries: list[float] = []
    there = False

    def link_to(*_: object, client_id: str, receive_maximum: int) -> object:
        tries.append(clock.now)
        return Script([ConnectionLost("killed")])(0, client_id=client_id) if there else (
            Nowhere(client_id, []))  # fmt: skip

    monkeypatch.setattr(links, "link_to", link_to)
    link = ListeningLink(BrokerSettings("broker.example"), "one", ["a/#"])
    while clock.now < 160.0:
        assert list(link.poll(0.125)) == []
    assert [b - a for a, b in pairwise(tries)] == [0.5, 1, 2, 4, 8, 15, 15]
    assert link.up is None and "not reachable" in link.problem
    there = True
    while len(events := list(link.poll(0.125))) == 0:
        pass
    assert isinstance(events[0], Connected) and link.up is not None and link.problem == ""
    assert list(link.poll(0.125)) == [ConnectionLost("killed")]
    assert link.up is None and link.problem == "killed"
    lost, count = clock.now, len(tries)
    while len(tries) == count:
        list(link.poll(0.125))
    assert tries[-1] - lost == 0.5


def test_each_connection_hears_and_what_came_by_a_lost_one_is_not_answered(clock, monkeypatch):
    said = Received("a/b", b"", 1, 1)
    script = Script([said, ConnectionLost("killed")], [Connected(True, 20)])
    monkeypatch.setattr(links, "link_to", script)
    link = ListeningLink(BrokerSettings("broker.example"), "one", ["a/#"])
    for _ in range(3):
        list(link.poll(0.0))
    link.acknowledge(said)
    clock.now += 1.0
    for _ in range(2):
        list(link.poll(0.0))
    first, second = script.made
    assert first.closed and first.acknowledged == second.acknowledged == []
    assert (first.filters, second.filters) == (["a/#"], ["a/#", "a/#"])  # of a resumed one, too
    link.close()
    assert second.closed
