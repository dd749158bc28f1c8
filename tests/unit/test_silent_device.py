"""A device that falls silent in the light: what may have fallen meanwhile has a bound."""

from __future__ import annotations

import pytest

from platelink.control.states import State
from platelink.simulated.harness import Simulation
from platesim.faults import ClockJumps, DeviceHangs, Unplugged
from unit.unit_core import exposure, simulate, start, texts, until, when

Silence = DeviceHangs | Unplugged
GOING_ON = (State.RUNNING, State.RESTARTING)


def silent(fault: Silence, after_s: float) -> Simulation:
    """So long after the lamp's order was given."""
    simulation = simulate()
    start(simulation, max_light_s=16.0)
    when(simulation, lambda e: e.step in ("arm", "light"), 30.0)
    simulation.run(lambda: False, after_s)
    simulation.unit.inject(fault)
    return simulation


@pytest.mark.parametrize("fault", [DeviceHangs(), Unplugged()])
@pytest.mark.parametrize("after_s", [0.12, 0.6, 4.0])
def test_the_end_tells_the_most_that_fell(fault: Silence, after_s: float) -> None:
    simulation = silent(fault, after_s)
    until(simulation, State.ABORTED, 60.0)
    ended, true = simulation.ended, simulation.unit.true_dose_mj_cm2()
    assert ended is not None
    unknown = ended.uncertain_mj_cm2
    assert ended.dose_mj_cm2 - 0.1 <= true <= ended.dose_mj_cm2 + unknown
    assert f"up to {unknown:.1f} more may have been given" in ended.reason


def anew(simulation: Simulation) -> None:
    """It hangs for two seconds; the most that fell is neither more nor less than it can be."""
    simulation.unit.inject(DeviceHangs())
    simulation.run(lambda: False, 2.0)
    simulation.unit.undo(DeviceHangs())
    simulation.run(lambda: exposure(simulation).state not in GOING_ON, 10.0)
    tally, true = exposure(simulation)._tally, simulation.unit.true_dose_mj_cm2()
    assert tally.dose_mj_cm2 - 0.1 <= true <= tally.dose_mj_cm2 + tally.unknown_mj_cm2
    assert true > 5.0, texts(simulation)
    assert tally.unknown_mj_cm2 < 3.0 * 8.0


@pytest.mark.parametrize("after_s", [0.12, 0.6, 4.0])
def test_a_device_that_hung_and_starts_anew_has_the_bound_of_its_silence(after_s: float) -> None:
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.step == "light", 30.0)
    simulation.run(lambda: False, after_s)
    anew(simulation)


def test_it_may_have_begun_its_light_without_a_word() -> None:
    simulation = simulate()
    start(simulation)
    assert simulation.run(lambda: simulation.unit.lamp_on, 30.0)
    assert exposure(simulation).step == "arm"
    anew(simulation)


def test_it_cannot_be_up_for_longer_than_it_was_silent() -> None:
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.light_s > 1.0, 30.0)
    simulation.unit.inject(ClockJumps(-60_000))
    anew(simulation)
