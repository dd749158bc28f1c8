"""Who hears of what, in simulated time."""

from __future__ import annotations

from datetime import date

import pytest
from alerts.test_duty import BERLIN, ms, roster, shift
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.alerts.duty import Roster
from platelink.alerts.occurrence import Move, Now, Occurrence
from platelink.alerts.rules import Rules, Tell
from platelink.control.alarm.alarms import Alarms
from platelink.control.alarm.states import Act, AlarmChanged, AlarmState
from platelink.control.alarm.unit import UNIT_ALARMS

DAY = ms("2026-03-02T10:00+01:00")  # a Monday
ALWAYS = shift("00:00", "00:00")
MINUTE = 60_000


class Unit:
    """The unit's own alarms, their moves as the journal has them, and the rules beside them. One
    clock, that may be set."""

    def __init__(self, *shifts, over=frozenset(), start=DAY, **leave) -> None:
        self.t_s = 0.0
        self.ahead_ms = start
        self.alarms = Alarms(UNIT_ALARMS, now=0.0)
        self.rules = Rules(Roster(shifts or (ALWAYS,), leave, BERLIN), frozenset(over),
                           now=self.now)  # fmt: skip
        self.told: list[Tell] = []
        self.moves: list[Move] = []
        self.looks = True

    @property
    def now(self) -> Now:
        return Now(round(self.t_s * 1000), round(self.t_s * 1000) + self.ahead_ms)

    def utc_ms(self, t_s: float) -> int:
        return round(t_s * 1000) + self.ahead_ms

    def run(self, minutes: float) -> list[Tell]:
        """Time passes; who was told in it. It is looked at each second, or minute."""
        before = len(self.told)
        until_s = self.t_s + 60.0 * minutes
        while self.t_s < until_s:
            self.t_s = min(until_s, self.t_s + (1.0 if minutes < 5 else 60.0))
            self._take(self.alarms.tick(now=self.t_s))
            if self.looks:
                self.told += self.rules.advance(self.now)
        return self.told[before:]

    def says(self, alarm: str, active: bool) -> None:
        self._take(
            self.alarms.condition(alarm, active, 41.0 if active else 80.0, 60.0, now=self.t_s)
        )

    def _take(self, outputs) -> None:
        for o in outputs:
            if isinstance(o, AlarmChanged):
                move = Move(
                    o.name, o.priority.name.lower(), o.after, str(o.act), self.utc_ms(o.t_s),
                    None if o.since_s is None else self.utc_ms(o.since_s), o.value, o.limit,
                    o.unit, o.who,
                )  # fmt: skip
                self.moves.append(move)
                if self.looks:
                    self.told += self.rules.take(move, self.now)

    def look_again(self) -> list[Tell]:
        """What a process does that was down: every move in its order, by its age."""
        self.looks = True
        before = len(self.told)
        for move in self.moves:
            age = max(0, self.now.utc_ms - move.at_ms)
            self.told += self.rules.take(move, Now(self.now.steady_ms - age, move.at_ms))
        self.told += self.rules.advance(self.now)
        return self.told[before:]

    def ack(self, alarm: str) -> None:
        self._take(self.alarms.acknowledge(alarm, "Omar", now=self.t_s))


def who(told: list[Tell]) -> list[tuple[str, str, str]]:
    return [(t.person, t.kind, t.key.rpartition(" ")[0]) for t in told]


def test_an_alarm_is_told_once_after_its_delay_and_never_again() -> None:
    unit = Unit()
    unit.says("contact lost", True)
    assert unit.run(59 / 60) == []
    assert who(unit.run(1 / 60)) == [("Ruth", "alarm", "contact lost")]
    assert unit.run(60 * 30) == []


@pytest.mark.parametrize("answer", ["over", "acknowledged", "shelved", "removed"])
def test_what_is_answered_or_over_before_its_delay_is_not_told(answer: str) -> None:
    unit = Unit()
    unit.says("contact lost", True)
    unit.run(0.9)
    alarms, t = unit.alarms, unit.t_s
    if answer == "over":
        unit.says("contact lost", False)
    elif answer == "acknowledged":
        unit.ack("contact lost")
    elif answer == "shelved":
        unit._take(alarms.shelve("contact lost", t + 3600.0, "Omar", "repair", now=t))
    else:
        unit._take(alarms.out_of_service("contact lost", "Omar", "repair", now=t))
    assert unit.run(50) == []


