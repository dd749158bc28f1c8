"""Alarms in simulated time: their life, what silences them, first-out, rate, flood, restarts."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.control.alarm.alarms import FLOOD_WINDOW_S, HOUR_S, Alarms
from platelink.control.alarm.states import (
    IN_SERVICE,
    SILENT,
    TRANSITIONS,
    WANTS_ANSWER,
    Act,
    AlarmChanged,
    AlarmOutput,
    AlarmRefused,
    AlarmState,
    AlarmStatus,
    Definition,
    FloodChanged,
    Priority,
    Source,
    diagram,
)
from platelink.control.alarm.unit import UNIT_ALARMS

S = AlarmState
DOC = (Path(__file__).parents[3] / "docs/alarms.md").read_text("utf-8")


def define(name: str = "hot", **other: object) -> Definition:
    values = {
        "priority": Priority.HIGH, "group": "oven", "cause": "thermostat", "next_act": "look",
        "unit": "°C", "source": Source.STEP,
    }  # fmt: skip
    return Definition(name=name, **values | other)  # type: ignore[arg-type]


def make(*definitions: Definition) -> Alarms:
    return Alarms(definitions or (define(),), now=0.0)


def of(alarms: Alarms, name: str = "hot") -> AlarmStatus:
    return alarms._status(alarms._alarms[name])  # also of a normal one


def moves(outputs: tuple[AlarmOutput, ...]) -> list[tuple[str, AlarmState]]:
    return [(o.name, o.after) for o in outputs if isinstance(o, AlarmChanged)]


def refused(outputs: tuple[AlarmOutput, ...]) -> str:
    (output,) = outputs
    assert isinstance(output, AlarmRefused)
    return output.text


# --- the table -----------------------------------------------------------------------------


def test_states_are_those_of_the_standard() -> None:
    """SOURCE: ISA-18.2 / IEC 62682, its state diagram (from memory)."""
    assert {str(s) for s in S} == {
        "normal", "unacknowledged", "acknowledged", "returned, unacknowledged",
        "latched, unacknowledged", "latched, acknowledged", "shelved", "suppressed by design",
        "out of service",
    }  # fmt: skip


def test_every_state_can_be_reached_and_left_for_normal() -> None:
    def reach(start: AlarmState, forwards: bool) -> set[AlarmState]:
        seen, todo = {start}, [start]
        while todo:
            state = todo.pop()
            for (a, _), b in TRANSITIONS.items():
                here, there = (a, b) if forwards else (b, a)
                if here is state and there not in seen:
                    seen.add(there)
                    todo.append(there)
        return seen

    assert reach(S.NORMAL, True) == reach(S.NORMAL, False) == set(S)
    assert {s for s in S if (s, Act.ACKNOWLEDGED) in TRANSITIONS} == WANTS_ANSWER
    assert (S.ACKNOWLEDGED, Act.RAISED) not in TRANSITIONS
    assert all((silent, Act.RAISED) not in TRANSITIONS for silent in SILENT)


def test_the_diagram_holds_every_move() -> None:
    lines = {line.strip() for line in diagram().splitlines()}
    for (state, act), to in TRANSITIONS.items():
        own = f"{state.name.lower()} --> {to.name.lower()}: {act}"
        shared = f"in_service --> {to.name.lower()}: {act}"
        assert own in lines or (state in IN_SERVICE and shared in lines)


def test_the_document_tells_every_state_and_alarm() -> None:
    before = DOC.split("\n## Events\n")[0]
    cells = re.findall(r"^\| `([^`]+)` \|", before, re.MULTILINE)
    assert cells == [*(str(s) for s in S), *(d.name for d in UNIT_ALARMS)]


# --- one life ------------------------------------------------------------------------------


def test_a_life_from_normal_to_normal() -> None:
    alarms = make()
    assert moves(alarms.condition("hot", True, 92.3, 90.0, now=10.0)) == [("hot", S.UNACKNOWLEDGED)]
    assert alarms.condition("hot", True, 93.0, 90.0, now=15.0) == ()
    (ack,) = alarms.acknowledge("hot", "Ada", now=22.0)
    assert isinstance(ack, AlarmChanged)
    assert (ack.after, ack.who, ack.since_s, ack.value) == (S.ACKNOWLEDGED, "Ada", 10.0, 93.0)
    assert ack.text == "hot: 93 °C, limit 90 °C, for 12 s; likely: thermostat; look"
    (clear,) = alarms.condition("hot", False, 85.0, 90.0, now=30.0)
    assert isinstance(clear, AlarmChanged) and clear.after is S.NORMAL
    assert clear.text == "hot is over after 20 s: 85 °C, limit 90 °C"
    assert of(alarms).since_s is None


def test_an_alarm_that_returns_unseen_waits_for_someone() -> None:
    alarms = make()
    alarms.condition("hot", True, None, None, now=1.0)
    over = alarms.condition("hot", False, None, None, now=2.0)
    assert moves(over) == [("hot", S.RETURNED_UNACKNOWLEDGED)]
    assert over[0].text == "hot is over after 1 s"
    assert alarms.status().unacknowledged == 1
    assert moves(alarms.condition("hot", True, None, None, now=3.0)) == [("hot", S.UNACKNOWLEDGED)]
    alarms.condition("hot", False, None, None, now=4.0)
    assert moves(alarms.acknowledge("hot", "Ada", now=5.0)) == [("hot", S.NORMAL)]
    assert of(alarms).count == 2


def test_a_latched_alarm_stays_until_it_is_reset() -> None:
    alarms = make(define(latched=True))
    alarms.condition("hot", True, 92.0, 90.0, now=1.0)
    assert "still stands" in refused(alarms.reset("hot", "Ada", now=1.0))
    alarms.condition("hot", False, 20.0, 90.0, now=2.0)
    assert of(alarms).state is S.LATCHED_UNACKNOWLEDGED
    assert "acknowledge it first" in refused(alarms.reset("hot", "Ada", now=3.0))
    alarms.acknowledge("hot", "Ada", now=4.0)
    assert of(alarms).state is S.LATCHED_ACKNOWLEDGED
    assert moves(alarms.reset("hot", "Ada", now=5.0)) == [("hot", S.NORMAL)]
    alarms.condition("hot", True, 92.0, 90.0, now=6.0)
    alarms.acknowledge("hot", "Ada", now=6.0)
    alarms.condition("hot", False, 20.0, 90.0, now=7.0)
    assert of(alarms).state is S.LATCHED_ACKNOWLEDGED  # latched anew
    alarms.reset("hot", "Ada", now=8.0)
    alarms.shelve("hot", 60.0, "Ada", "why", now=8.0)
    assert moves(alarms.unshelve("hot", "Ada", now=9.0)) == [("hot", S.NORMAL)]


def test_delays_and_what_a_late_tick_changes() -> None:
    alarms = make(define(on_delay_s=5.0, off_delay_s=3.0))
    assert alarms.condition("hot", True, 92.0, 90.0, now=10.0) == ()
    assert alarms.condition("hot", False, 89.0, 90.0, now=14.9) == ()
    assert alarms.next_deadline() is None
    alarms.condition("hot", True, 92.0, 90.0, now=20.0)
    assert alarms.next_deadline() == 25.0
    (raised,) = alarms.tick(now=400.0)
    assert isinstance(raised, AlarmChanged)
    assert (raised.t_s, raised.since_s) == (25.0, 20.0)
    alarms.condition("hot", False, 89.0, 90.0, now=500.0)
    assert alarms.condition("hot", True, 92.0, 90.0, now=502.0) == ()
    alarms.condition("hot", False, 89.0, 90.0, now=510.0)
    (cleared,) = alarms.condition("hot", True, 92.0, 90.0, now=600.0)  # it was over from 513 on
    assert isinstance(cleared, AlarmChanged)
    assert (cleared.t_s, cleared.after) == (513.0, S.RETURNED_UNACKNOWLEDGED)
    assert moves(alarms.tick(now=605.0)) == [("hot", S.UNACKNOWLEDGED)]


def test_since_is_kept_while_the_condition_is_not_over() -> None:
    alarms = make(define(off_delay_s=10.0))
    alarms.condition("hot", True, 92.0, 90.0, now=5.0)
    alarms.condition("hot", False, 89.0, 90.0, now=20.0)
    alarms.condition("hot", True, 92.0, 90.0, now=25.0)
    assert of(alarms).since_s == 5.0


@pytest.mark.parametrize(
    ("low_side", "values"), [(False, (91.0, 89.5, 89.1, 88.9)), (True, (89.0, 90.5, 90.9, 91.1))]
)
def test_the_deadband_holds_the_condition(low_side: bool, values: tuple[float, ...]) -> None:
    alarms = make(define(deadband=1.0, low_side=low_side))
    seen = []
    for i, value in enumerate(values):
        active = (value < 90.0) if low_side else (value > 90.0)
        alarms.condition("hot", active, value, 90.0, now=float(i))
        seen.append(of(alarms).active)
    assert seen == [True, True, True, False]


def test_a_value_that_is_no_number_is_none() -> None:
    alarms = make(define(deadband=1.0))
    alarms.condition("hot", True, float("nan"), float("inf"), now=1.0)
    assert (of(alarms).value, of(alarms).limit) == (None, None)
    alarms.condition("hot", False, None, None, now=2.0)
    assert not of(alarms).active


# --- silence -------------------------------------------------------------------------------


def test_shelving_needs_an_end_a_name_and_a_reason_and_ends() -> None:
    alarms = make(define(longest_shelf_s=600.0))
    alarms.condition("hot", True, 92.0, 90.0, now=0.0)
    for until_s in (float("inf"), float("nan"), 0.0, -5.0, 601.0):
        assert "an end in the future" in refused(
            alarms.shelve("hot", until_s, "Ada", "why", now=0.0)
        )
    assert "no person named" in refused(alarms.shelve("hot", 60.0, " ", "why", now=0.0))
    assert "say why" in refused(alarms.shelve("hot", 60.0, "Ada", "", now=0.0))
    (shelved,) = alarms.shelve("hot", 60.0, "Ada", "door is being mended", now=0.0)
    assert isinstance(shelved, AlarmChanged)
    assert (shelved.after, shelved.until_s) == (S.SHELVED, 60.0)
    assert (shelved.who, shelved.why) == ("Ada", "door is being mended")
    assert "it is shelved" in refused(alarms.acknowledge("hot", "Ada", now=1.0))
    assert alarms.condition("hot", False, 80.0, 90.0, now=10.0) == ()
    assert alarms.condition("hot", True, 95.0, 90.0, now=20.0) == ()
    assert alarms.next_deadline() == 60.0
    assert moves(alarms.tick(now=60.0)) == [("hot", S.UNACKNOWLEDGED)]
    alarms.shelve("hot", 90.0, "Ada", "again", now=61.0)
    alarms.condition("hot", False, 80.0, 90.0, now=70.0)
    assert moves(alarms.unshelve("hot", "Ada", now=80.0)) == [("hot", S.NORMAL)]
    assert alarms.next_deadline() is None


def test_some_alarms_cannot_be_shelved() -> None:
    alarms = make(define(longest_shelf_s=0.0))
    assert "cannot be shelved" in refused(alarms.shelve("hot", 9.0, "Ada", "why", now=0.0))


def test_a_latched_alarm_is_not_lost_on_the_shelf() -> None:
    alarms = make(define(latched=True))
    alarms.shelve("hot", 60.0, "Ada", "why", now=0.0)
    alarms.condition("hot", True, 92.0, 90.0, now=10.0)
    alarms.condition("hot", False, 20.0, 90.0, now=20.0)
    assert moves(alarms.tick(now=60.0)) == [("hot", S.LATCHED_UNACKNOWLEDGED)]


def test_out_of_service_has_no_end_of_its_own() -> None:
    alarms = make()
    alarms.shelve("hot", 60.0, "Ada", "why", now=0.0)
    alarms.out_of_service("hot", "Ada", "new sensor", now=1.0)
    assert alarms.tick(now=1e6) == () and alarms.next_deadline() is None
    alarms.condition("hot", True, 92.0, 90.0, now=1e6)
    assert "not shelved" in refused(alarms.unshelve("hot", "Ada", now=1e6))
    assert moves(alarms.into_service("hot", "Ada", now=1e6)) == [("hot", S.UNACKNOWLEDGED)]


def test_suppression_by_design_and_by_another_alarm() -> None:
    silent = define("silent", group="contact", on_delay_s=2.0, suppressed_by=("link",))
    alarms = make(define("link", group="device"), silent)
    alarms.condition("silent", True, 1.0, 0.5, now=0.0)
    both = alarms.condition("link", True, 3.0, 1.0, now=1.0)
    assert moves(both) == [("link", S.UNACKNOWLEDGED), ("silent", S.SUPPRESSED)]
    assert alarms.tick(now=100.0) == ()
    # Back: what was true in silence must last once more.
    alarms.condition("link", False, 0.0, 1.0, now=101.0)
    assert of(alarms, "silent").state is S.NORMAL
    alarms.condition("silent", False, 0.0, 0.5, now=102.0)
    assert moves(alarms.tick(now=200.0)) == []
    alarms.suppress("silent", "no exposure", True, now=201.0)
    alarms.condition("link", True, 3.0, 1.0, now=202.0)
    alarms.suppress("silent", "no exposure", False, now=203.0)
    assert of(alarms, "silent").state is S.SUPPRESSED  # one reason is left
    alarms.condition("silent", True, 1.0, 0.5, now=204.0)
    assert moves(alarms.condition("link", False, 0.0, 1.0, now=205.0)) == [
        ("link", S.RETURNED_UNACKNOWLEDGED), ("silent", S.NORMAL)
    ]  # fmt: skip
    assert moves(alarms.tick(now=207.0)) == [("silent", S.UNACKNOWLEDGED)]


def test_a_chain_of_suppressions_comes_undone() -> None:
    alarms = make(
        define("link"), define("silent", on_delay_s=2.0, suppressed_by=("link",)),
        define("contact", suppressed_by=("silent",)),
    )  # fmt: skip
    alarms.condition("silent", True, None, None, now=0.0)
    alarms.tick(now=5.0)
    alarms.condition("link", True, None, None, now=6.0)
    assert [of(alarms, n).state for n in ("silent", "contact")] == [S.SUPPRESSED] * 2
    alarms.condition("link", False, None, None, now=7.0)
    alarms.condition("silent", False, None, None, now=8.0)
    alarms.condition("contact", True, None, None, now=9.0)
    assert of(alarms, "contact").state is S.UNACKNOWLEDGED


def test_shelving_lasts_through_suppression() -> None:
    alarms = make()
    alarms.shelve("hot", 100.0, "Ada", "why", now=0.0)
    alarms.suppress("hot", "no bake", True, now=10.0)
    assert moves(alarms.suppress("hot", "no bake", False, now=20.0)) == [("hot", S.SHELVED)]
    alarms.suppress("hot", "no bake", True, now=30.0)
    assert alarms.tick(now=150.0) == ()
    assert moves(alarms.suppress("hot", "no bake", False, now=160.0)) == [("hot", S.NORMAL)]


def test_what_is_asked_of_no_alarm_is_refused() -> None:
    alarms = make()
    acts: tuple[Callable[[], tuple[AlarmOutput, ...]], ...] = (
        lambda: alarms.acknowledge("cold", "Ada", now=0.0),
        lambda: alarms.shelve("cold", 5.0, "Ada", "why", now=0.0),
        lambda: alarms.into_service("cold", "Ada", now=0.0),
    )
    assert all("cold" in refused(act()) for act in acts)
    with pytest.raises(KeyError):
        alarms.condition("cold", True, None, None, now=0.0)
    with pytest.raises(ValueError, match="unknown"):
        make(define(suppressed_by=("cold",)))


# --- many ----------------------------------------------------------------------------------


def test_first_out_is_the_first_of_its_group_until_the_group_is_quiet() -> None:
    alarms = make(define("a"), define("b"), define("c", group="other"))
    firsts = {}
    for name in ("b", "a", "c"):
        (out,) = alarms.condition(name, True, None, None, now=1.0)
        assert isinstance(out, AlarmChanged)
        firsts[name] = out.first_out
    assert firsts == {"b": True, "a": False, "c": True}
    alarms.condition("b", False, None, None, now=2.0)
    assert of(alarms, "b").first_out and not of(alarms, "a").first_out
    alarms.acknowledge("b", "Ada", now=3.0)
    alarms.condition("b", True, None, None, now=4.0)
    assert of(alarms, "b").first_out  # a has been there all the time
    for name in ("a", "b"):
        alarms.condition(name, False, None, None, now=5.0)
        alarms.acknowledge(name, "Ada", now=5.0)
    assert not of(alarms, "b").first_out
    alarms.condition("a", True, None, None, now=6.0)
    assert of(alarms, "a").first_out


def test_of_two_delays_the_one_that_ends_first_is_first_out() -> None:
    """However late the tick comes."""
    alarms = make(define("a", on_delay_s=9.0), define("b", on_delay_s=2.0))
    alarms.condition("a", True, None, None, now=0.0)
    alarms.condition("b", True, None, None, now=1.0)
    assert moves(alarms.tick(now=60.0)) == [("b", S.UNACKNOWLEDGED), ("a", S.UNACKNOWLEDGED)]
    assert of(alarms, "b").first_out


def test_those_that_want_an_answer_come_first() -> None:
    alarms = make(
        define("low", priority=Priority.LOW), define("high"), define("old"), define("seen"),
        define("quiet"),
    )  # fmt: skip
    for t, name in enumerate(("seen", "old", "low", "high")):
        alarms.condition(name, True, None, None, now=float(t))
    alarms.acknowledge("seen", "Ada", now=9.0)
    names = [a.name for a in alarms.status().alarms]
    assert names == ["old", "high", "low", "seen"]


def raise_once(alarms: Alarms, now: float) -> tuple[AlarmOutput, ...]:
    return alarms.condition("hot", True, None, None, now=now) + alarms.condition(
        "hot", False, None, None, now=now
    )


def test_a_flood_begins_over_ten_in_ten_minutes_and_ends_under_five() -> None:
    """Limits of ISA-18.2 (more than 10 in 10 minutes, over under 5), from memory."""
    alarms = make()
    for i in range(10):
        raise_once(alarms, 10.0 * i)
    assert not alarms.status().flood
    begun = [o for o in raise_once(alarms, 100.0) if isinstance(o, FloodChanged)]
    assert begun == [FloodChanged(True, 11, 100.0)]
    assert alarms.next_deadline() == 60.0 + FLOOD_WINDOW_S  # then only 70 to 100 are left
    assert alarms.tick(now=659.9) == ()
    assert alarms.tick(now=5000.0) == (FloodChanged(False, 4, 660.0),)
    assert alarms.status().per_hour == 0
    raise_once(alarms, 5001.0)
    assert alarms.status().per_hour == 1
    alarms.tick(now=5000.0 + HOUR_S)
    assert alarms.status().per_hour == 1
    alarms.tick(now=5001.0 + HOUR_S)
    assert alarms.status().per_hour == 0


def test_no_flood_at_a_pace_a_person_can_follow() -> None:
    """About six alarms an hour and person are acceptable (EEMUA 191, from memory)."""
    alarms = make()
    for i in range(60):
        raise_once(alarms, 600.0 * i)
        assert alarms.status().per_hour <= 6
        assert not alarms.status().flood


# --- the unit's own ------------------------------------------------------------------------


def test_every_alarm_of_the_unit_tells_what_to_do() -> None:
    alarms = Alarms(UNIT_ALARMS, now=0.0)
    assert len({d.name for d in UNIT_ALARMS}) == len(UNIT_ALARMS)
    for d in UNIT_ALARMS:
        assert d.cause and d.next_act and d.cause[0].islower() and d.next_act[-1] != "."
        alarms.tick(now=100.0)
    by_name = {d.name: d for d in UNIT_ALARMS}
    for d in UNIT_ALARMS:  # suppression has no circles
        seen, todo = set(), list(d.suppressed_by)
        while todo:
            name = todo.pop()
            assert name != d.name
            if name not in seen:
                seen.add(name)
                todo += by_name[name].suppressed_by


def test_every_alarm_is_said_where_its_source_says() -> None:
    """What no step says is over: an alarm that is said elsewhere must not count as a step's."""
    rooms = {Source.STEP: "control", Source.UNIT: "unit", Source.SHELL: "daemon"}
    product = Path(__file__).parents[3] / "platelink"
    texts = {
        source: "".join(p.read_text("utf-8") for p in (product / room).rglob("*.py"))
        for source, room in rooms.items()
    }
    for d in UNIT_ALARMS:
        constant = re.escape(re.sub("[ -]", "_", d.name).upper())
        said = rf"Condition\(\s*{constant}\b|condition\({constant}\.name"
        told = [source for source, text in texts.items() if re.search(said, text)]
        assert told == [d.source], d.name


