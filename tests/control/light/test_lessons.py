"""What odd runs teach: the plate after them has its dose. Judged by the plant's own light."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace

import pytest
from unit.test_core_odd import OddWire
from unit.unit_core import CONTACT, DOSE, exposure, simulate, start, until, until_light, when

from platelink.control.light.dose import Point
from platelink.control.light.lessons import Lessons
from platelink.control.light.readiness import DarkReading
from platelink.control.states import ENDED, Forecast, Learned, State
from platelink.link import messages as m
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted
from platesim.faults import (
    ContactorSticks,
    Fault,
    LampsDoNotStrike,
    RelayWelds,
    SensorDimmed,
    StrayLight,
)

EXPECTED_MW_CM2 = 7.0
"""Of fresh lamps, as ``simulate`` has it."""
KNOWN = Learned(0.005)


@contextmanager
def fault(simulation: Simulation, what: Fault) -> Iterator[None]:
    simulation.unit.inject(what)
    yield
    simulation.unit.undo(what)


def next_plate_off_pct(simulation: Simulation) -> float:
    start(simulation, "next")
    until(simulation, State.COMPLETE)
    return 100.0 * (simulation.unit.true_dose_mj_cm2() / DOSE - 1.0)


def events(simulation: Simulation) -> list[EventNoted]:
    return [o for o in simulation.outputs if isinstance(o, EventNoted)]


def weld(simulation: Simulation) -> None:
    until_light(simulation)
    with fault(simulation, RelayWelds()):
        simulation.run(lambda: exposure(simulation).state in ENDED, 15.0)


def stray_after_light(simulation: Simulation) -> None:
    until_light(simulation)
    when(simulation, lambda e: e.step == "tail", 60.0)
    with fault(simulation, StrayLight(1.0)):
        simulation.run(lambda: exposure(simulation).state in ENDED, 15.0)


def saturate(simulation: Simulation) -> None:
    until_light(simulation)
    with fault(simulation, SensorDimmed(0, 4.0)):
        when(simulation, lambda e: e.step == "tail", 60.0)
        simulation.run(lambda: False, 0.2)


def no_strike(simulation: Simulation) -> None:
    with fault(simulation, LampsDoNotStrike()):
        until(simulation, State.HELD, 60.0)


def cut_short(simulation: Simulation) -> None:
    until_light(simulation)


def other_account(simulation: Simulation) -> None:
    """The device's own dose is 3 % more than ours."""

    def change(message: object) -> object:
        if not isinstance(message, m.OrderReport):
            return message
        return message._replace(order_sum=message.order_sum * 103 // 100)

    OddWire(simulation, change)
    simulation.run(lambda: exposure(simulation).state in (*ENDED, State.HELD), 60.0)
    simulation.run(lambda: False, 3.0)
    del simulation.unit.read


@pytest.mark.parametrize(
    "harm", [weld, stray_after_light, saturate, no_strike, cut_short, other_account]
)
def test_an_odd_run_teaches_nothing(harm: Callable[[Simulation], None]) -> None:
    simulation = simulate(learned=KNOWN)
    start(simulation)
    harm(simulation)
    if exposure(simulation).state not in ENDED:
        simulation.command("hold")
        until(simulation, State.HELD, 10.0)
        simulation.command("stop")
    assert not any(o.name == "learned" for o in events(simulation))
    simulation.run(lambda: False, 3.0)
    assert abs(next_plate_off_pct(simulation)) < 0.05


def test_the_remainder_of_an_exposure_whose_lamp_did_not_strike_is_given() -> None:
    simulation = simulate(learned=KNOWN)
    start(simulation)
    no_strike(simulation)
    simulation.command("restart", "lamps off")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=1e-3)


def hidden(simulation: Simulation) -> None:
    """Something lies on the sensor, and a person holds the exposure."""
    until_light(simulation)
    with fault(simulation, SensorDimmed(0, 0.05)):
        simulation.run(lambda: False, 0.5)
        simulation.command("hold")
        simulation.run(lambda: exposure(simulation).state is State.HELD, 10.0)


@pytest.mark.parametrize("harm", [saturate, hidden])
def test_a_remainder_is_not_planned_by_a_doubtful_stretch(
    harm: Callable[[Simulation], None],
) -> None:
    simulation = simulate()
    start(simulation)
    harm(simulation)
    until(simulation, State.HELD, 10.0)
    simulation.command("restart", "lamps off")  # whatever they did
    status = exposure(simulation).status()
    simulation.run(lambda: exposure(simulation).step == "light", 20.0)
    armed = [o.data["predicted_s"] for o in events(simulation) if o.name == "armed"]
    assert len(armed) == 2
    likely_mj_cm2 = status.dose_mj_cm2 + status.uncertain_mj_cm2 / 2.0
    left_mj_cm2 = status.target_dose_mj_cm2 - likely_mj_cm2
    assert armed[1] == pytest.approx(left_mj_cm2 / EXPECTED_MW_CM2, rel=0.01)


