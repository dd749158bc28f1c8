"""Counts of the inputs that somebody looks at, from a simulated unit's own samples."""

import pytest

from platelink.control.light.request import ExposureRequest
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import WARM_UNIT
from platelink.unit.job import Job
from platesim.unit import SimulatedUnit


def simulation(seed: int = 3) -> Simulation:
    unit = SimulatedUnit(WARM_UNIT, seed)
    made = Simulation(unit, make_core(WARM_UNIT, expected_mw_cm2=12.0))
    made.run(lambda: made.core.up, 5.0)
    made.run(lambda: False, 3.0)
    return made


def looked(this: Simulation, sensor: str, seconds: float):
    """Looked at twice a second, as a person's screen does it."""
    counting = this.core.converter.counting
    for _ in range(round(2.0 * seconds)):
        counting.look(sensor, now=this.now)
        this.run(lambda: False, 0.5)
    return counting.look(sensor, now=this.now)


def test_the_dark_of_a_light_channel() -> None:
    now = looked(simulation(), "light 0", 17.0)
    assert now.settled.settled, now.settled.text
    counts = now.settled.counts
    assert counts is not None
    assert counts.mean == pytest.approx(18.4, abs=0.1)
    assert counts.rms == pytest.approx((0.7**2 + 1 / 12) ** 0.5, rel=0.25)
    assert counts.low is not None and counts.high is not None
    assert counts.low <= 17 and counts.high >= 20
    assert counts.head_c == pytest.approx(23.0, abs=1.0)
    assert now.x is None and now.value is not None


def test_light_settles_when_the_lamps_are_warm_and_tells_what_they_give() -> None:
    this = simulation()
    this.expose(Job("run-1", "film", ExposureRequest(3000.0, None, max_light_s=300.0)))
    early = looked(this, "light 0", 12.0)
    assert not early.settled.settled  # lamps warm up
    late = looked(this, "light 0", 150.0)
    assert late.settled.settled, late.settled.text
    counts, truth = late.settled.counts, WARM_UNIT.plant.sensors.light[0]
    assert counts is not None and late.value is not None and counts.head_c is not None
    response = 1.0 + truth.temperature_coefficient_per_c * (counts.head_c - truth.reference_c)
    seen = (counts.mean - truth.dark_counts) / truth.counts_per_mw_cm2 / response
    assert late.value == pytest.approx(seen, rel=0.01)


def test_vacuum_and_oven_tell_the_value_of_the_configured_characteristic() -> None:
    this = simulation()
    vacuum, oven = looked(this, "vacuum", 9.0), looked(this, "oven", 70.0)
    assert vacuum.settled.settled and vacuum.x == pytest.approx(0.0, abs=0.2)
    assert oven.settled.counts is not None
    assert oven.settled.counts.low is None  # the device does not tell it
    assert oven.x == pytest.approx(57.7, abs=1.5)


def test_a_restart_of_the_device_begins_the_reading_anew() -> None:
    from platelink.link.messages import ResetCause

    this = simulation()
    assert looked(this, "light 0", 17.0).settled.settled
    this.unit.reset_device(ResetCause.POWER_ON)
    now = looked(this, "light 0", 3.0)
    assert not now.settled.settled
    assert now.settled.counts is None or now.settled.counts.mean == pytest.approx(18.4, abs=0.3)


def test_what_is_not_looked_at_is_not_kept() -> None:
    this = simulation()
    looked(this, "light 0", 2.0)
    this.run(lambda: False, 20.0)
    assert this.core.converter.counting.watched == {}


@pytest.mark.parametrize("sensor", ["light 4", "light", "door", "light x", "vacuum 1", "light -1"])
def test_a_sensor_that_is_not_there_is_named_with_those_that_are(sensor: str) -> None:
    counting = simulation().core.converter.counting
    with pytest.raises(ValueError, match="there are: light 0, vacuum, oven, head"):
        counting.look(sensor, now=0.0)
    assert counting.watched == {}


def test_a_unit_without_a_gauge_has_no_vacuum() -> None:
    counting = simulation().core.converter.counting
    counting.vacuum = None
    with pytest.raises(ValueError, match="no sensor 'vacuum'"):
        counting.look("vacuum", now=0.0)
