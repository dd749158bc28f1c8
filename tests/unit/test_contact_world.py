"""Contact on a simulated unit whose world contradicts: pumps, valves, weather, blankets, gauges."""

from __future__ import annotations

from dataclasses import replace

import pytest

from platelink.control.contact.noise import NoiseModel
from platelink.control.states import State
from platelink.events.light import ContactHeld, ContactWeaker, Holding
from platelink.simulated.harness import AIR_KPA, Simulation
from platelink.unit.outputs import EventNoted
from platesim import faults
from platesim.plant import PlantParameters
from platesim.sensors import VACUUM, GaugeNoise, LinearSensor, SensorParameters
from platesim.vacuum import Leak, VacuumParameters
from unit.unit_core import CONTACT, FADED, exposure, simulate, start, texts, until, until_light

TIGHT = Leak(0.002)
STILL = GaugeNoise()


def unit_with(
    noise: GaugeNoise = STILL, absolute: bool = False, seed: int = 3, **vacuum: object
) -> Simulation:
    sensors = SensorParameters(vacuum_noise=noise, vacuum_is_absolute=absolute)
    if absolute:
        sensors = replace(sensors, vacuum=LinearSensor(zero_counts=20.0, counts_per_unit=8.5))
    plant = PlantParameters(sensors=sensors, vacuum=VacuumParameters(**vacuum))
    return simulate(replace(FADED, plant=plant), seed)


def events(simulation: Simulation, kind: type) -> list:
    return [o.event for o in simulation.outputs
            if isinstance(o, EventNoted) and isinstance(o.event, kind)]  # fmt: skip


def complete(simulation: Simulation, **changes: object) -> None:
    start(simulation, contact=CONTACT, target_dose_mj_cm2=120.0, **changes)
    until(simulation, State.COMPLETE, 200.0)


# --- what is no leak -----------------------------------------------------------------------------

PUMPS = {
    "beats": {"pulsation_kpa": 0.4},
    "cycles by 1 kPa": {
        "rests_at_kpa_abs": 17.0, "resumes_at_kpa_abs": 18.0, "leaks": (Leak(0.006),)
    },
    "warms up": {"warms_by_kpa": 3.0, "warms_s": 30.0},
    "blanket bounces": {"bounce_kpa": 2.0},
    "weather": {"weather_kpa_per_h": -2.0},
}  # fmt: skip
GAUGES = {
    "white": STILL,
    "slow": GaugeNoise(slow_lsb=1.8, slow_s=2.0),  # 0.2 kPa
    "swings": GaugeNoise(swing_lsb=1.8, swing_hz=0.5, swing_s=1.0),
    "heavy": GaugeNoise(heavy_lsb=3.0),
    "tone": GaugeNoise(tone_lsb=3.0),
    "sawtooth": GaugeNoise(saw_lsb=2.5, saw_s=12.0),  # 0.96 kPa from top to bottom
}
LENIENT = replace(CONTACT, fall_limit_kpa_per_min=20.0)


@pytest.mark.parametrize("pump", PUMPS)
@pytest.mark.parametrize("gauge", ["white", "tone"])
def test_what_a_healthy_pump_does_holds_nothing(pump: str, gauge: str) -> None:
    simulation = unit_with(GAUGES[gauge], **PUMPS[pump])
    start(simulation, contact=LENIENT, target_dose_mj_cm2=240.0)
    until(simulation, State.COMPLETE, 240.0)
    assert not events(simulation, ContactWeaker)


@pytest.mark.parametrize("gauge", GAUGES)
def test_a_noisy_gauge_holds_nothing_before_and_after_its_noise_is_known(gauge: str) -> None:
    simulation = unit_with(GAUGES[gauge])
    past = simulation.core.bed.gauge.past
    for i in range(9):
        start(simulation, f"run-{i}", contact=LENIENT, target_dose_mj_cm2=400.0)
        until(simulation, State.COMPLETE, 400.0)
    assert not events(simulation, ContactWeaker)
    model = past.model(1.0 / CONTACT.false_hold_every_min)
    assert model.minutes > 5.0 and isinstance(model, NoiseModel)
    held = events(simulation, ContactHeld)[-1]
    assert past.usual.vacuum_kpa == pytest.approx(held.vacuum_kpa, abs=1.0)
    assert held.settles_s == pytest.approx(5.0, rel=0.15)  # V / S of the plant


# --- what is one ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("fault", "cause"),
    [(faults.LeakOpens(Leak(1.0)), "sudden"), (faults.LeakOpens(Leak(0.0, growth_l_s2=0.01)),
     "creeping"), (faults.GaugeStuck(VACUUM), "gauge")],
)  # fmt: skip
def test_the_record_of_a_hold_says_its_cause(fault: faults.Fault, cause: str) -> None:
    simulation = unit_with()
    start(simulation, contact=CONTACT, target_dose_mj_cm2=400.0)
    until_light(simulation, 3.0)
    simulation.unit.inject(fault)
    until(simulation, State.HELD, 60.0)
    (holding,) = events(simulation, Holding)
    assert holding.cause == cause and holding.data() == {"cause": cause}


