"""An alarm names the run and the plate that it is of, after a restart too."""

from platelink.control.alarm.states import NOTHING, Condition, Of
from platelink.control.alarm.unit import CONTACT_LOST, LINK_LOST
from platelink.events.unit import AlarmMoved
from platelink.link.outputs import LinkState
from platelink.unit.alarms import UnitAlarms
from platelink.unit.stamp import Stamp

RUN = Of("run-1", "P-1")


def moves(alarms: UnitAlarms, at: float, *conditions: Condition, up: bool = True,
          exposed: Of = NOTHING) -> list[tuple[str, str, Of]]:  # fmt: skip
    state = LinkState.UP if up else LinkState.DOWN
    outputs = alarms.look(
        conditions, up=up, link=state, reading=None, exposed=exposed,
        at=Stamp(at, round(1000 * at)),
    )  # fmt: skip
    return [
        (o.event.alarm, o.event.to, Of(o.event.of_run, o.event.plate))
        for o in outputs
        if isinstance(o.event, AlarmMoved) and "suppressed" not in o.event.to + o.event.from_
    ]


def test_a_condition_says_what_it_is_of() -> None:
    alarms = UnitAlarms(now=0.0)
    lost = Condition(CONTACT_LOST, True, 50.0, 56.0, RUN)
    assert moves(alarms, 1.0, lost) == [("contact lost", "unacknowledged", RUN)]
    other = Condition(CONTACT_LOST, True, 50.0, 56.0, Of("run-2", "P-2"))
    assert moves(alarms, 1.5, other) == []
    # over, and still of the run that it was raised for, whatever is exposed by then
    assert moves(alarms, 2.0, exposed=Of("run-2", "P-2")) == [
        ("contact lost", "returned, unacknowledged", RUN)
    ]
    kept = alarms.snapshot()
    again = UnitAlarms(now=0.0)
    again.restore(kept, down_s=1.0, at=Stamp(0.0, 0))
    (moved,) = again.act("contact lost", "acknowledge", "Otto", "", None, at=Stamp(3.0, 3000))  # type: ignore[arg-type] -- as its value
    assert (moved.event.of_run, moved.event.plate) == RUN  # type: ignore[union-attr] -- of an alarm


def test_the_units_own_alarms_are_of_what_is_exposed() -> None:
    alarms = UnitAlarms(now=0.0)
    assert moves(alarms, 1.0, exposed=RUN) == []
    found = moves(alarms, 2.0, up=False, exposed=RUN)
    found += moves(alarms, 30.0, up=False, exposed=RUN)
    assert (LINK_LOST.name, "unacknowledged", RUN) in found


def test_a_snapshot_of_an_older_release_names_nothing() -> None:
    alarms = UnitAlarms(now=0.0)
    moves(alarms, 1.0, Condition(CONTACT_LOST, True, 50.0, 56.0, RUN))
    kept = alarms.snapshot().items()
    old = {name: {k: v for k, v in one.items() if k != "of"} for name, one in kept}
    again = UnitAlarms(now=0.0)
    again.restore(old, down_s=1.0, at=Stamp(0.0, 0))
    assert moves(again, 2.0)[0][2] == NOTHING


def test_what_is_over_when_a_snapshot_is_taken_up_is_told_to_it() -> None:
    kept_from = UnitAlarms(now=0.0)
    moves(kept_from, 1.0, Condition(CONTACT_LOST, True, 50.0, 56.0, RUN))
    alarms = UnitAlarms(now=0.0)
    moves(alarms, 0.0)  # nothing is wrong here: said before, and the same again below
    alarms.restore(kept_from.snapshot(), down_s=1.0, at=Stamp(0.0, 0))
    assert moves(alarms, 1.0) == [("contact lost", "returned, unacknowledged", RUN)]
    assert moves(alarms, 2.0) == []