def test_a_lost_link_is_one_alarm_not_five() -> None:
    alarms = Alarms(UNIT_ALARMS, now=0.0)
    out: list[tuple[str, AlarmState]] = []
    for name in ("link lost", "gauge silent", "light sensor blind", "oven sensor lost"):
        out += moves(alarms.condition(name, True, 3.0, 2.0, now=0.0))
    out += moves(alarms.tick(now=30.0))
    called = [name for name in dict(out) if of(alarms, name).state in WANTS_ANSWER]
    assert called == ["link lost"]


# --- restarts ------------------------------------------------------------------------------


def test_a_restart_loses_no_state() -> None:
    names = ("unseen", "seen", "returned", "latched", "shelved", "away", "quiet")
    definitions = [define(n, latched=n == "latched", group=n) for n in names]
    alarms = Alarms(definitions, now=0.0)
    for name in ("unseen", "seen", "returned", "latched"):
        alarms.condition(name, True, 92.0, 90.0, now=10.0)
    for name in ("returned", "latched"):
        alarms.condition(name, False, 80.0, 90.0, now=20.0)
    alarms.acknowledge("seen", "Ada", now=20.0)
    alarms.shelve("shelved", 120.0, "Bo", "noise", now=20.0)
    alarms.out_of_service("away", "Bo", "mended", now=20.0)
    kept = json.loads(json.dumps(alarms.snapshot()))
    after = Alarms(definitions, now=1000.0)
    assert after.restore(kept, down_s=30.0, now=1000.0) == ()
    assert {n: of(after, n).state for n in names} == {n: of(alarms, n).state for n in names}
    assert of(after, "unseen").since_s == 1000.0 - 30.0 - 10.0
    assert of(after, "shelved").until_s == 1000.0 - 30.0 + 100.0
    assert (of(after, "shelved").who, of(after, "shelved").why) == ("Bo", "noise")
    assert moves(after.condition("seen", False, 80.0, 90.0, now=1001.0)) == [("seen", S.NORMAL)]
    assert moves(after.tick(now=1070.0)) == [("shelved", S.NORMAL)]
    unknown = Alarms(definitions[:6], now=0.0)
    assert moves(unknown.restore(kept, down_s=None, now=0.0)) == [("shelved", S.NORMAL)]