def test_a_shelved_alarm_that_comes_back_calls_anew() -> None:
    unit = Unit()
    unit.says("contact lost", True)
    unit._take(unit.alarms.shelve("contact lost", 1800.0, "Omar", "repair", now=0.0))
    assert unit.run(30.9) == []
    assert who(unit.run(0.2)) == [("Ruth", "alarm", "contact lost")]


def test_one_that_is_latched_calls_though_it_is_over() -> None:
    """It must be looked into."""
    unit = Unit()
    unit.says("oven over-temperature", True)
    unit.says("oven over-temperature", False)
    assert who(unit.run(1)) == [("Ruth", "alarm", "oven over-temperature")]


@pytest.mark.parametrize(("delay_s", "told"), [(0, 1), (1, 0)])
def test_one_without_a_lasting_condition_is_told_without_a_delay_only(
    delay_s: int, told: int
) -> None:
    unit = Unit(shift("00:00", "00:00", delay_s=delay_s))
    unit.says("device restarted", True)
    unit.says("device restarted", False)
    unit.run(2)
    assert len(unit.told) == told


def test_the_end_is_told_to_those_who_heard_of_it_and_want_it() -> None:
    two = shift("00:00", "00:00", "Ruth", "Omar")
    unit = Unit(two, over={"Ruth"})
    unit.says("contact lost", True)
    unit.run(2)
    unit.says("contact lost", False)
    assert who(unit.told) == [
        ("Ruth", "alarm", "contact lost"), ("Omar", "alarm", "contact lost"),
        ("Ruth", "over", "contact lost"),
    ]  # fmt: skip
    short = Unit(two, over={"Ruth"})
    short.says("contact lost", True)
    short.says("contact lost", False)
    assert short.run(5) == []


def test_who_comes_on_duty_hears_what_still_calls() -> None:
    early, late = shift("06:00", "14:00", "Ruth"), shift("14:00", "22:00", "Omar")
    unit = Unit(early, late, start=ms("2026-03-02T05:00+01:00"))
    unit.says("contact lost", True)
    assert unit.run(59.5) == []  # nobody is on duty
    assert who(unit.run(1)) == [("Ruth", "alarm", "contact lost")]
    assert who(unit.run(8 * 60)) == [("Omar", "alarm", "contact lost")]
    unit.ack("contact lost")
    assert unit.run(48 * 60) == []


def test_a_lead_with_a_long_delay_hears_what_nobody_answered() -> None:
    unit = Unit(ALWAYS, shift("00:00", "00:00", "Lena", delay_s=900))
    unit.says("contact lost", True)
    assert who(unit.run(14)) == [("Ruth", "alarm", "contact lost")]
    assert who(unit.run(2)) == [("Lena", "alarm", "contact lost")]


def test_priorities_and_leave() -> None:
    away = (date(2026, 3, 2), date(2026, 3, 2))
    unit = Unit(shift("00:00", "00:00", "Ruth", "Omar", rank=1), Omar=(away,))
    unit.says("contact lost", True)
    unit.says("stage overdue", True)  # medium
    assert who(unit.run(2)) == [("Ruth", "alarm", "contact lost")]


def test_a_clock_that_is_set_back_delays_nothing_and_repeats_nothing() -> None:
    unit = Unit()
    unit.says("contact lost", True)
    unit.run(0.5)
    unit.ahead_ms -= 3 * 60 * MINUTE
    assert who(unit.run(0.5)) == [("Ruth", "alarm", "contact lost")]
    unit.ahead_ms -= 24 * 60 * MINUTE
    assert unit.run(60) == []


def test_a_clock_that_is_set_ahead_hurries_nothing() -> None:
    unit = Unit()
    unit.says("contact lost", True)
    unit.ahead_ms += 3 * 60 * MINUTE
    assert unit.run(0.9) == []
    unit.says("contact lost", False)
    assert unit.run(5) == []


@pytest.mark.parametrize(("lasted_min", "told"), [(0.5, 0), (20.0, 1)])
@pytest.mark.parametrize("set_back_min", [0, 180])
def test_what_came_and_went_while_nobody_looked_is_told_by_how_long_it_called(
    lasted_min: float, told: int, set_back_min: int
) -> None:
    """Also where the clock was set back meanwhile, so that its moves seem to lie ahead."""
    unit = Unit()
    unit.looks = False
    unit.run(5)
    unit.says("contact lost", True)
    unit.run(lasted_min)
    unit.says("contact lost", False)
    unit.run(10)
    unit.ahead_ms -= set_back_min * MINUTE
    assert len(unit.look_again()) == told
    assert unit.look_again() == []


