"""Light as one value: any word for light is light, and what nobody has just said is not known."""

from __future__ import annotations

from platelink.contract.unit import Light
from platelink.control.states import State
from platelink.simulated.harness import Simulation
from platelink.unit.plate_view import unit_status
from platelink.unit.view import light_now
from platesim.faults import RelayWelds, SensorDimmed, Unplugged
from unit.unit_core import simulate, start, until, until_light


def light(simulation: Simulation) -> Light:
    return light_now(unit_status(simulation.core, now=simulation.now).light)


def test_light_is_on_while_its_order_is_open_and_dark_before_and_after() -> None:
    simulation = simulate()
    assert light(simulation).state == "unknown"
    start(simulation)
    assert light(simulation).state == "dark"
    until_light(simulation)
    seen = light(simulation)
    assert (seen.state, seen.measured, seen.output, seen.order) == ("on", True, True, 1)
    until(simulation, State.COMPLETE)
    assert light(simulation) == Light(
        state="dark", measured=False, output=False, order=None, left_on=False
    )


def test_light_without_a_sensor_is_light() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    simulation.run(lambda: not light(simulation).measured, 0.2)
    seen = light(simulation)
    assert (seen.state, seen.measured) == ("on", False)


def test_a_second_after_the_device_was_heard_light_is_not_known() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged())
    simulation.run(lambda: False, 0.9)
    assert light(simulation).state == "on"
    simulation.run(lambda: False, 0.3)
    assert simulation.unit.lamp_on
    assert light(simulation).state == "unknown"


def test_a_blind_sensor_s_dark_is_not_known_until_light_is_asked_for_again() -> None:
    """A relay that welds just then burns on unseen."""
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(RelayWelds())
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    until(simulation, State.HELD)
    assert simulation.unit.lamp_on and light(simulation).state == "unknown"
    simulation.command("stop", "judged")
    simulation.run(lambda: False, 5.0)
    assert simulation.unit.lamp_on and light(simulation).state == "unknown"
    simulation.unit.undo(RelayWelds())
    simulation.unit.undo(SensorDimmed(transmission=0.0))
    start(simulation, "run-2")
    simulation.run(lambda: False, 0.5)
    assert light(simulation).state == "dark"
    until(simulation, State.COMPLETE)
    assert light(simulation).state == "dark"