# --- any order -----------------------------------------------------------------------------

DEFINITIONS = (
    define("a", deadband=1.0, on_delay_s=2.0, off_delay_s=3.0),
    define("b", latched=True, longest_shelf_s=50.0, suppressed_by=("a",)),
    define("c", group="other", on_delay_s=1.0, suppressed_by=("b",)),
    define("d", group="other", longest_shelf_s=0.0),
)
NAMES = st.sampled_from([d.name for d in DEFINITIONS])
Deed = tuple[str, str, bool, float]
DEEDS = st.lists(
    st.tuples(
        st.sampled_from(
            ["condition"] * 4
            + ["ack", "ack", "reset", "shelve", "unshelve", "out", "in", "suppress"]
        ),
        NAMES,
        st.booleans(),
        st.sampled_from([0.0, 0.5, 1.0, 2.0, 7.0, 60.0]),
    ),
    max_size=40,
)


def do(alarms: Alarms, deed: Deed, now: float) -> tuple[AlarmOutput, ...]:
    what, name, flag, _ = deed
    if what == "condition":
        return alarms.condition(name, flag, 91.0 if flag else 88.0, 90.0, now=now)
    if what == "shelve":
        return alarms.shelve(name, now + (40.0 if flag else 400.0), "Ada", "why", now=now)
    if what == "suppress":
        return alarms.suppress(name, "step", flag, now=now)
    if what == "out":
        return alarms.out_of_service(name, "Ada", "why", now=now)
    by_name = {
        "ack": alarms.acknowledge, "reset": alarms.reset, "unshelve": alarms.unshelve,
        "in": alarms.into_service,
    }  # fmt: skip
    return by_name[what](name, "Ada", now=now)


