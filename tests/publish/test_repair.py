"""What recorders miss is sent again: that and nothing else, in between, and not for ever."""

from __future__ import annotations

import itertools
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st
from publish import publish_samples as ps

from platelink.publish.ranges import common, holes, joined, without
from platelink.publish.repair import IN_FLIGHT, LOOK_S, Held, Repair
from platelink.publish.teller import ANEW_S, TELL_S, Teller

PAIRS = st.lists(
    st.tuples(st.integers(1, 30), st.integers(0, 5)).map(lambda p: (p[0], p[0] + p[1])), max_size=8
)


def numbers(ranges) -> set[int]:
    return {n for first, last in ranges for n in range(first, last + 1)}


@given(a=PAIRS, b=PAIRS)
def test_ranges_are_sets(a, b):
    x, y = joined(a), joined(b)
    assert numbers(x) == numbers(a)
    assert all(later[0] > earlier[1] + 1 for earlier, later in itertools.pairwise(x))
    assert numbers(common(x, y)) == numbers(a) & numbers(b)
    assert numbers(without(x, y)) == numbers(a) - numbers(b)
    top = max(numbers(a), default=0)
    assert numbers(holes(x)) == set(range(1, top + 1)) - numbers(a)


def held(*ranges: tuple[int, int], group: str | None = None) -> Held:
    return Held(group, joined(ranges))


def sent(repair: Repair, limit: int = 1000) -> list[int]:
    """What it sends until it waits for answers, all answered at once."""
    found = []
    while (number := repair.next()) is not None and len(found) < limit:
        repair.sent(number)
        repair.answered(number)
        found.append(number)
    return found


def looked(repair: Repair, now: float, upto: int = 100) -> list[int]:
    repair.tick(upto, now=now)
    return sent(repair)


def test_only_what_is_missing_is_sent_again_and_not_at_the_first_look():
    repair = Repair(now=0.0)
    repair.heard("a", held((1, 10), (15, 20), (22, 40)))
    assert looked(repair, LOOK_S - 0.1) == []
    assert looked(repair, LOOK_S) == []
    repair.heard("a", held((1, 10), (15, 40)))  # 21 was on its way
    assert looked(repair, 2 * LOOK_S) == [11, 12, 13, 14]
    repair.heard("a", held((1, 40)))
    assert looked(repair, 4 * LOOK_S) == looked(repair, 5 * LOOK_S) == []
    assert repair.sent_again == 4


def test_what_all_hold_is_what_the_last_of_them_holds():
    repair = Repair(now=0.0)
    assert repair.held_by_all() == 0
    repair.heard("a", held((1, 10), (15, 20)))
    assert repair.held_by_all() == 10
    repair.heard("b", held((1, 3), (7, 9), group="g"))
    repair.heard("c", held((4, 6), group="g"))
    assert repair.held_by_all() == 9
    repair.heard("new", held((12, 20)))
    assert repair.held_by_all() == 0
    repair.heard("new", Held(None, ()))
    assert repair.held_by_all() == 0


def test_what_comes_after_the_last_is_on_its_way_and_not_missing():
    repair = Repair(now=0.0)
    repair.heard("a", held((1, 10)))
    assert repair.missing(upto=500) == ()
    repair.heard("b", held((400, 500)))
    assert repair.missing(upto=450) == ((1, 399),)  # a recorder that is new gets everything
    assert repair.missing(upto=300) == ((1, 300),)


def test_recorders_of_a_group_hold_together_and_others_each_alone():
    repair = Repair(now=0.0)
    repair.heard("a", held((1, 3), (7, 9), group="g"))
    repair.heard("b", held((4, 6), (11, 12), group="g"))
    assert repair.missing(100) == ((10, 10),)
    repair.heard("c", held((1, 4), (6, 6)))
    assert repair.missing(100) == ((5, 5), (10, 10))
    repair.heard("c", None)
    assert repair.missing(100) == ((10, 10),)


def test_a_hole_that_stays_is_sent_more_and_more_seldom_and_a_new_one_soon():
    repair = Repair(now=0.0)
    repair.heard("gone for good", held((1, 4), (6, 9)))
    times = [t for t in range(0, 3 * 86_400, 5) if looked(repair, float(t)) == [5]]
    assert times[0] == 2 * LOOK_S
    assert 10 < len(times) < 25
    assert max(b - a for a, b in itertools.pairwise(times)) <= 6 * 3600 + 25
    repair.heard("a", held((1, 20), (31, 40)))
    now = float(3 * 86_400)
    again = [t for t in range(0, 600, 5) if 21 in looked(repair, now + t)]
    assert again[0] <= 2 * LOOK_S


def test_few_are_under_way_at_once_and_a_loss_forgets_them():
    repair = Repair(now=0.0)
    repair.heard("a", held((51, 60)))
    repair.tick(100, now=LOOK_S)
    repair.tick(100, now=2 * LOOK_S)
    for wanted in range(1, IN_FLIGHT + 1):
        assert repair.next() == wanted
        repair.sent(wanted)
    assert repair.next() is None
    repair.answered(2)
    assert repair.next() == IN_FLIGHT + 1
    repair.skip(50)  # the journal has no such numbers
    assert repair.next() == 50
    repair.skip(10**9)
    assert repair.next() is None
    repair.lost(now=30.0)
    assert looked(repair, 30.0 + LOOK_S) == []
    assert len(looked(repair, 30.0 + 2 * LOOK_S)) == 50


def test_a_recorder_tells_what_changed_and_everything_anew_each_day():
    teller = Teller("night", None)
    everything = {("s", "u"), ("s", "v")}

    def known() -> set[tuple[str, str]]:
        return everything

    assert teller.due(known, now=0.0) == everything
    teller.took({("s", "u")})
    assert teller.due(known, now=TELL_S - 0.1) == set()
    assert teller.due(known, now=TELL_S) == {("s", "u")}
    assert teller.due(known, now=2 * TELL_S) == set()
    teller.connected()
    assert teller.due(known, now=2 * TELL_S + 0.1) == everything
    assert teller.due(known, now=3 * TELL_S + ANEW_S) == everything


def test_what_is_told_names_unit_recorder_and_ranges():
    topic, payload = Teller("night", "g").words(("s", "u"), {"j": ((1, 5), (7, 9))}, ps.AT)
    assert topic == "platelink/v1/s/u/held/night"
    assert json.loads(payload) == {
        "format": 1, "kind": "held", "site": "s", "unit": "u", "recorder": "night", "group": "g",
        "at_utc": "2026-01-02T03:04:05Z", "journals": {"j": [[1, 5], [7, 9]]},
    }  # fmt: skip


@pytest.mark.parametrize("upto", [0, -1])
def test_nothing_is_missing_of_nothing(upto):
    repair = Repair(now=0.0)
    repair.heard("a", held((5, 9)))
    assert repair.missing(upto) == ()