def test_stray_light_that_creeps_in_is_compared_with_the_calibration() -> None:
    simulation = simulate(learned=KNOWN)
    with fault(simulation, StrayLight(0.1)):
        start(simulation)
        until_light(simulation)
        simulation.command("hold")
        until(simulation, State.HELD, 10.0)
    with fault(simulation, StrayLight(0.12)):  # too little more to be refused by itself
        simulation.command("restart")
        until(simulation, State.RESTARTING, 1.0)
        until(simulation, State.HELD, 10.0)
        assert "keep stray light off the sensor" in exposure(simulation).status().reason


def test_a_lesson_that_stands_alone_waits_for_the_next() -> None:
    """A contactor that dropped late once: within what can be, but not what this unit does."""
    simulation = simulate(learned=KNOWN)
    assert abs(next_plate_off_pct(simulation)) < 0.05
    start(simulation)
    with fault(simulation, ContactorSticks(0.05)):
        until(simulation, State.COMPLETE)
    learned = [o.data["afterglow_s"] for o in events(simulation) if o.name == "learned"]
    assert len(learned) == 2 and learned[1] > 0.05
    simulation.run(lambda: False, 3.0)
    for _ in range(3):
        assert abs(next_plate_off_pct(simulation)) < 0.05


def test_stray_light_is_refused_and_once_removed_gone() -> None:
    simulation = simulate(learned=KNOWN)
    with fault(simulation, StrayLight(0.3)):
        start(simulation)
        until(simulation, State.HELD, 10.0)
        assert "keep stray light off the sensor" in exposure(simulation).status().reason
        simulation.command("restart")
        until(simulation, State.RESTARTING, 1.0)
        until(simulation, State.HELD, 10.0)
        assert simulation.unit.light_on_truth_s == 0.0
    simulation.unit.mark()
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=1e-3)


def test_stray_light_that_ends_in_the_dark_reading_is_not_averaged_into_it() -> None:
    simulation = simulate(learned=KNOWN)
    start(simulation, contact=CONTACT)
    with fault(simulation, StrayLight(0.1)):  # less than is refused
        simulation.run(lambda: False, 2.0)
    simulation.unit.mark()
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=1e-3)


def test_a_dark_reading_waits_until_what_came_and_went_in_it_is_a_second_ago() -> None:
    """15 counts more for 0.2 s; halves of the reading may tell the same."""
    reading, total, told = DarkReading(), 0, []
    for frame in range(60):
        total += 50 * (35 if 20 <= frame < 24 else 20)
        reading.add(Point(50 * frame, (total,), (50 * frame,), 0.001, None))
        told.append(reading.counts())
    assert told == [None] * 43 + [[20.0]] * 17


def test_lessons_are_bounded_and_by_their_median() -> None:
    lessons = Lessons(KNOWN, 10.0)
    for odd in (
        Learned(0.6, 1.0, 9.0), Learned(-0.1, 1.0, 9.0), Learned(0.01, 61.0, 9.0),
        Learned(0.01, 1.0, None), Learned(0.01, 1.0, 0.0), Learned(0.01, 1.0, 1.9),
        Learned(0.01, 1.0, 31.0), Learned(math.nan, 1.0, 9.0), Learned(0.01, math.nan, 9.0),
        Learned(0.01, 1.0, math.nan),
    ):  # fmt: skip
        assert not lessons.take(odd), odd
    assert lessons.in_force == KNOWN
    assert lessons.take(Learned(0.010, 1.0, 9.0))
    assert lessons.in_force == Learned(0.010, 1.0, 9.0)
    assert lessons.take(Learned(0.4, 4.0, 3.0))
    assert lessons.in_force == Learned(0.010, 1.0, pytest.approx(6.3))
    lessons.take(Learned(0.012, 1.4, 9.2))
    assert lessons.in_force == Learned(0.012, 1.4, 9.2)
    for _ in range(4):  # lamps that are others now
        lessons.take(Learned(0.4, 4.0, 5.0))
    assert replace(lessons.in_force, forecast=None) == Learned(0.4, 4.0, 5.0)
    lessons.drop()
    assert lessons.in_force == KNOWN


def test_the_newest_exposures_foretell_the_next_whatever_one_of_them_says() -> None:
    """Between 0.7 of the weakest and the strongest over 0.7, one odd one at either end left out."""
    lessons = Lessons(KNOWN, EXPECTED_MW_CM2)
    for irradiance in (6.0, 6.1, 6.3, 2.0):
        lessons.take(Learned(0.005, 0.5, irradiance))
    assert lessons.in_force.forecast is None
    lessons.take(Learned(0.005, 0.5, 15.0))
    assert lessons.in_force.forecast == Forecast(pytest.approx(0.7 * 6.0), pytest.approx(6.3 / 0.7))
    for _ in range(15):  # older ones foretell nothing any more
        lessons.take(Learned(0.005, 0.5, 5.0))
    assert lessons.in_force.forecast == Forecast(pytest.approx(3.5), pytest.approx(5.0 / 0.7))