def settle(alarms: Alarms, now: float) -> tuple[tuple[AlarmOutput, ...], float]:
    """Let time pass until nothing is due."""
    out: tuple[AlarmOutput, ...] = ()
    for _ in range(200):
        due = alarms.next_deadline()
        if due is None:
            return out, now
        assert due > now or due == pytest.approx(now)
        now = due
        out += alarms.tick(now=now)
    raise AssertionError("time does not end")


@settings(max_examples=60, deadline=None)
@given(DEEDS)
def test_no_move_is_missing_and_none_is_outside_the_table(deeds: list[Deed]) -> None:
    alarms = make(*DEFINITIONS)
    states = {d.name: S.NORMAL for d in DEFINITIONS}
    now, out = 0.0, []
    for deed in deeds:
        now += deed[3]
        out += do(alarms, deed, now)
        due = alarms.next_deadline()
        assert due is None or due > now
    late, now = settle(alarms, now)
    stamps = [o.t_s for o in (*out, *late) if not isinstance(o, FloodChanged)]
    assert stamps == sorted(stamps)
    for o in (*out, *late):
        if isinstance(o, AlarmChanged):
            assert o.before is states[o.name]
            assert TRANSITIONS[o.before, o.act] is o.after
            assert not (o.before is S.ACKNOWLEDGED and o.after is S.UNACKNOWLEDGED)
            states[o.name] = o.after
    assert {a.name: a.state for a in alarms.status().alarms} == {
        name: state for name, state in states.items() if state is not S.NORMAL
    }
    for alarm in (of(alarms, d.name) for d in DEFINITIONS):
        assert alarm.state is states[alarm.name]
        assert alarm.state is not S.SHELVED  # shelving always ends
        if alarm.state in IN_SERVICE:  # time is over: state and condition agree
            standing = alarm.state in (S.UNACKNOWLEDGED, S.ACKNOWLEDGED)
            assert alarm.active is standing


