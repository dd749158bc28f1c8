"""Each defence of the light by itself, with whatever else would also catch it out of the way."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest
from unit.unit_core import dark_for, deaf_to, simulate, start, until, until_light

from control.light.test_stretch import COUNTS, LIGHT, TICK_S, sample
from platelink.control.contact.gauge import GaugeNature
from platelink.control.light.arming import stretch_plan
from platelink.control.light.conclusions import after_restart, not_as_asked
from platelink.control.light.doubt import Doubt
from platelink.control.light.hour import LightHour
from platelink.control.light.patience import Patience
from platelink.control.light.plan import StretchPlan
from platelink.control.light.readiness import Readiness
from platelink.control.light.request import ExposureRequest, Optics
from platelink.control.light.stretch import Phase
from platelink.control.light.switching import Switching
from platelink.control.light.tally import Tally
from platelink.control.states import Learned, State
from platelink.link import messages as m
from platelink.unit.outputs import RunEnded

OPTICS = Optics(LIGHT, adc_max=1023, expected_mw_cm2=6.0)
REQUEST = ExposureRequest(120.0, None, max_light_s=24.0, guard_factor=3.0)
LEARNED = Learned(afterglow_s=0.04, warm_up_deficit_s=0.6, irradiance_mw_cm2=6.0)
CLOSED, RELEASED = 1, 2


def tally(
    *, given: float = 0.0, light_s: float = 0.0, unknown: float = 0.0, target: float = 120.0
) -> Tally:
    """Of an exposure that has given so much in stretches of so many seconds."""
    this = Tally(replace(REQUEST, target_dose_mj_cm2=target), OPTICS, LEARNED)
    this.meter.dose_mj_cm2 = given
    this.unknown_mj_cm2 = unknown
    if light_s:
        this.over.append(over(light_s=light_s))
    return this


def over(**more: Any) -> Any:
    """A stretch that nothing is doubtful of."""
    given = {"light_s": 0.0, "phase": Phase.LIGHT, "dark": False, "left_on": False} | more
    return SimpleNamespace(
        **given, device_mj_cm2=None, close_reason=m.CloseReason.DOSE,
        lamps_doubt=Doubt, sensor_doubt=Doubt, learned=lambda: None, settled_mw_cm2=0.0,
        disagreement_mj_cm2=lambda: 0.0,
    )  # fmt: skip


def planned(this: Tally) -> StretchPlan | str:
    _, point = sample(5000, 0, 0, m.OrderState.NONE)
    return stretch_plan(REQUEST, this, [20.0], 7, OPTICS, hour=LightHour(), point=point)


# --- what is ordered ------------------------------------------------------------------------------


def test_warm_up_needs_more_light_and_after_glow_less() -> None:
    assert tally(given=60.0).predicted_s() == pytest.approx(60.0 / 6.0 + 0.6 - 0.04)


def test_the_guard_is_never_past_the_limit_of_light() -> None:
    plan = planned(tally())
    assert isinstance(plan, StretchPlan)
    assert plan.predicted_s == pytest.approx(20.56)
    assert plan.guard_s == pytest.approx(24.0)  # not thrice what is expected


def test_light_already_given_counts_towards_the_limit() -> None:
    plan = planned(tally(given=96.0, light_s=19.0))  # 4.56 s are expected, 5 s are left
    assert isinstance(plan, StretchPlan)
    assert plan.guard_s == pytest.approx(5.0)
    refused = planned(tally(given=84.0, light_s=19.0))
    assert isinstance(refused, str)
    assert "the limit leaves 5 of 24 s" in refused


# --- what light waits for -------------------------------------------------------------------------


def ready(*, inputs: int, seconds: float, this: Readiness | None = None, since: int = 0) -> Any:
    """Readiness after so many seconds of darkness with these inputs."""
    this = this or Readiness(None, GaugeNature())
    for ticks in range(since, since + round(seconds / TICK_S) + 1, 50):
        message, point = sample(ticks, 0, 0, m.OrderState.NONE)
        this.dark(message._replace(inputs=inputs), point, lit=False)
    return this


def test_no_dark_reading_is_taken_under_an_open_lid() -> None:
    this = ready(inputs=RELEASED, seconds=3.0)
    assert this.dark_counts() is None
    assert ready(inputs=3, seconds=0.9, this=this, since=3050).dark_counts() is None
    assert ready(inputs=3, seconds=1.1, this=this, since=3950).dark_counts() == [20.0]


@pytest.mark.parametrize(
    ("inputs", "wanted"),
    [(3, ()), (CLOSED, ("stop button",)), (RELEASED, ("interlock",)),
     (0, ("interlock", "stop button"))],
)  # fmt: skip
def test_light_waits_for_lid_and_stop_button(inputs: int, wanted: tuple[str, ...]) -> None:
    this = ready(inputs=3, seconds=1.5)
    message, _ = sample(1550, 0, 0, m.OrderState.NONE)
    assert this.missing(message._replace(inputs=inputs), 1e-5) == wanted


def test_light_waits_for_a_good_clock_and_for_the_record() -> None:
    this = ready(inputs=3, seconds=1.5)
    message, _ = sample(1550, 0, 0, m.OrderState.NONE)
    assert this.missing(message, 6e-4) == ("device clock",)
    this.recorded = False
    assert this.missing(message, 1e-5) == ("record",)


# --- how it ends ----------------------------------------------------------------------------------


def test_a_close_is_sent_until_it_is_confirmed() -> None:
    this = Switching()
    this.close(now=10.0)
    sent = {t / 10: this.due(7, opening=False, now=t / 10) for t in range(100, 125)}
    assert [t for t, commands in sent.items() if commands] == [10.0, 10.5, 11.0, 11.5, 12.0]
    assert all(commands == [m.Close(7)] for commands in sent.values() if commands)
    this.closed()
    assert this.due(7, opening=False, now=20.0) == [] and this.next_deadline() == math.inf


def test_a_close_that_nobody_heard_for_two_seconds_still_comes() -> None:
    """Longer than the link itself repeats a command."""
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=200.0)
    until_light(simulation)
    deaf_to(simulation, m.Close)
    simulation.command("hold")
    simulation.run(lambda: False, 2.0)
    assert simulation.unit.lamp_on
    del simulation.unit.write
    simulation.run(lambda: False, 0.7)
    dark_for(simulation, 2.0)
    until(simulation, State.HELD, 5.0)


@pytest.mark.parametrize(
    ("state", "phase", "link_up", "most_s"),
    [
        (State.RUNNING, Phase.OPENING, True, 5.0),
        (State.RUNNING, Phase.LIGHT, True, 20.0),  # 18 s to its guard
        (State.RUNNING, Phase.LIGHT, False, 24.0),
        (State.HOLDING, Phase.LIGHT, True, 15.0),
        (State.STOPPING, Phase.LIGHT, True, 15.0),
        (State.ABORTING, Phase.OPENING, True, 15.0),
        (State.RUNNING, Phase.TAIL, True, 15.0),
    ],
)
def test_no_part_lasts_for_ever(state: State, phase: Phase, link_up: bool, most_s: float) -> None:
    this = Patience()
    plan = SimpleNamespace(guard_s=30.0)
    stretch: Any = SimpleNamespace(phase=phase, left_on=False, plan=plan, light_s=12.0)
    this.follow(state, stretch, link_up=link_up, now=100.0)
    least_s = 18.0 if phase is Phase.LIGHT and state is State.RUNNING else 1.0
    assert least_s < this.until - 100.0 <= most_s
    begun = this.until
    this.follow(state, stretch, link_up=link_up, now=101.0)
    assert this.until == begun  # and does not begin anew


@pytest.mark.parametrize(("gap_s", "to"), [(0.38, State.HOLDING), (0.42, State.ABORTING)])
def test_one_percent_may_be_unknown_and_no_more(gap_s: float, to: State) -> None:
    """At 6 mW/cm² half of 0.4 s is 1.2 mJ/cm², a hundredth of 120."""
    this = tally()
    for ticks in range(0, 2050, 50):
        _, point = sample(ticks, ticks, 0, m.OrderState.OPEN)
        this.meter.add(point)
    assert this.irradiance_mw_cm2 == pytest.approx(6.0) and COUNTS == 620
    assert after_restart(over(light_s=3600.0), this, gap_s, 0.0, State.RUNNING).to is to


@pytest.mark.parametrize(
    ("given", "unknown", "says"),
    [
        (120.0, 0.0, None), (121.1, 0.0, None), (118.9, 0.0, None),
        (122.0, 0.0, "more than the target"), (118.0, 0.0, "less than the target"),
        (118.0, 4.0, "unsure"), (110.0, 20.0, "unsure"),
    ],
)  # fmt: skip
def test_what_is_off_or_in_doubt_is_not_as_asked(
    given: float, unknown: float, says: str | None
) -> None:
    found = not_as_asked(tally(given=given, unknown=unknown))
    if says is None:
        assert found is None
    else:
        assert found is not None and found.to is State.HOLDING
        assert says == "unsure" or says in found.reason


@pytest.mark.parametrize(("dose", "teaches"), [(8.0, False), (40.0, True)])
def test_lamps_that_are_still_striking_teach_nothing(dose: float, teaches: bool) -> None:
    """8 mJ/cm² take less than 2 s."""
    known = Learned(afterglow_s=0.005, irradiance_mw_cm2=7.0)
    simulation = simulate(learned=known)
    start(simulation, target_dose_mj_cm2=dose, tolerance_pct=5.0)
    until(simulation, State.COMPLETE)
    (end,) = [o for o in simulation.outputs if isinstance(o, RunEnded)]
    assert (end.ended.light_s > 2.0) == teaches
    assert (end.ended.learned is not None) == teaches
