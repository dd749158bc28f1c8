"""Back-off: grows while nothing answers, ends at its cap, begins anew after a proven link."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from platelink.link.reconnect import FACTOR, FIRST_WAIT_S, LONGEST_WAIT_S, Reconnect


def fail_until(reconnect: Reconnect, now: float, times: int) -> tuple[float, list[float]]:
    """Let every attempt fail at once; (time after them, waits)."""
    waits = []
    for _ in range(times):
        due = reconnect.next_deadline()
        assert due is not None
        waits.append(due - now)
        now = due
        assert reconnect.tick(now=now)
        reconnect.failed("missing", now=now)
    return now, waits


def test_waits_grow_by_the_factor_up_to_the_cap() -> None:
    reconnect = Reconnect()
    assert reconnect.next_deadline() is None
    assert not reconnect.tick(now=0.0)
    reconnect.start(now=0.0)
    _, waits = fail_until(reconnect, 0.0, 60)
    assert waits[0] == 0.0
    for n, wait in enumerate(waits[1:], 1):
        assert abs(wait - min(FIRST_WAIT_S * FACTOR**n, LONGEST_WAIT_S)) < 1e-9
    status = reconnect.status()
    assert (status.state, status.attempts, status.failures) == ("waiting", 60, 60)
    assert (status.reason, status.wait_s) == ("missing", LONGEST_WAIT_S)


def test_tick_asks_once_and_never_early() -> None:
    reconnect = Reconnect()
    reconnect.start(now=1.0)
    assert not reconnect.tick(now=0.999)
    assert reconnect.tick(now=1.0)
    assert not reconnect.tick(now=1.0)
    assert reconnect.next_deadline() is None


def test_only_an_answering_device_resets_the_wait() -> None:
    reconnect = Reconnect()
    reconnect.start(now=0.0)
    now, _ = fail_until(reconnect, 0.0, 5)
    now = reconnect.next_deadline() or 0.0
    reconnect.tick(now=now)
    reconnect.opened(now=now)
    reconnect.lost("hung up", now=now)
    opens_only = reconnect.status().wait_s
    assert opens_only > FIRST_WAIT_S * FACTOR**4
    now += opens_only
    reconnect.tick(now=now)
    reconnect.opened(now=now)
    reconnect.proven(now=now)
    assert reconnect.status().reason == ""
    reconnect.lost("unplugged", now=now)
    assert reconnect.status().wait_s == FIRST_WAIT_S
    assert reconnect.status().losses == 2


@given(st.lists(st.sampled_from(["start", "stop", "opened", "failed", "lost", "proven", "tick"])))
def test_any_order_of_calls_leaves_a_way_on(calls: list[str]) -> None:
    """Whatever the owner reports, ``start`` after ``stop`` leads to an attempt."""
    reconnect = Reconnect()
    for now, call in enumerate(calls):
        if call in ("failed", "lost"):
            getattr(reconnect, call)("why", now=float(now))
        elif call == "stop":
            reconnect.stop()
        else:
            getattr(reconnect, call)(now=float(now))
    reconnect.stop()
    assert reconnect.next_deadline() is None
    reconnect.start(now=1e6)
    assert reconnect.tick(now=1e6)