@settings(max_examples=40, deadline=None)
@given(DEEDS, st.floats(0.05, 3.0))
def test_ticking_more_often_changes_nothing(deeds: list[Deed], step: float) -> None:
    seldom, often = make(*DEFINITIONS), make(*DEFINITIONS)
    a: list[AlarmOutput] = []
    b: list[AlarmOutput] = []
    now = 0.0
    for deed in deeds:
        then = now + deed[3]
        while now + step < then:
            now += step
            b += often.tick(now=now)
        now = then
        a += do(seldom, deed, now)
        b += do(often, deed, now)
    assert a == b
    assert seldom.status() == often.status()


@settings(max_examples=40, deadline=None)
@given(DEEDS)
def test_every_alarm_finds_back_to_normal(deeds: list[Deed]) -> None:
    alarms = make(*DEFINITIONS)
    now = 0.0
    for deed in deeds:
        now += deed[3]
        do(alarms, deed, now)
    for d in DEFINITIONS:
        alarms.condition(d.name, False, 80.0, 90.0, now=now)
        alarms.suppress(d.name, "step", False, now=now)
        alarms.into_service(d.name, "Ada", now=now)
    _, now = settle(alarms, now)
    for d in DEFINITIONS:
        alarms.acknowledge(d.name, "Ada", now=now)
        alarms.reset(d.name, "Ada", now=now)
    assert alarms.status().alarms == ()


