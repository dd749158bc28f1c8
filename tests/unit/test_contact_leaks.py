"""Leaks on a simulated unit: held is what matters, the rest is told."""

from __future__ import annotations

import pytest

from platelink.control.states import State
from platesim import faults
from platesim.vacuum import Leak
from unit.unit_core import CONTACT, exposure, simulate, start, texts, until, until_light


def test_a_small_leak_is_told_and_the_plate_gets_its_dose() -> None:
    """0.1 L/s against the pump: 6 kPa less, far from the band's edge."""
    simulation = simulate()
    start(simulation, contact=CONTACT)
    until_light(simulation, 2.0)
    simulation.unit.inject(faults.LeakOpens(Leak(0.1)))
    until(simulation, State.COMPLETE, 60.0)
    assert sum(text.startswith("contact weaker") for text in texts(simulation)) == 1
    assert any("contact leaks" in text for text in texts(simulation) if text.startswith("alarm"))
    assert simulation.unit.vacuum_kpa > CONTACT.low_kpa


@pytest.mark.parametrize("conductance_l_s", [1.0, 3.0, 40.0])
def test_a_large_leak_holds_before_the_band_is_left_for_long(conductance_l_s: float) -> None:
    simulation = simulate()
    start(simulation, contact=CONTACT)
    until_light(simulation, 2.0)
    simulation.unit.inject(faults.LeakOpens(Leak(conductance_l_s)))
    out_s = 0.0
    while exposure(simulation).state is State.RUNNING:
        before = simulation.now
        simulation.step(simulation.now + 0.05)
        out_s += (simulation.now - before) * (simulation.unit.vacuum_kpa < CONTACT.low_kpa)
    assert exposure(simulation).state is State.HOLDING
    assert out_s <= CONTACT.debounce_s + 0.2


def test_a_leak_that_grows_is_held_long_before_the_edge() -> None:
    simulation = simulate()
    start(simulation, contact=CONTACT, target_dose_mj_cm2=400.0)
    until_light(simulation, 2.0)
    simulation.unit.inject(faults.LeakOpens(Leak(0.0, growth_l_s2=0.05)))
    until(simulation, State.HOLDING, 60.0)
    assert simulation.unit.vacuum_kpa > CONTACT.low_kpa + 5.0
    assert "before the end" in exposure(simulation).status().reason
