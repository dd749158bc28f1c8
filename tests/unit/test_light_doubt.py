"""What the light sensor tells and is not so: it stands still, its dark moves, other light falls on
it. The dose is recorded with bounds that hold the plant's, and nothing is complete beyond them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.control.states import Ended, State
from platelink.simulated.harness import Simulation
from platesim.faults import (
    Fault,
    GaugeShifts,
    GaugeStuck,
    LampsDoNotStrike,
    SensorDimmed,
    StrayLight,
)
from platesim.scenarios import SCENARIOS
from unit.unit_core import DOSE, FADED, exposure, simulate, start, texts, until, until_light

SLACK_MJ_CM2 = 0.6


def lit(**changes: object) -> Simulation:
    simulation = simulate()
    start(simulation, **changes)
    until_light(simulation)
    simulation.run(lambda: False, 2.0)
    return simulation


def holds(simulation: Simulation, ended: Ended) -> bool:
    """The bounds hold what fell of the lamps."""
    least = ended.dose_mj_cm2 - ended.doubtful_mj_cm2 - SLACK_MJ_CM2
    most = ended.dose_mj_cm2 + ended.uncertain_mj_cm2 + SLACK_MJ_CM2
    return least <= simulation.unit.true_dose_mj_cm2() <= most


def stopped(simulation: Simulation) -> Ended:
    simulation.command("stop", "judged")
    assert simulation.ended is not None
    return simulation.ended


# --- a sensor that stands still ------------------------------------------------------------------


@pytest.mark.parametrize("lamps", [True, False])
def test_a_sensor_that_stands_still_in_the_light_holds_with_bounds(lamps: bool) -> None:
    simulation = lit(target_dose_mj_cm2=200.0)
    simulation.unit.inject(GaugeStuck(0))
    if not lamps:
        simulation.unit.lamps.switch(False, simulation.unit.time_s)
        simulation.unit.plant.changed()
    assert simulation.run(lambda: exposure(simulation).state is State.HOLDING, 2.2)
    assert "light sensor is stuck" in exposure(simulation).status().reason
    simulation.run(lambda: False, 3.0)
    simulation.unit.undo(GaugeStuck(0))
    until(simulation, State.HELD, 5.0)
    assert exposure(simulation).status().asks_what_fell
    ended = stopped(simulation)
    assert ended.doubtful_mj_cm2 > 10.0 and ended.learned is None
    assert holds(simulation, ended)


@pytest.mark.parametrize("after_s", [0.0, 0.1, 0.3])
def test_a_sensor_that_stops_in_the_strike_of_cold_lamps_holds_with_bounds(after_s: float) -> None:
    """What it shows is no level: lamps in a cold room rise to more than twice their first light."""
    lamps = SCENARIOS["cold"].parameters.lamps
    simulation = simulate(replace(FADED, lamps=lamps))
    start(simulation, target_dose_mj_cm2=200.0)
    until_light(simulation)
    simulation.run(lambda: False, after_s)
    simulation.unit.inject(GaugeStuck(0))
    assert simulation.run(lambda: exposure(simulation).state is State.HOLDING, 2.6)
    simulation.unit.undo(GaugeStuck(0))
    until(simulation, State.HELD, 8.0)
    assert holds(simulation, stopped(simulation))


@pytest.mark.parametrize(("word", "lamps"), [("lamps on", True), ("lamps off", False)])
def test_a_persons_word_settles_what_a_still_sensor_counted(word: str, lamps: bool) -> None:
    simulation = lit(target_dose_mj_cm2=200.0)
    simulation.unit.inject(GaugeStuck(0))
    if not lamps:
        simulation.unit.lamps.switch(False, simulation.unit.time_s)
        simulation.unit.plant.changed()
    assert simulation.run(lambda: exposure(simulation).state is State.HOLDING, 2.2)
    simulation.unit.undo(GaugeStuck(0))
    until(simulation, State.HELD, 5.0)
    true = simulation.unit.true_dose_mj_cm2()
    simulation.command("restart", word)
    found = exposure(simulation)._tally
    assert found.dose_mj_cm2 - found.doubtful_mj_cm2 < true
    assert true < found.dose_mj_cm2 + found.unknown_mj_cm2
    assert found.likely_mj_cm2 == pytest.approx(true, abs=5.0)
    assert not exposure(simulation).status().asks_what_fell


@pytest.mark.parametrize(("seconds", "state"), [(0.3, State.COMPLETE), (1.5, State.HELD)])
def test_a_sensor_that_stood_still_for_a_moment_is_off_by_the_ripple(
    seconds: float, state: State
) -> None:
    simulation = lit()
    simulation.unit.inject(GaugeStuck(0), for_s=seconds)
    until(simulation, state, 30.0)
    ended = simulation.ended or stopped(simulation)
    assert ended.doubtful_mj_cm2 == ended.uncertain_mj_cm2 > 0.2
    assert holds(simulation, ended)


# --- a dark that moves, and other light ----------------------------------------------------------


def ended_in(simulation: Simulation, fault: Fault, state: State) -> Ended:
    """The fault comes in mid-light and goes when the light has been over for a while."""
    simulation.unit.inject(fault)
    assert simulation.run(lambda: not simulation.unit.lamp_on, 60.0)
    simulation.run(lambda: False, 1.5)
    simulation.unit.undo(fault)
    simulation.run(lambda: exposure(simulation).state in (state, State.HELD), 5.0)
    assert exposure(simulation).state is state
    if state is State.HELD:
        return stopped(simulation)
    assert simulation.ended is not None
    return simulation.ended


@pytest.mark.parametrize(
    ("fault", "state"),
    [
        (GaugeShifts(0, counts=-12.0), State.HELD),
        (GaugeShifts(0, counts=15.0), State.HELD),
        (GaugeShifts(0, counts=40.0), State.HELD),
        (GaugeShifts(0, counts=300.0), State.HELD),
        (GaugeShifts(0, counts=3.0), State.COMPLETE),
        (StrayLight(0.3), State.HELD),
        (StrayLight(0.9), State.HELD),
    ],
)
def test_a_dark_that_moved_in_the_light_is_a_doubt(fault: Fault, state: State) -> None:
    simulation = lit()
    ended = ended_in(simulation, fault, state)
    assert ended.doubtful_mj_cm2 + ended.uncertain_mj_cm2 > 0.0
    assert holds(simulation, ended)
    if state is State.HELD:
        assert ended.learned is None


@pytest.mark.parametrize("glow_s", [0.002, 0.02])
def test_the_dark_after_every_good_light_is_that_before(glow_s: float) -> None:
    lamps = replace(FADED.lamps, glow_s=glow_s)
    simulation = simulate(replace(FADED, lamps=lamps))
    start(simulation)
    until(simulation, State.COMPLETE)
    ended = simulation.ended
    assert ended is not None
    assert (ended.doubtful_mj_cm2, ended.uncertain_mj_cm2) == (0.0, 0.0)
    assert ended.learned is not None


# --- a sensor that sees late, and light between orders ---------------------------


def test_light_that_is_seen_late_may_have_been_there() -> None:
    simulation = simulate()
    start(simulation)
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    assert simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    simulation.run(lambda: False, 3.0)
    simulation.unit.undo(SensorDimmed())
    until(simulation, State.HELD)
    assert exposure(simulation).status().asks_what_fell
    assert holds(simulation, stopped(simulation))


def test_lamps_that_strike_late_are_settled_by_a_word() -> None:
    simulation = simulate()
    start(simulation)
    simulation.unit.inject(LampsDoNotStrike())
    assert simulation.run(lambda: simulation.unit.board.outputs & 1 != 0, 60.0)
    simulation.run(lambda: False, 3.0)
    simulation.unit.undo(LampsDoNotStrike())
    until(simulation, State.HELD)
    simulation.command("restart", "lamps off")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


def test_light_while_held_is_counted_with_its_doubt() -> None:
    simulation = lit()
    simulation.command("hold", "asked")
    until(simulation, State.HELD)
    before = exposure(simulation).dose_mj_cm2
    simulation.unit.lamps.switch(True, simulation.unit.time_s)
    simulation.unit.plant.changed()
    simulation.unit.welded = True
    simulation.run(lambda: False, 3.0)
    simulation.unit.welded = False
    simulation.unit.lamps.switch(False, simulation.unit.time_s)
    simulation.unit.plant.changed()
    simulation.run(lambda: False, 2.0)
    fell = exposure(simulation).dose_mj_cm2 - before
    assert fell > 10.0
    simulation.command("restart", "asked")
    assert any("restart refused" in text for text in texts(simulation))
    ended = stopped(simulation)
    assert ended.doubtful_mj_cm2 == pytest.approx(fell)
    assert ended.dose_mj_cm2 == pytest.approx(simulation.unit.true_dose_mj_cm2(), abs=0.5)