@settings(max_examples=40, deadline=None)
@given(DEEDS)
def test_an_acknowledged_alarm_is_not_raised_again_before_it_returned(deeds: list[Deed]) -> None:
    """Or was silenced in between, which is someone's decision of its own."""
    alarms = make(*DEFINITIONS)
    now = 0.0
    returned = dict.fromkeys((d.name for d in DEFINITIONS), True)
    for deed in deeds:
        now += deed[3]
        for o in do(alarms, deed, now):
            if not isinstance(o, AlarmChanged):
                continue
            if o.after is S.ACKNOWLEDGED:
                returned[o.name] = False
            elif o.after is S.UNACKNOWLEDGED:
                assert returned[o.name]
            else:
                returned[o.name] = True


@settings(max_examples=40, deadline=None)
@given(DEEDS, st.sampled_from([0.0, 5.0, 100.0, None]))
def test_a_restart_anywhere_keeps_what_was_there(deeds: list[Deed], down_s: float | None) -> None:
    alarms = make(*DEFINITIONS)
    now = 0.0
    for deed in deeds:
        now += deed[3]
        do(alarms, deed, now)
    after = Alarms(DEFINITIONS, now=7.0)
    after.restore(json.loads(json.dumps(alarms.snapshot())), down_s=down_s, now=7.0)
    for old, new in ((of(alarms, d.name), of(after, d.name)) for d in DEFINITIONS):
        if old.state in IN_SERVICE or old.state is S.OUT_OF_SERVICE:
            assert new.state is old.state
        elif new.state is S.SHELVED:
            assert old.state is S.SHELVED and down_s is not None
    late, _ = settle(after, 7.0)
    assert not [o for o in late if isinstance(o, AlarmChanged) and o.before is not S.SHELVED]
