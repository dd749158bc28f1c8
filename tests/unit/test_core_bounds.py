"""Devices that do not end their light, forget what they were told, or never say that it is dark."""

from __future__ import annotations

import pytest

from platelink.control.states import State, Step
from platelink.link import messages as m
from platelink.link.framing import encode
from platelink.simulated.harness import Simulation
from platesim.faults import TubeFails
from unit.unit_core import (
    dark_for,
    deaf_to,
    exposure,
    simulate,
    start,
    until,
    until_light,
    when,
)

ENDS = [("hold", State.HELD), ("stop", State.STOPPED), ("abort", State.ABORTED)]


def another_host(simulation: Simulation) -> None:
    """Commands from elsewhere take the order away between two samples; none of it is a restart."""
    unit = simulation.unit
    arm = m.Arm(99, (1, 0, 0, 0), 0, 1000, 5000, 2000, 0)
    for command in (m.Close(m.ORDER_NONE), arm, m.Disarm(99)):
        unit.board.receive(encode(command, 7))
        simulation.run(lambda: False, 0.003)


def lit_by_surprise(simulation: Simulation) -> None:
    """A sample has just come, so that the next is 50 ticks away."""
    before = simulation.core.reading
    simulation.run(lambda: simulation.core.reading is not before, 1.0)


def test_a_device_that_forgot_its_order_ends_the_light_with_that_reason() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    lit_by_surprise(simulation)
    another_host(simulation)
    assert exposure(simulation).state is State.RUNNING
    until(simulation, State.HELD, 5.0)
    assert "lost its order" in exposure(simulation).status().reason
    assert exposure(simulation).dose_mj_cm2 == pytest.approx(
        simulation.unit.true_dose_mj_cm2(), rel=0.01
    )
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.01)


@pytest.mark.parametrize(("command", "end"), ENDS)
def test_a_device_that_forgot_its_order_is_no_reason_to_wait(command: str, end: State) -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    lit_by_surprise(simulation)
    another_host(simulation)
    simulation.command(command, "asked")
    until(simulation, end, 5.0)
    dark_for(simulation, 2.0)


def test_light_past_the_guard_time_is_ended_from_here() -> None:
    """The device's guard is spoiled, and its lamps are weaker than expected."""
    simulation = simulate(expected=30.0)
    start(simulation, target_dose_mj_cm2=120.0, guard_factor=1.0)
    until_light(simulation, 1.0)
    simulation.unit.board.spoil_guard(2**32 - 1)  # type: ignore[attr-defined]
    guard_s = 120.0 / 30.0 + 5.0
    seen = [exposure(simulation).status().remaining_s]
    while simulation.unit.lamp_on:
        simulation.step(simulation.now + 1.0)
        seen.append(exposure(simulation).status().remaining_s)
    until(simulation, State.HELD, 5.0)
    assert (
        "did not switch the light off at its guard time of 9 s"
        in exposure(simulation).status().reason
    )
    assert max(s for s in seen if s == s) <= guard_s, "more to go than the guard leaves"
    assert guard_s < simulation.unit.light_on_truth_s < 1.02 * guard_s + 1.5


@pytest.mark.parametrize(("command", "_end"), ENDS)
def test_a_light_that_is_not_said_to_be_off_is_waited_for_no_longer_than_its_time(
    command: str, _end: State
) -> None:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=300.0)
    until_light(simulation)
    deaf_to(simulation, m.Close)
    simulation.command(command, "asked")
    simulation.run(lambda: False, 5.0)
    assert simulation.unit.lamp_on and exposure(simulation).state is not State.RUNNING
    until(simulation, State.ABORTED, 5.0)
    assert "the lamps may be on: use the unit's own stop" in simulation.ended.reason


def test_an_opening_that_never_comes_is_over_after_five_seconds() -> None:
    simulation = simulate()
    start(simulation)
    deaf_to(simulation, m.Open)
    when(simulation, lambda e: e.step is Step.ARM, 30.0)
    began = simulation.now
    simulation.run(lambda: exposure(simulation).state is not State.RUNNING, 30.0)
    assert simulation.now - began == pytest.approx(1.2, abs=0.3)  # no answer to any of eight tries
    until(simulation, State.HELD, 5.0)
    dark_for(simulation, 2.0)


def test_an_order_taken_and_never_carried_out_is_over_after_five_seconds() -> None:
    """Open is answered, but the device's interrupt does not come to it."""
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.step is Step.ARM, 30.0)
    began = simulation.now
    exposure(simulation)._approach.answered = lambda command, code: _nothing()  # type: ignore[method-assign]
    simulation.run(lambda: exposure(simulation).state is not State.RUNNING, 30.0)
    assert simulation.now - began == pytest.approx(5.0, abs=0.3)
    assert "lamp not on 5 s after the order" in exposure(simulation).status().reason
    until(simulation, State.HELD, 5.0)


def _nothing() -> object:
    from platelink.control.light.approach import Found

    return Found()


def test_the_limit_of_light_counts_what_was_given_before_a_hold() -> None:
    """Held near its limit and restarted on lamps that have become weak: the limit ends it."""
    simulation = simulate()
    start(simulation, max_light_s=14.0, guard_factor=4.0)
    until_light(simulation, 8.0)
    simulation.command("hold", "")
    until(simulation, State.HELD, 10.0)
    for tube in (1, 2, 3, 4):
        simulation.unit.inject(TubeFails(tube))
    simulation.command("restart", "")
    until(simulation, State.HELD, 60.0)
    assert 13.5 < exposure(simulation).light_s <= 14.05
    simulation.command("restart", "")
    until(simulation, State.HELD, 30.0)
    assert "the limit leaves 0 of 14 s" in exposure(simulation).status().reason
    assert exposure(simulation).light_s <= 14.05