def test_the_delay_before_an_alarm_calls_is_no_part_of_the_delay_after() -> None:
    """broker down is called after 60 s; over half a minute later it is not told."""
    unit = Unit()
    unit.looks = False
    unit.says("broker down", True)
    unit.run(1.2)
    unit.says("broker down", False)
    unit.run(5)
    assert [m.act for m in unit.moves] == [Act.RAISED, Act.CLEARED]
    assert unit.look_again() == []


def test_who_was_on_duty_while_nobody_looked_hears_of_it_late() -> None:
    early, late = shift("06:00", "14:00", "Ruth"), shift("14:00", "22:00", "Omar")
    unit = Unit(early, late, start=ms("2026-03-02T13:00+01:00"))
    unit.looks = False
    unit.run(10)
    unit.says("contact lost", True)
    unit.run(3 * 60)
    assert who(unit.look_again()) == [
        ("Ruth", "alarm", "contact lost"), ("Omar", "alarm", "contact lost"),
    ]  # fmt: skip


def test_past_moves_that_are_known_tell_nobody_but_what_still_calls_is_told() -> None:
    """The first start beside an old journal, and a journal that was restored."""
    unit = Unit()
    unit.looks = False
    for _ in range(3):
        unit.says("contact lost", True)
        unit.run(20)
        unit.says("contact lost", False)
        unit.ack("contact lost")
    unit.says("gauge silent", True)
    unit.run(20)
    for move in unit.moves:
        unit.rules.take(move, Now(unit.now.steady_ms - 1, move.at_ms), quiet=True)
    known = [(one.key, "Ruth") for one in unit.rules.open_ones]
    assert who(unit.rules.advance(unit.now)) == []  # it has called, as far as is known, for 1 ms
    unit.looks = True
    assert who(unit.run(1)) == [("Ruth", "alarm", "gauge silent")]
    again = Rules(Roster((ALWAYS,), {}, BERLIN), frozenset(), told=known, now=unit.now)
    for move in unit.moves:
        again.take(move, unit.now, quiet=True)
    assert again.advance(Now(unit.now.steady_ms + 10 * MINUTE, unit.now.utc_ms)) == []


def test_another_journal_ends_what_was_open() -> None:
    unit = Unit()
    unit.says("contact lost", True)
    unit.rules.forget_all(unit.now.utc_ms)
    assert unit.run(5) == []
    assert [one.open for one in unit.rules.changed.values()] == [False]


@settings(max_examples=40)
@given(
    steps=st.lists(
        st.tuples(st.sampled_from(["contact lost", "gauge silent", "oven over-temperature"]),
                  st.sampled_from(["on", "off", "ack", "shelve", "wait"]),
                  st.integers(0, 200)),
        max_size=25,
    ),
    down=st.booleans(),
)  # fmt: skip
def test_nobody_hears_twice_of_one_occurrence_and_all_hear_of_what_calls(steps, down) -> None:
    """Whatever alarms do, and whether it is looked at as it comes or afterwards."""
    unit = Unit(roster(ALWAYS).shifts[0], over={"Ruth"})
    unit.looks = not down
    for alarm, act, seconds in steps:
        if act in ("on", "off"):
            unit.says(alarm, act == "on")
        elif act == "ack":
            unit.ack(alarm)
        elif act == "shelve":
            unit._take(unit.alarms.shelve(alarm, unit.t_s + 120.0, "O", "w", now=unit.t_s))
        unit.run(seconds / 60.0)
    unit.run(2)
    if down:
        unit.look_again()
    assert len(unit.told) == len(set(unit.told))
    told = {t.key for t in unit.told if t.kind == "alarm"}
    assert {t.key for t in unit.told if t.kind == "over"} <= told
    for one in unit.rules.open_ones:
        calls = one.state in (AlarmState.UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED)
        if calls and unit.now.steady_ms - one.steady_ms >= MINUTE:
            assert one.key in told


def test_stood_until_is_when_its_condition_ended_or_nobody_knew() -> None:
    one = Occurrence("x", "high", DAY, 0)
    one.follow(Move("x", "high", AlarmState.SHELVED, Act.SHELVED, DAY + 5))
    one.follow(Move("x", "high", AlarmState.NORMAL, Act.BACK_QUIET, DAY + 9, since_ms=DAY))
    assert (one.stood_until_ms, one.over_ms, one.lasted_ms, one.open) == (
        DAY + 5,
        DAY + 9,
        9,
        False,
    )
