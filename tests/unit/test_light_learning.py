"""The first exposure of a unit learns its after-glow before its end, and says so."""

from __future__ import annotations

import pytest

from platelink.control.states import Learned, State
from platelink.simulated.harness import Simulation
from platesim.faults import ContactorSticks
from unit.unit_core import DOSE, exposure, simulate, start, texts, until

UNKNOWN = Learned(afterglow_known=False)


def first(stick_s: float, learned: Learned = UNKNOWN, **changes: object) -> Simulation:
    simulation = simulate(learned=learned)
    simulation.unit.inject(ContactorSticks(stick_s))
    start(simulation, **changes)
    until(simulation, State.COMPLETE)
    return simulation


@pytest.mark.parametrize("stick_s", [0.0, 0.2, 0.4])
@pytest.mark.parametrize("dose", [15.0, DOSE])
def test_a_late_contactor_costs_the_first_plate_nothing(stick_s: float, dose: float) -> None:
    simulation = first(stick_s, target_dose_mj_cm2=dose)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(dose, rel=0.01)
    assert sum("to measure the after-glow" in text for text in texts(simulation)) == 1


def test_the_next_exposure_is_one_stretch_of_light() -> None:
    simulation = first(0.4)
    assert simulation.core.bed.lessons.in_force.afterglow_s == pytest.approx(0.4, abs=0.05)
    before = len(texts(simulation))
    start(simulation, "run-2")
    until(simulation, State.COMPLETE)
    told = texts(simulation)[before:]
    assert sum(text.startswith("armed") for text in told) == 1
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.005)


def test_held_while_learning_it_goes_on_with_what_it_knows() -> None:
    simulation = simulate(learned=UNKNOWN)
    simulation.unit.inject(ContactorSticks(0.4))
    start(simulation)
    simulation.run(lambda: exposure(simulation).light_s > 3.0, 60.0)
    simulation.command("hold", "asked")
    until(simulation, State.HELD, 5.0)
    simulation.command("restart", "asked")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
