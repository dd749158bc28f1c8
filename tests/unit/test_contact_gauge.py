"""A vacuum gauge that freezes, and gauges that seem to, on a simulated unit."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.control.states import State
from platelink.events.light import ContactHeld
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted
from platesim import faults
from platesim.plant import PlantParameters
from platesim.sensors import VACUUM, GaugeNoise, LinearSensor, SensorParameters
from platesim.vacuum import Leak, VacuumParameters
from unit.unit_core import CONTACT, FADED, exposure, simulate, start, texts, until, until_light

BLANKET_OFF = faults.LeakOpens(Leak(conductance_l_s=40.0))
COARSE = LinearSensor(zero_counts=41.0, counts_per_unit=9.0, noise_lsb=0.0)


def with_gauge(gauge: LinearSensor, **vacuum: float) -> Simulation:
    """A unit with another gauge, and a pump with a beat."""
    plant = PlantParameters(
        sensors=SensorParameters(vacuum=gauge), vacuum=VacuumParameters(**vacuum)
    )
    return simulate(replace(FADED, plant=plant))


def alarms(simulation: Simulation) -> list[str]:
    return [a.name for a in simulation.core.alarms.status().alarms if a.active]


def test_a_gauge_that_freezes_in_the_light_holds_though_the_blanket_is_off() -> None:
    simulation = simulate()
    start(simulation, contact=CONTACT)
    until_light(simulation, 2.0)
    simulation.unit.inject(faults.GaugeStuck(VACUUM))
    simulation.unit.inject(BLANKET_OFF)
    struck = simulation.now
    until(simulation, State.HOLDING, 5.0)
    assert simulation.now - struck < 0.8
    until(simulation, State.HELD, 5.0)
    assert simulation.unit.vacuum_kpa < 20.0  # and the gauge said all was well
    assert "the vacuum gauge is stuck" in exposure(simulation).status().reason
    simulation.run(lambda: False, 1.0)
    assert "gauge stuck" in alarms(simulation)
    simulation.unit.undo(BLANKET_OFF)
    simulation.command("restart")
    until(simulation, State.HELD, 2.0)  # it still stands: no hold test can pass with it
    simulation.unit.undo(faults.GaugeStuck(VACUUM))
    simulation.run(lambda: False, 0.5)
    simulation.command("restart")
    until(simulation, State.COMPLETE, 120.0)


def test_a_gauge_that_freezes_in_the_hold_test_gives_no_light() -> None:
    simulation = simulate()
    start(simulation, contact=CONTACT)
    simulation.run(lambda: simulation.unit.vacuum_kpa > CONTACT.low_kpa + 5.0, 60.0)
    simulation.unit.inject(faults.GaugeStuck(VACUUM))
    simulation.unit.inject(BLANKET_OFF)
    until(simulation, State.HELD, 5.0)
    assert exposure(simulation).light_s == 0.0
    assert "the vacuum gauge is stuck" in exposure(simulation).status().reason


@pytest.mark.parametrize(
    "pump", [{}, {"pulsation_kpa": 0.4}, {"rests_at_kpa_abs": 18.0, "resumes_at_kpa_abs": 18.3}]
)
def test_a_gauge_without_noise_is_never_called_frozen(pump: dict[str, float]) -> None:
    simulation = with_gauge(COARSE, leaks=(), **pump)
    start(simulation, contact=CONTACT, target_dose_mj_cm2=120.0)
    until(simulation, State.COMPLETE, 200.0)
    assert not [text for text in texts(simulation) if "gauge is stuck" in text]
    assert "gauge stuck" not in alarms(simulation)


def test_slow_and_heavy_noise_is_never_called_frozen() -> None:
    noise = GaugeNoise(slow_lsb=1.0, slow_s=0.5, heavy_lsb=0.5)
    plant = PlantParameters(sensors=SensorParameters(vacuum_noise=noise))
    simulation = simulate(replace(FADED, plant=plant))
    start(simulation, contact=CONTACT, target_dose_mj_cm2=120.0)
    until(simulation, State.COMPLETE, 200.0)
    assert not [text for text in texts(simulation) if "gauge is stuck" in text]


VENTED = replace(CONTACT, vented_after_s=2.0)


@pytest.mark.parametrize("fault", [
    faults.GaugeShifts(VACUUM, counts=60.0), faults.GaugeShifts(VACUUM, counts=-36.0)
])  # fmt: skip
def test_a_gauge_that_is_off_zero_of_a_vented_frame_holds_before_light(
    fault: faults.Fault,
) -> None:
    simulation = simulate()
    simulation.unit.inject(fault)
    start(simulation, contact=VENTED)
    until(simulation, State.HELD, 1.0)
    assert "with the frame open" in exposure(simulation).status().reason
    simulation.run(lambda: False, 1.0)
    assert "gauge off zero" in alarms(simulation)


@pytest.mark.parametrize("vented_after_s", [None, 2.0, 60.0])
def test_zero_is_claimed_only_where_the_frame_is_known_to_be_vented(
    vented_after_s: float | None,
) -> None:
    simulation = simulate()
    start(simulation, contact=replace(CONTACT, vented_after_s=vented_after_s))
    until(simulation, State.COMPLETE, 120.0)
    held = next(o for o in simulation.outputs if isinstance(o, EventNoted)
                and isinstance(o.event, ContactHeld))  # fmt: skip
    if vented_after_s == 2.0:
        assert held.event.vented_kpa == pytest.approx(0.0, abs=0.1)
    else:
        assert held.event.vented_kpa is None


def test_after_a_hold_the_frame_is_not_vented_and_nothing_is_claimed() -> None:
    simulation = simulate()
    start(simulation, contact=VENTED)
    until_light(simulation, 1.0)
    simulation.command("hold", "by hand")
    until(simulation, State.HELD, 5.0)
    simulation.run(lambda: False, 10.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE, 120.0)
