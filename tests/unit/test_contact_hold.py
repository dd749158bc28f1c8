"""The hold test on a simulated unit: what is held is steady by the plant's own pressure."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.control.states import State
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted
from platesim.plant import PlantParameters
from platesim.sensors import GaugeNoise, SensorParameters
from platesim.vacuum import Leak, VacuumParameters
from unit.unit_core import CONTACT, FADED, exposure, simulate, start, until

STILL = GaugeNoise()


def unit_with(noise: GaugeNoise = STILL, seed: int = 3, **vacuum: object) -> Simulation:
    plant = PlantParameters(
        sensors=SensorParameters(vacuum_noise=noise), vacuum=VacuumParameters(**vacuum)
    )
    return simulate(replace(FADED, plant=plant), seed)


def true_slope_at_held(simulation: Simulation) -> float:
    """kPa/min by the plant, over the second after contact was said to be held."""

    def held() -> bool:
        return any(isinstance(o, EventNoted) and o.name == "contact held"
                   for o in simulation.outputs[-20:])  # fmt: skip

    assert simulation.run(held, 60.0)
    before, t = simulation.unit.vacuum_kpa, simulation.now
    simulation.run(lambda: False, 1.0)
    return 60.0 * (simulation.unit.vacuum_kpa - before) / (simulation.now - t)


@pytest.mark.parametrize("seed", range(4, 9))
@pytest.mark.parametrize("noise", [STILL, GaugeNoise(slow_lsb=0.3), GaugeNoise(heavy_lsb=2)])
def test_what_is_held_is_steady_in_truth(noise: GaugeNoise, seed: int) -> None:
    simulation = unit_with(noise, seed)
    start(simulation, contact=CONTACT)
    assert abs(true_slope_at_held(simulation)) <= CONTACT.fall_limit_kpa_per_min


def test_a_fluttering_edge_is_a_finding_of_its_own() -> None:
    simulation = unit_with(leaks=(Leak(0.25, flutter_hz=0.7),))
    start(simulation, contact=CONTACT)
    until(simulation, State.HELD, 60.0)
    assert exposure(simulation).light_s == 0.0
    assert "look for a leak or a loose hose" in exposure(simulation).status().reason


def test_a_pump_that_beats_and_rests_within_the_limit_is_no_leak() -> None:
    simulation = unit_with(
        pulsation_kpa=0.3, rests_at_kpa_abs=18.0, resumes_at_kpa_abs=18.4, leaks=(Leak(0.004),)
    )
    start(simulation, contact=CONTACT)
    until(simulation, State.COMPLETE, 120.0)