def test_a_hold_by_hand_is_of_a_person() -> None:
    simulation = unit_with()
    start(simulation, contact=CONTACT)
    until_light(simulation, 1.0)
    simulation.command("hold", "by hand")
    assert events(simulation, Holding)[0].data() == {"cause": "person"}


def test_a_pump_that_stops_is_told_by_its_beat() -> None:
    """Once the unit knows how its pump beats."""
    simulation = unit_with(pulsation_kpa=1.5, pulsation_hz=23.0, leaks=(Leak(0.02),))
    for i in range(9):
        start(simulation, f"run-{i}", contact=LENIENT, target_dose_mj_cm2=400.0)
        until(simulation, State.COMPLETE, 400.0)
    start(simulation, "last", contact=LENIENT, target_dose_mj_cm2=900.0)
    until_light(simulation, 3.0)
    simulation.unit.inject(faults.PumpStops())
    until(simulation, State.HELD, 90.0)
    assert events(simulation, Holding)[-1].cause == "pump"
    assert "that the pump runs" in exposure(simulation).status().reason


# --- a check valve -------------------------------------------------------------------------------

VALVE = replace(CONTACT, pump_off_test_s=2.0)


def test_a_constant_leak_shows_with_the_pump_off_and_gives_no_light() -> None:
    """0.05 L/s into 8 L: 38 kPa/min; against the pump it is 3 kPa less, in the band, and steady."""
    for leak, state in ((TIGHT, State.COMPLETE), (Leak(0.05), State.HELD)):
        simulation = unit_with(vents_when_off=False, leaks=(leak,))
        start(simulation, contact=VALVE)
        until(simulation, state, 120.0)
        if state is State.HELD:
            assert exposure(simulation).light_s == 0.0
            assert "a leak hidden by the pump" in exposure(simulation).status().reason
    without = unit_with(vents_when_off=False, leaks=(Leak(0.05),))
    complete(without)  # nothing else shows it


def test_a_frame_that_vents_fails_the_pump_off_test() -> None:
    simulation = unit_with()
    start(simulation, contact=VALVE)
    until(simulation, State.HELD, 60.0)
    assert "with the pump off, the vacuum falls" in exposure(simulation).status().reason


# --- an early word -------------------------------------------------------------------------------


def test_a_frame_that_will_not_reach_its_band_is_told_early() -> None:
    simulation = unit_with(leaks=(Leak(0.8),))
    start(simulation, contact=replace(CONTACT, low_kpa=60.0, pull_down_limit_s=60.0))
    began = simulation.now
    until(simulation, State.HELD, 60.0)
    assert simulation.now - began < 25.0
    reason = exposure(simulation).status().reason
    assert "will reach 3" in reason and "needs 60.0 kPa" in reason


# --- the air of today ----------------------------------------------------------------------------

ABSOLUTE = replace(CONTACT, low_kpa=55.0, vented_after_s=2.0, vented_kpa=8.0, barometer_kpa=AIR_KPA)


@pytest.mark.parametrize("air_kpa", [97.0, 101.325, 104.0])
def test_an_absolute_gauge_is_read_against_the_air_of_today(air_kpa: float) -> None:
    simulation = unit_with(absolute=True, atmosphere_kpa_abs=air_kpa)
    start(simulation, contact=ABSOLUTE)
    until(simulation, State.COMPLETE, 120.0)
    (held,) = events(simulation, ContactHeld)
    assert held.vented_kpa == pytest.approx(AIR_KPA - air_kpa, abs=0.1)
    assert held.vacuum_kpa == pytest.approx(air_kpa - 15.0, abs=0.6)  # the true one


@pytest.mark.parametrize(("low_kpa", "state"), [(70.0, State.COMPLETE), (90.0, State.HELD)])
def test_more_than_the_air_pressure_of_today_is_refused_as_unreachable(
    low_kpa: float, state: State
) -> None:
    """88 kPa, as at 1,200 m: by the barometer it was told, 101.3 kPa, 90 kPa could be reached."""
    limits = replace(ABSOLUTE, low_kpa=low_kpa, vented_kpa=15.0)
    simulation = unit_with(absolute=True, atmosphere_kpa_abs=88.0)
    start(simulation, contact=limits)
    until(simulation, state, 120.0)
    if state is State.HELD:
        reason = exposure(simulation).status().reason
        assert "the air pressure is 88.0 kPa today" in reason and "90.0 kPa" in reason
        assert not [text for text in texts(simulation) if "contact held" in text]
