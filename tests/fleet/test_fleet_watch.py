"""The listener: one connection after another, and nothing of the broker's is kept for it."""

from __future__ import annotations

import time

import pytest
from fleet.fleet_links import Script
from fleet.fleet_words import SITE, word

from platelink.fleet.view import FILTERS, Presence
from platelink.fleet.watch import Watch
from platelink.publish import links
from platelink.publish.broker import BrokerSettings, ConnectionLost, Received, StreamSettings
from platelink.publish.topics import Topics

STATUS = Topics(SITE, "unit-1").status


def test_it_hears_says_when_it_is_deaf_and_connects_again(monkeypatch: pytest.MonkeyPatch) -> None:
    said = Received(STATUS, word(at_s=0.0), 1, 1)
    script = Script([said, ConnectionLost("killed")], [])
    monkeypatch.setattr(links, "link_to", script)
    listener = Watch(BrokerSettings("broker.example"))
    assert listener.problem
    for _ in range(2):
        listener.step(0.0)
    (link,) = script.made
    assert listener.problem == "" and tuple(link.filters) == FILTERS
    assert link.acknowledged == [said]
    now = time.monotonic()
    assert listener.fleet.rows(now=now, utc_s=0.0)[0].presence is Presence.ONLINE
    listener.step(0.0)
    assert listener.problem == "killed" and link.closed
    (row,) = listener.fleet.rows(now=now + 1e4, utc_s=0.0)
    assert row.presence is Presence.UNSURE  # its silence is not the unit's
    while len(script.made) < 2:
        listener.step(0.01)
    listener.step(0.0)
    assert listener.problem == ""
    listener.close()
    assert script.made[1].closed


def test_its_session_is_its_own_and_ends_with_it(monkeypatch: pytest.MonkeyPatch) -> None:
    seen: list[tuple[BrokerSettings, str]] = []
    script = Script([], [])

    def link_to(settings: BrokerSettings, *, client_id: str, receive_maximum: int) -> object:
        seen.append((settings, client_id))
        return script(settings, client_id=client_id)

    monkeypatch.setattr(links, "link_to", link_to)
    for _ in range(2):
        Watch(BrokerSettings("broker.example", streams=StreamSettings())).step(0.0)
    assert [settings.streams for settings, _ in seen] == 2 * [StreamSettings(own=())]
    assert [settings.session_expiry_s for settings, _ in seen] == [0, 0]
    assert seen[0][1] != seen[1][1]
