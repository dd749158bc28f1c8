"""Timed hand stages in simulated time: prompts, due and overdue, water, holds, restarts."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.control.states import ENDED, TRANSITIONS, ExposureOutput, Noted, Send, State
from platelink.control.steps.stage import Stage, Verdict
from platelink.control.steps.stages import Stages
from platelink.control.steps.water import Water, WaterBand
from platelink.link import messages as m

# Common practice, no source: about 45 s of agitation, about 15 s of brushing.
WASHOUT = (
    Stage(name="agitate", prompt="move the plate in the water", time_s=45.0),
    Stage(name="brush", prompt="brush lightly", time_s=15.0, tolerance_s=3.0, overdue_s=20.0),
    Stage(name="blow off", prompt="take the water off with air", waits=True),
)
WATER = WaterBand(20.0, 26.0)
BEEP = m.SetOutput(m.Output.BEEPER, 1, 600)


def names(outputs: tuple[ExposureOutput, ...]) -> list[str]:
    return [o.name for o in outputs if isinstance(o, Noted) and o.name != "state"]


def beeps(outputs: tuple[ExposureOutput, ...]) -> int:
    return sum(isinstance(o, Send) and o.command == BEEP for o in outputs)


def read(stages: Stages, water_c: float | None, now: float) -> tuple[ExposureOutput, ...]:
    """The probe in the water says so."""
    assert stages._water is not None
    told = stages._water.measured(water_c, now)
    return stages.water(now=now) if told else stages.tick(now=now)


def begun(now: float = 0.0) -> Stages:
    stages = Stages(WASHOUT, Water(WATER), now=now)
    stages.start(now=now)
    return stages


def test_from_the_first_prompt_to_the_end() -> None:
    stages = Stages(WASHOUT, None, now=0.0)
    assert stages.next_deadline() is None
    assert names(stages.start(now=100.0)) == ["stage prompt", "stage started"]
    assert stages.next_deadline() == 145.0
    assert stages.tick(now=144.9) == ()
    due = stages.tick(now=145.0)
    assert (names(due), beeps(due)) == (["stage due"], 1)
    assert names(stages.done(now=147.0)) == ["stage ended", "stage prompt", "stage started"]
    assert names(stages.done(now=155.0)) == ["stage ended", "stage prompt"]  # the next one waits
    assert (stages.status().waiting, stages.status().stage) == (True, "blow off")
    assert names(stages.done(now=160.0)) == ["refused"]
    assert names(stages.begin(now=300.0)) == ["stage started"]
    assert stages.next_deadline() is None
    assert names(stages.done(who="Ada", now=320.0)) == ["stage ended", "stages ended"]
    assert stages.state is State.COMPLETE
    assert [(r.name, r.actual_s, r.verdict, r.who) for r in stages.results] == [
        ("agitate", 47.0, Verdict.IN_TIME, None),
        ("brush", 8.0, Verdict.EARLY, None),
        ("blow off", 20.0, Verdict.CONFIRMED, "Ada"),
    ]
    assert names(stages.done(now=330.0)) == names(stages.begin(now=330.0)) == ["refused"]


def test_overdue_is_told_once_more_and_the_stage_is_late() -> None:
    stages = begun()
    out = stages.tick(now=44.0)
    assert not out and not stages.conditions()[0].active
    stages.tick(now=45.0)
    assert stages.next_deadline() == 75.0
    out = stages.tick(now=75.0)
    assert (names(out), beeps(out)) == (["stage overdue"], 1)
    (condition,) = stages.conditions()
    assert (condition.name, condition.active) == ("stage overdue", True)
    assert (condition.value, condition.limit) == (75.0, 75.0)
    assert stages.next_deadline() is None
    stages.done(now=80.0)
    assert stages.results[0].verdict is Verdict.LATE
    assert not stages.conditions()[0].active
    assert "80 of 45 s, late" in stages_text(stages)


def stages_text(stages: Stages) -> str:
    result = stages.results[0]
    return f"{result.name}: {result.actual_s:.0f} of {result.planned_s:.0f} s, {result.verdict}"


def test_done_without_a_tick_before_it_still_tells_what_was_due() -> None:
    out = begun().done(now=100.0)
    assert names(out)[:3] == ["stage due", "stage overdue", "stage ended"]
    assert "agitate: 100 of 45 s, late" in [o.text for o in out if isinstance(o, Noted)]


@pytest.mark.parametrize(
    ("done_s", "verdict"),
    [(39.9, Verdict.EARLY), (40.0, Verdict.IN_TIME), (50.0, Verdict.IN_TIME), (50.1, Verdict.LATE)],
)
def test_early_and_late_by_the_stage_s_own_tolerance(done_s: float, verdict: Verdict) -> None:
    stages = begun()
    stages.done(now=done_s)
    assert stages.results[0].verdict is verdict


def test_a_hold_stops_the_clock() -> None:
    stages = begun()
    assert names(stages.hold("phone", now=20.0)) == ["holding", "held"]
    assert (stages.state, stages.next_deadline()) == (State.HELD, None)
    assert names(stages.done(now=30.0)) == ["refused"]
    assert names(stages.hold("again", now=30.0)) == ["refused"]
    stages.restart(now=120.0)
    assert stages.next_deadline() == 145.0
    stages.done(now=145.0)
    result = stages.results[0]
    assert (result.actual_s, result.held_s, result.verdict) == (45.0, 100.0, Verdict.IN_TIME)


def test_a_stage_broken_off_is_recorded_as_far_as_it_went() -> None:
    stages = begun()
    stages.done(now=45.0)
    stages.hold("why", now=50.0)
    out = stages.stop("plate fell", now=70.0)
    assert names(out) == ["stage ended", "stages ended"]
    assert stages.state is State.STOPPED
    broken = stages.results[-1]
    assert (broken.name, broken.actual_s, broken.held_s) == ("brush", 5.0, 20.0)
    assert broken.verdict is Verdict.BROKEN_OFF
    assert "1 of 3 stages done; plate fell" in next(
        o.text for o in out if isinstance(o, Noted) and o.name == "stages ended"
    )
    assert stages.abort("twice", now=80.0) == ()


def test_water_is_averaged_and_watched_while_a_stage_runs() -> None:
    stages = begun()
    for t, water_c in ((1.0, 24.0), (2.0, None), (3.0, float("nan")), (4.0, 27.0)):
        assert read(stages, water_c, now=t) == ()
    assert read(stages, 28.0, now=8.9) == ()
    assert names(read(stages, 28.0, now=9.0)) == ["water out of band"]
    assert read(stages, 29.0, now=20.0) == ()
    assert names(read(stages, 25.0, now=21.0)) == ["water in band"]
    read(stages, 30.0, now=22.0)
    stages.hold("why", now=23.0)
    stages.restart(now=40.0)
    assert read(stages, 30.0, now=41.0) == ()  # its time begins anew
    stages.done(now=45.0)
    result = stages.results[0]
    assert (result.water_min_c, result.water_max_c) == (24.0, 30.0)
    assert result.water_mean_c == pytest.approx((24 + 27 + 28 + 28 + 29 + 25 + 30 + 30) / 8)
    stages.done(now=60.0)
    assert stages.results[1].water_mean_c is None
    assert read(stages, 40.0, now=65.0) == read(stages, 40.0, now=90.0) == ()  # nobody washes


def test_stages_that_mean_nothing_are_refused() -> None:
    for bad in ({"time_s": 0.0}, {"time_s": float("nan")}, {"tolerance_s": -1.0}):
        with pytest.raises(ValueError, match="must"):
            Stage(name="x", prompt="y", **bad)
    with pytest.raises(ValueError, match="must rise"):
        WaterBand(26.0, 20.0)
    with pytest.raises(ValueError, match="at least"):
        Stages((), None, now=0.0)


def again(stages: Stages, down_s: float | None, now: float) -> Stages:
    kept = json.loads(json.dumps(stages.snapshot()))
    return Stages.from_snapshot(WASHOUT, Water(WATER), kept, down_s=down_s, now=now)


def test_a_restart_of_the_computer_counts_the_time_it_was_away() -> None:
    stages = begun(now=900.0)
    stages.done(now=940.0)
    read(stages, 24.0, now=945.0)
    after = again(stages, 6.0, now=2.0)
    assert after.state is State.RUNNING
    assert after.next_deadline() == 2.0 + 15.0 - 5.0 - 6.0
    assert names(after.done(now=6.0)) == [
        "stages resumed", "stage due", "stage ended", "stage prompt"
    ]  # fmt: skip
    result = after.results[1]
    assert (result.actual_s, result.unattended_s) == (15.0, 6.0)
    assert (result.verdict, result.water_mean_c) == (Verdict.IN_TIME, 24.0)
    assert after.results[0] == stages.results[0]


def test_a_stage_is_held_when_nobody_knows_how_long_the_computer_was_away() -> None:
    stages = begun()
    stages.tick(now=20.0)
    after = again(stages, None, now=2.0)
    assert after.state is State.HELD
    assert "not known" in after.reason
    after.restart(now=10.0)
    assert after.next_deadline() == 35.0
    last = again(again(after, 3.0, now=0.0), 4.0, now=100.0)
    assert last.status().elapsed_s == 27.0


def test_a_hold_goes_on_across_a_restart_of_the_computer() -> None:
    stages = begun()
    stages.hold("phone", now=20.0)
    stages.tick(now=50.0)
    after = again(stages, 7.0, now=1000.0)
    after.restart(now=1003.0)
    after.done(now=1028.0)
    result = after.results[0]
    assert (result.actual_s, result.held_s, result.unattended_s) == (45.0, 40.0, 0.0)


def test_a_snapshot_of_other_stages_is_an_error() -> None:
    stages = begun()
    stages.done(now=45.0)
    kept = stages.snapshot()
    with pytest.raises(ValueError, match="other stages"):
        Stages.from_snapshot(WASHOUT[1:], None, kept, down_s=0.0, now=0.0)
    with pytest.raises(ValueError, match="format"):
        Stages.from_snapshot(WASHOUT, None, kept | {"format": 9}, down_s=0.0, now=0.0)


DEEDS = st.lists(
    st.tuples(
        st.sampled_from(
            ["tick", "water", "done", "done", "begin", "hold", "restart", "start", "crash", "stop"]
        ),
        st.sampled_from([0.0, 0.5, 5.0, 12.0, 40.0, 100.0]),
        st.sampled_from([23.0, 30.0, None]),
    ),
    max_size=30,
)


@settings(max_examples=60, deadline=None)
@given(DEEDS)
def test_in_any_order_no_stage_is_lost_and_all_time_is_accounted_for(
    deeds: list[tuple[str, float, float | None]],
) -> None:
    stages = begun()
    now, wall_s, said, state = 0.0, 0.0, 0, State.RUNNING
    for what, dt, water_c in deeds:
        now += dt
        wall_s += dt
        out: tuple[ExposureOutput, ...] = ()
        if what == "water":
            out = read(stages, water_c, now=now)
        elif what == "crash":
            stages, now = again(stages, dt, now=3.0), 3.0
            wall_s += 0.0 if stages.state in ENDED else dt
        elif what in ("hold", "stop"):
            out = getattr(stages, what)("why", now=now)
        else:
            out = getattr(stages, what)(now=now)
        for o in out:
            if isinstance(o, Noted) and o.name == "state":
                assert State(str(o.data["to"])) in TRANSITIONS[state]
                state = State(str(o.data["to"]))
        assert stages.state is state
        said += names(out).count("stage ended")
        assert len(stages.results) == said
        due = stages.next_deadline()
        assert due is None or due > now or what == "crash"
    stages.stop("over", now=now)
    assert stages.state in ENDED and stages.next_deadline() is None
    results = stages.results
    assert [r.name for r in results] == [s.name for s in WASHOUT[: len(results)]]
    # A snapshot is as of the last input: what passes between it and a crash is in down_s.
    assert sum(r.actual_s + r.held_s for r in results) <= wall_s + 1e-9
    assert all(r.actual_s >= 0.0 and r.held_s >= 0.0 for r in results)
    complete = [r.verdict is not Verdict.BROKEN_OFF for r in results]
    assert all(complete[:-1])
    assert (stages.state is State.COMPLETE) is (len(results) == 3 and complete[-1])
