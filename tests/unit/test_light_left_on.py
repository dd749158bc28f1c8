"""Light that goes on after its order is told, sounded and counted; complete is only what is dark
and as asked for."""

from __future__ import annotations

import pytest

from platelink.control.states import ENDED, Learned, State
from platelink.link import messages as m
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import Refused
from platesim.faults import DeviceResets, RelayWelds
from unit.test_core_odd import OddWire
from unit.unit_core import DOSE, exposure, simulate, start, texts, until, until_light

BEEPER = 1 << m.Output.BEEPER
NEXT_ACT = "switch the unit off at its main switch"


def called(simulation: Simulation) -> bool:
    alarms = simulation.core.alarms.status().alarms
    return any(a.name == "light still on" and a.active for a in alarms)


def welded(**changes: object) -> Simulation:
    simulation = simulate()
    start(simulation, **changes)
    until_light(simulation)
    simulation.unit.inject(RelayWelds())
    return simulation


def closed(simulation: Simulation) -> None:
    outputs = simulation.unit.board
    assert simulation.run(lambda: not outputs.outputs & m.LAMP_BIT, 120.0)


def dark_again(simulation: Simulation) -> None:
    """The main switch: the lamps are dark, and stay so."""
    simulation.unit.undo(RelayWelds())
    assert not simulation.unit.lamp_on


@pytest.mark.parametrize("command", ["", "hold", "stop", "abort"])
def test_a_welded_relay_calls_sounds_and_is_counted(command: str) -> None:
    simulation = welded()
    if command:
        simulation.command(command, "asked")
    closed(simulation)
    assert simulation.run(lambda: simulation.core.bed.watch.left_on, 0.5)
    assert called(simulation)
    assert simulation.run(lambda: bool(simulation.unit.board.outputs & BEEPER), 0.2)
    simulation.run(lambda: False, 25.0)
    assert exposure(simulation).state not in ENDED
    assert simulation.unit.board.outputs & BEEPER or simulation.run(
        lambda: bool(simulation.unit.board.outputs & BEEPER), 1.0
    )
    dark_again(simulation)
    simulation.run(lambda: exposure(simulation).state in {*ENDED, State.HELD}, 3.0)
    ends = {"": State.HELD, "hold": State.HELD, "stop": State.STOPPED, "abort": State.ABORTED}
    assert exposure(simulation).state is ends[command]
    assert exposure(simulation).dose_mj_cm2 == pytest.approx(
        simulation.unit.true_dose_mj_cm2(), rel=0.005
    )
    simulation.run(lambda: False, 1.0)
    assert not called(simulation)


def test_too_much_light_is_never_complete_and_waits_for_a_persons_word() -> None:
    simulation = welded()
    closed(simulation)
    simulation.run(lambda: False, 5.0)
    assert NEXT_ACT in exposure(simulation).status().reason
    dark_again(simulation)
    until(simulation, State.HELD, 3.0)
    reason = exposure(simulation).status().reason
    assert "may not have been given" in reason and "still on" not in reason
    simulation.command("restart", "lamps on")
    assert exposure(simulation).state is State.HELD
    refused = next(text for text in reversed(texts(simulation)) if "restart refused" in text)
    assert "more than the target" in refused
    simulation.command("stop", "rejected")
    assert exposure(simulation).state is State.STOPPED


def test_nothing_begins_or_goes_on_while_light_is_left_on() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.command("hold", "asked")
    until(simulation, State.HELD)
    simulation.unit.lamps.switch(True, simulation.unit.time_s)
    simulation.unit.plant.changed()
    simulation.unit.welded = True
    assert simulation.run(lambda: called(simulation), 1.5)
    simulation.command("restart")
    refused = [o.text for o in simulation.outputs if isinstance(o, Refused)]
    assert refused and NEXT_ACT in refused[-1]
    assert exposure(simulation).state is State.HELD
    simulation.command("stop", "asked")
    start(simulation, "run-2")
    refused = [o.text for o in simulation.outputs if isinstance(o, Refused)]
    assert len(refused) == 2 and NEXT_ACT in refused[-1]


def test_a_relay_that_opens_late_holds_though_the_dose_is_right() -> None:
    simulation = welded(target_dose_mj_cm2=500.0)
    closed(simulation)
    simulation.run(lambda: simulation.core.bed.watch.left_on, 1.0)
    dark_again(simulation)
    until(simulation, State.HELD, 3.0)
    assert "relay checked" in exposure(simulation).status().reason
    simulation.command("restart", "lamps on")
    assert exposure(simulation).state is State.COMPLETE


def test_light_that_never_ends_ends_the_exposure_in_time() -> None:
    simulation = welded()
    closed(simulation)
    until(simulation, State.ABORTED, 610.0)
    assert "judge the plate" in exposure(simulation).status().reason
    assert exposure(simulation).dose_mj_cm2 > 20.0 * DOSE
    assert simulation.run(lambda: called(simulation), 1.0)
    assert simulation.unit.lamp_on


def test_a_device_that_restarts_under_a_welded_relay_completes_nothing() -> None:
    simulation = welded(target_dose_mj_cm2=500.0)
    closed(simulation)
    simulation.run(lambda: False, 0.15)
    simulation.unit.inject(DeviceResets())
    simulation.run(lambda: exposure(simulation).state in {*ENDED, State.HELD}, 30.0)
    assert exposure(simulation).state is not State.COMPLETE
    assert simulation.run(lambda: called(simulation), 1.0)


def test_after_glow_is_not_light_left_on() -> None:
    simulation = simulate()
    start(simulation)
    simulation.run(lambda: called(simulation), 40.0)
    assert exposure(simulation).state is State.COMPLETE
    assert not called(simulation)


def test_nothing_is_complete_while_host_and_device_disagree_at_the_end() -> None:
    simulation = simulate()

    def change(message: object) -> object:
        if isinstance(message, m.OrderReport):
            return message._replace(order_sum=round(1.03 * message.order_sum))
        return message

    OddWire(simulation, change)
    start(simulation)
    until(simulation, State.HELD)
    assert "differ" in exposure(simulation).status().reason
    simulation.command("restart")
    assert exposure(simulation).state is State.HELD


def test_an_end_short_of_its_dose_is_not_complete_and_its_remainder_can_be_given() -> None:
    """A lesson may say more after-glow than there is."""
    simulation = simulate(learned=Learned(afterglow_s=0.5, irradiance_mw_cm2=7.0))
    start(simulation)
    until(simulation, State.HELD)
    assert "less than the target" in exposure(simulation).status().reason
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
