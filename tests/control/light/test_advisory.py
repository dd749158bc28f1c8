"""Advisory mode: the unit's own timer switches the light, platelink measures and tells."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from unit.test_damaged_sums import Damage

from platelink.control.light.request import PLAIN, ExposureRequest, Reciprocity
from platelink.control.states import State
from platelink.link import messages as m
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.job import Job
from platelink.unit.outputs import EventNoted, RunEnded
from platesim.faults import DeviceResets, Unplugged
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

UNIT = UnitParameters(
    lamps=LampParameters(burn_hours=1400.0, starts=900, rest_s=60.0), own_timer=True
)
DOSE = 150.0


def begin(parameters: UnitParameters = UNIT) -> Simulation:
    simulation = Simulation(
        SimulatedUnit(parameters, 5), make_core(parameters, expected_mw_cm2=12.0)
    )
    simulation.run(lambda: False, 3.0)
    return simulation


def expose(simulation: Simulation, law: Reciprocity = PLAIN) -> float:
    """Ask for an exposure; the seconds it says to set."""
    simulation.outputs.clear()
    simulation.unit.mark()
    request = ExposureRequest(DOSE, None, max_light_s=300.0, reciprocity=law)
    simulation.expose(Job("run", "film", request))
    advice = next(o for o in simulation.outputs if named(o, "timer advice"))
    assert isinstance(advice, EventNoted)
    said = re.search(r"set (\d+) s", advice.text)
    assert said is not None
    timer_s = advice.data["timer_s"]
    assert isinstance(timer_s, float) and round(timer_s) == int(said.group(1))
    simulation.run(lambda: False, 2.0)
    return timer_s


def named(output: object, name: str) -> bool:
    return isinstance(output, EventNoted) and output.name == name


def finish(simulation: Simulation, timer_s: float) -> None:
    simulation.unit.start_own_timer(timer_s)
    assert simulation.run(lambda: simulation.ended is not None, timer_s + 20.0)


def test_it_learns_what_to_set_on_the_timer() -> None:
    simulation = begin()
    first_s = expose(simulation)
    finish(simulation, first_s)  # fresh lamps were expected, these have faded
    assert simulation.ended is not None and simulation.ended.state is State.STOPPED
    assert "early" in simulation.ended.reason
    expose(simulation)
    finish(simulation, 2.2 * first_s)  # more than enough: now the lamps are known
    assert simulation.ended.state is State.COMPLETE
    for _ in range(2):
        finish(simulation, expose(simulation))
    off_pct = 100.0 * (simulation.unit.true_dose_mj_cm2() / DOSE - 1.0)
    assert abs(off_pct) < 2.5  # a timer cannot know how warm the lamps are this time


def test_the_dose_recorded_is_what_was_delivered() -> None:
    simulation = begin()
    expose(simulation)
    finish(simulation, 31.0)
    assert simulation.ended is not None
    true = simulation.unit.true_dose_mj_cm2()
    assert simulation.ended.dose_mj_cm2 == pytest.approx(true, rel=1e-3)


@pytest.mark.parametrize("p", [0.7, 1.3])
def test_weak_light_counts_as_the_plate_stock_answers_to_it(p: float) -> None:
    simulation = begin()
    finish(simulation, expose(simulation, Reciprocity(p, 12.0)))
    ended = simulation.ended
    assert ended is not None
    true = simulation.unit.true_dose_mj_cm2(p, 12.0)
    assert ended.dose_mj_cm2 == pytest.approx(true, rel=2e-3)
    assert abs(simulation.unit.true_dose_mj_cm2() / true - 1.0) > 0.1  # the plain dose is another
    over = next(o for o in simulation.outputs if isinstance(o, RunEnded))
    assert over.budget is not None
    assert [line.name for line in over.budget.lines][-1] == "reciprocity"


def test_light_beyond_the_sensor_s_top_is_the_least_that_fell() -> None:
    simulation = begin(replace(UNIT, lamps=LampParameters(irradiance_mw_cm2=22.0)))
    expose(simulation)
    finish(simulation, 12.0)
    assert simulation.ended is not None
    dose, true = simulation.ended.dose_mj_cm2, simulation.unit.true_dose_mj_cm2()
    assert dose < 0.97 * true
    assert dose < true < dose + simulation.ended.uncertain_mj_cm2
    assert "more may have been given; judge the plate" in simulation.ended.reason
    assert simulation.core.bed.exposure_status(now=simulation.now).uncertain_mj_cm2 > 1.0


def test_a_damaged_sample_changes_no_dose() -> None:
    simulation = begin()
    damage = Damage(simulation)
    expose(simulation)
    simulation.unit.start_own_timer(31.0)
    for _ in range(3):
        simulation.run(lambda: False, 7.0)
        damage.bit, damage.samples = 35, 3
    assert simulation.run(lambda: simulation.ended is not None, 40.0)
    assert simulation.ended is not None
    true = simulation.unit.true_dose_mj_cm2()
    assert simulation.ended.dose_mj_cm2 == pytest.approx(true, rel=1e-3)


def test_light_far_over_its_target_calls_for_a_judgement() -> None:
    simulation = begin()
    expose(simulation)
    finish(simulation, 60.0)
    assert simulation.ended is not None
    off_pct = 100.0 * (simulation.unit.true_dose_mj_cm2() / DOSE - 1.0)
    assert off_pct > 20.0
    assert "tolerance 1 %; judge the plate" in simulation.ended.reason
    timer_s = 60.0 * 100.0 / (100.0 + off_pct)
    for _ in range(8):  # a person who comes nearer with every plate
        expose(simulation)
        finish(simulation, timer_s)
        dose = simulation.ended.dose_mj_cm2
        if abs(dose / DOSE - 1.0) <= 0.009:
            break
        timer_s *= DOSE / dose
    assert simulation.ended.state is State.COMPLETE
    assert "judge" not in simulation.ended.reason
    assert "off the target dose" in simulation.ended.reason


def test_it_signals_when_the_dose_is_reached() -> None:
    simulation = begin()
    expose(simulation)
    simulation.unit.start_own_timer(60.0)
    beeper = 1 << m.Output.BEEPER
    assert simulation.run(lambda: bool(simulation.unit.board.outputs & beeper), 60.0)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
    assert any(named(o, "dose reached") for o in simulation.outputs)


def test_a_lost_link_loses_no_dose_a_restarted_device_does() -> None:
    simulation = begin()
    expose(simulation)
    simulation.unit.start_own_timer(60.0)
    simulation.run(lambda: False, 10.0)
    simulation.unit.inject(Unplugged(), for_s=5.0)
    assert simulation.run(lambda: simulation.ended is not None, 90.0)
    assert simulation.ended is not None
    assert simulation.ended.dose_mj_cm2 == pytest.approx(
        simulation.unit.true_dose_mj_cm2(), rel=1e-3
    )
    expose(simulation)
    simulation.ended = None
    simulation.unit.start_own_timer(60.0)
    simulation.run(lambda: False, 10.0)
    simulation.unit.inject(DeviceResets())
    assert simulation.run(lambda: simulation.ended is not None, 30.0)
    assert simulation.ended.state is State.ABORTED
    assert "judge the plate" in simulation.ended.reason


def test_the_lamps_cannot_be_held() -> None:
    simulation = begin()
    expose(simulation)
    simulation.command("hold", "asked")
    assert any(named(o, "refused") for o in simulation.outputs)
    simulation.command("stop", "asked")
    assert simulation.ended is not None and simulation.ended.state is State.STOPPED


def test_no_order_is_ever_given() -> None:
    simulation = begin(replace(UNIT, own_timer=True))
    expose(simulation)
    finish(simulation, 40.0)
    assert simulation.unit.board.outputs & (1 << m.Output.LAMP) == 0
