"""The cable is out in the light: nothing old is shown, and nobody is told that it is off."""

from __future__ import annotations

import math

import pytest

from platelink.contract.unit import JournalNow
from platelink.control.states import State
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import Refused
from platelink.unit.plate_view import status_now
from platesim.faults import Unplugged
from unit.unit_core import dark_for, exposure, simulate, start, until, until_light

ENDS = [("hold", State.HELD), ("stop", State.STOPPED), ("abort", State.ABORTED)]


def shown(simulation: Simulation) -> dict[str, object]:
    status = status_now(
        simulation.core, "unit-1", journal=JournalNow(pending=0, fault=""), at=simulation.stamp
    )
    return status.model_dump()


def refusals(simulation: Simulation) -> list[str]:
    return [output.text for output in simulation.outputs if isinstance(output, Refused)]


def test_what_the_device_said_more_than_a_second_ago_is_not_shown() -> None:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=200.0)
    until_light(simulation)
    live = shown(simulation)
    assert live["light"]["state"] == "on" and live["reading"]["vacuum_kpa"] is not None
    assert live["exposure"]["dose_mj_cm2"] > 0.0
    simulation.unit.inject(Unplugged())
    simulation.run(lambda: False, 0.8)
    assert shown(simulation)["reading"] is not None
    simulation.run(lambda: False, 0.3)
    gone = shown(simulation)
    assert simulation.unit.lamp_on
    assert gone["reading"] is None and gone["light"]["state"] == "unknown"
    assert gone["exposure"]["state"] == "running"
    for name in ("dose_mj_cm2", "irradiance_mw_cm2", "remaining_s", "light_s"):
        assert gone["exposure"][name] is None, name


def test_what_is_dark_and_known_stays() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.command("hold")
    until(simulation, State.HELD)
    given = exposure(simulation).dose_mj_cm2
    simulation.unit.inject(Unplugged())
    simulation.run(lambda: False, 5.0)
    assert math.isclose(shown(simulation)["exposure"]["dose_mj_cm2"], given, abs_tol=1e-3)
    simulation.command("stop")
    assert not refusals(simulation) and exposure(simulation).state is State.STOPPED


@pytest.mark.parametrize(("command", "end"), ENDS)
@pytest.mark.parametrize("after_s", [0.6, 1.5, 5.0])
def test_light_that_cannot_be_switched_off_from_here_is_said_at_once(
    after_s: float, command: str, end: State
) -> None:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=200.0)
    until_light(simulation)
    simulation.unit.inject(Unplugged(), for_s=after_s + 1.0)
    simulation.run(lambda: False, after_s)
    simulation.command(command, "asked")
    assert refusals(simulation) == ["cannot reach the unit: use its stop button"]
    assert simulation.unit.lamp_on
    until(simulation, end, 10.0)  # as soon as the device hears
    dark_for(simulation, 2.0)


def test_a_device_that_hears_says_no_such_thing() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.command("hold")
    until(simulation, State.HELD, 5.0)
    assert not refusals(simulation)


def test_without_a_link_nobody_says_that_no_light_is_on() -> None:
    simulation = simulate()
    simulation.unit.inject(Unplugged())
    simulation.command("abort")
    assert refusals(simulation) == ["cannot reach the unit: use its stop button"]
