"""Exposures are bounded by what the newest ones foretell of the lamps: a sensor that tells the
wrong light from the start cooks no plate, and lamps that are only cold are let go on."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.control.states import State
from platelink.simulated.harness import Simulation
from platesim.faults import SensorDimmed, TubeFails
from platesim.scenarios import SCENARIOS
from platesim.unit import UnitParameters
from unit.unit_core import DOSE, FADED, exposure, simulate, start, texts, until

COLD = UnitParameters(
    lamps=replace(SCENARIOS["cold"].parameters.lamps, cooling_s=20.0, strike_cold_s=1.0)
)


def taught(parameters: UnitParameters = FADED) -> Simulation:
    """Six exposures are complete."""
    simulation = simulate(parameters)
    for n in range(6):
        start(simulation, f"run-{n}")
        until(simulation, State.COMPLETE)
    assert simulation.core.bed.lessons.in_force.forecast is not None
    return simulation


def again(simulation: Simulation, state: State, dose: float = DOSE) -> None:
    start(simulation, "run-again", target_dose_mj_cm2=dose)
    until(simulation, state)


@pytest.mark.parametrize("transmission", [0.2, 0.4, 1.6])
def test_a_sensor_that_tells_the_wrong_light_from_the_start_holds(transmission: float) -> None:
    simulation = taught()
    simulation.unit.inject(SensorDimmed(transmission=transmission))
    again(simulation, State.HELD, dose=180.0)
    status = exposure(simulation).status()
    assert "expected from recent exposures" in status.reason
    assert status.asks_what_fell == (transmission < 1.0)
    true = simulation.unit.true_dose_mj_cm2()
    assert true < 60.0, "long before the plate is cooked"
    found = exposure(simulation)._tally
    assert found.dose_mj_cm2 - found.doubtful_mj_cm2 <= true + 0.6
    assert true <= found.dose_mj_cm2 + found.unknown_mj_cm2 + 0.6


def test_a_restart_is_a_persons_word_and_it_is_judged_no_more() -> None:
    """Lamps that are weaker indeed: held once, then the dose is given as the sensor tells it."""
    weak = taught()
    for tube in range(4):
        weak.unit.inject(TubeFails(tube))
    again(weak, State.HELD, dose=180.0)
    assert "expected from recent exposures" in exposure(weak).status().reason
    weak.command("restart", "lamps off")  # they gave no more than was seen
    for _ in range(8):
        weak.run(lambda: exposure(weak).state in (State.HELD, State.COMPLETE), 200.0)
        if exposure(weak).state is State.COMPLETE:
            break
        assert "guard time" in exposure(weak).status().reason
        weak.command("restart", "they are weak")
    assert exposure(weak).state is State.COMPLETE
    assert weak.unit.true_dose_mj_cm2() == pytest.approx(180.0, rel=0.01)
    assert sum("holding: the light seen is" in text for text in texts(weak)) == 1


@pytest.mark.parametrize("tubes", [0, 1])
def test_a_tube_that_is_out_or_a_night_in_the_cold_is_let_go_on(tubes: int) -> None:
    simulation = taught()
    for tube in range(tubes):
        simulation.unit.inject(TubeFails(tube))
    simulation.run(lambda: False, 1500.0)
    again(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


def test_lamps_of_a_cold_room_are_let_go_on_after_warm_ones() -> None:
    """They begin with 0.4 of their output; the lessons before are of warm lamps."""
    simulation = taught(replace(COLD, lamps=replace(COLD.lamps, rest_s=0.0)))
    simulation.run(lambda: False, 300.0)
    again(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


def test_dropped_lessons_foretell_nothing() -> None:
    simulation = taught()
    simulation.core.bed.lessons.drop()
    assert simulation.core.bed.lessons.in_force.forecast is None
