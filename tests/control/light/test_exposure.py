"""Whole exposures against the simulated unit: every way to go wrong ends dark."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from unit import unit_core
from unit.unit_core import CONTACT, FADED, request, simulate

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import LIGHT_SENSOR_SATURATED
from platelink.control.light.exposure import Exposure
from platelink.control.light.request import Reciprocity
from platelink.control.states import DARK, ENDED, TRANSITIONS, Learned, State, diagram
from platelink.link import messages as m
from platelink.simulated.harness import Simulation
from platelink.unit.job import Job
from platelink.unit.outputs import EventNoted, Refused, RunSampled
from platesim.faults import (
    DeviceResets,
    InterlockOpens,
    LeakOpens,
    PumpStops,
    SensorDimmed,
    StopPressed,
    Unplugged,
)
from platesim.lamps import LampParameters
from platesim.vacuum import Leak

DOSE = 120.0
ASKED = {"target_dose_mj_cm2": DOSE, "contact": CONTACT}


def start(simulation: Simulation, **changes: object) -> None:
    unit_core.start(simulation, **(ASKED | changes))


def state(simulation: Simulation) -> State:
    assert simulation.core.bed.exposure is not None
    return simulation.core.bed.exposure.state


def until(simulation: Simulation, wanted: State, limit_s: float = 300.0) -> None:
    reached = simulation.run(lambda: state(simulation) is wanted, limit_s)
    assert reached, f"{state(simulation)} after {limit_s} s: {texts(simulation)[-5:]}"


def until_light(simulation: Simulation, seconds: float = 5.0) -> None:
    exposure = simulation.core.bed.exposure
    assert isinstance(exposure, Exposure)
    assert simulation.run(lambda: exposure.light_s >= seconds, 120.0), texts(simulation)


def texts(simulation: Simulation) -> list[str]:
    return [f"{o.name}: {o.text}" for o in simulation.outputs if isinstance(o, EventNoted)]


def dark_for(simulation: Simulation, seconds: float) -> None:
    """The lamp stays off, whatever the unit does."""
    end = simulation.now + seconds
    while simulation.now < end:
        simulation.step(end)
        assert not simulation.unit.lamp_on


def off_pct(simulation: Simulation) -> float:
    return 100.0 * (simulation.unit.true_dose_mj_cm2() / DOSE - 1.0)


def test_an_exposure_ends_at_its_dose_and_leaves_everything_off() -> None:
    simulation = simulate()
    start(simulation)
    until(simulation, State.COMPLETE)
    assert simulation.ended is not None
    assert abs(off_pct(simulation)) < 0.5  # the unit's first: its after-glow is not yet known
    dark_for(simulation, 3.0)
    assert simulation.unit.board.outputs & (1 << m.Output.VACUUM) == 0
    assert simulation.ended.device_dose_mj_cm2 == pytest.approx(DOSE, rel=0.01)


def test_the_second_exposure_knows_the_after_glow() -> None:
    simulation = simulate()
    for _ in range(2):
        start(simulation)
        until(simulation, State.COMPLETE)
    assert abs(off_pct(simulation)) < 0.05


def test_light_waits_for_contact() -> None:
    simulation = simulate()
    start(simulation)
    simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    held = [o for o in simulation.outputs if isinstance(o, EventNoted) and o.name == "contact held"]
    assert len(held) == 1
    assert simulation.unit.vacuum_kpa > CONTACT.low_kpa


def test_without_a_pump_it_is_held_with_the_reason() -> None:
    simulation = simulate()
    simulation.unit.inject(PumpStops())
    start(simulation)
    until(simulation, State.HELD, 60.0)
    assert any("vacuum not held after 40 s" in text for text in texts(simulation))
    dark_for(simulation, 5.0)


@pytest.mark.parametrize("p", [1.0, 0.85, 1.4])
def test_a_leak_holds_and_a_restart_gives_the_remainder(p: float) -> None:
    simulation = simulate(learned=Learned(0.005))
    start(simulation, reciprocity=Reciprocity(p))
    until_light(simulation)
    simulation.unit.inject(LeakOpens(Leak(1.5)), for_s=6.0)
    until(simulation, State.HELD, 10.0)
    dark_for(simulation, 8.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    true = simulation.unit.true_dose_mj_cm2(p, 10.0)
    assert true == pytest.approx(DOSE, rel=0.004)
    assert len(simulation.unit.stretches) == 2


def test_interlock_goes_dark_at_once_and_light_returns_only_on_restart() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(InterlockOpens(), for_s=4.0)
    simulation.run(lambda: False, 0.01)
    assert not simulation.unit.lamp_on
    until(simulation, State.HELD, 10.0)
    dark_for(simulation, 10.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert abs(off_pct(simulation)) < 0.5


def test_restart_with_the_lid_open_waits_dark() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.set_interlock(False)
    until(simulation, State.HELD, 10.0)
    simulation.command("restart")
    dark_for(simulation, 20.0)
    simulation.unit.set_interlock(True)
    until(simulation, State.COMPLETE)


def test_stop_button_ends_it_stopped() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(StopPressed(), for_s=1.0)
    until(simulation, State.STOPPED, 10.0)
    assert simulation.ended is not None and simulation.ended.dose_mj_cm2 < DOSE
    assert simulation.ended.dose_mj_cm2 == pytest.approx(
        simulation.unit.true_dose_mj_cm2(), rel=2e-3
    )


@pytest.mark.parametrize(
    ("command", "end"), [("hold", State.HELD), ("stop", State.STOPPED), ("abort", State.ABORTED)]
)
def test_commands_in_light(command: str, end: State) -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.command(command, "asked")
    until(simulation, end, 5.0)
    dark_for(simulation, 3.0)


@pytest.mark.parametrize("command", ["hold", "stop", "abort"])
@pytest.mark.parametrize("after_s", [0.1, 9.5, 10.1, 10.3, 10.5, 10.8, 11.0, 11.5])
def test_commands_around_the_opening_never_leave_light(command: str, after_s: float) -> None:
    simulation = simulate(replace(FADED, wire=replace(FADED.wire, loss=0.2)))
    start(simulation)
    simulation.run(lambda: False, after_s)
    simulation.command(command, "asked")
    assert simulation.run(lambda: state(simulation) in DARK, 20.0), texts(simulation)
    dark_for(simulation, 5.0)


def test_unplugged_in_light_still_ends_at_the_dose() -> None:
    simulation = simulate(learned=Learned(0.005))
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged(), for_s=20.0)
    until(simulation, State.COMPLETE, 120.0)
    assert abs(off_pct(simulation)) < 0.5
    assert any("link lost" in text for text in texts(simulation))


def test_a_device_that_never_comes_back_is_not_called_complete() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged())
    until(simulation, State.ABORTED, 120.0)
    assert "no reply from the device" in simulation.ended.reason


def test_a_short_brown_out_holds_and_can_be_restarted() -> None:
    simulation = simulate(learned=Learned(0.005))
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(DeviceResets())
    until(simulation, State.HELD, 10.0)
    dark_for(simulation, 2.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert abs(off_pct(simulation)) < 1.0  # the light of the last 50 ms is not known


def test_a_brown_out_behind_a_dead_link_is_aborted() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged(), for_s=5.0)
    simulation.run(lambda: False, 4.0)
    simulation.unit.inject(DeviceResets())
    until(simulation, State.ABORTED, 20.0)
    assert "not known" in simulation.ended.reason
    dark_for(simulation, 5.0)


@pytest.mark.parametrize("lit", [True, False], ids=["lit all the time", "dark at once"])
def test_a_restart_that_takes_its_time_leaves_a_dose_within_tolerance(lit: bool) -> None:
    """Nothing is heard for 0.3 s in which all or nothing may have fallen."""
    simulation = simulate(learned=Learned(0.005))
    start(simulation, target_dose_mj_cm2=200.0)
    until_light(simulation)
    if not lit:
        simulation.unit.inject(DeviceResets())
    simulation.unit.inject(Unplugged(), for_s=0.3)
    simulation.run(lambda: False, 0.29)
    simulation.unit.inject(DeviceResets())
    until(simulation, State.HELD, 10.0)
    assert "half of it is counted" in simulation.core.bed.exposure.status().reason
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(200.0, rel=0.01)


def test_no_light_is_unknown_after_the_device_s_own_start() -> None:
    """Its hello comes a second late and tells when it began."""
    simulation = simulate(learned=Learned(0.005))
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(DeviceResets())
    simulation.unit.inject(Unplugged(), for_s=3.0)
    until(simulation, State.HELD, 10.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert abs(off_pct(simulation)) < 1.0


def test_restarts_again_and_again_add_up() -> None:
    simulation = simulate(learned=Learned(0.005))
    start(simulation, target_dose_mj_cm2=200.0)
    for times in range(1, 6):
        until_light(simulation, 3.0 * times)
        simulation.unit.inject(Unplugged(), for_s=0.3)
        simulation.run(lambda: False, 0.29)
        simulation.unit.inject(DeviceResets())
        simulation.run(lambda: state(simulation) in (State.HELD, State.ABORTED), 10.0)
        if state(simulation) is State.ABORTED:
            break
        simulation.command("restart")
    assert times == 2
    assert "judge the plate" in simulation.ended.reason


def test_a_blind_sensor_does_not_cook_the_plate() -> None:
    simulation = simulate()
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    start(simulation)
    until(simulation, State.HELD, 60.0)
    assert any("no light seen" in text for text in texts(simulation))
    (blind,) = simulation.core.bed.exposure.conditions()
    assert blind.name == "light sensor blind" and blind.value < blind.limit < 1.0
    assert simulation.unit.light_on_truth_s < 6.0


def test_a_saturated_sensor_holds() -> None:
    parameters = replace(FADED, lamps=LampParameters(irradiance_mw_cm2=16.0))
    simulation = simulate(parameters)
    start(simulation)
    until(simulation, State.HELD, 60.0)
    assert any("at its limit of 1023 counts" in text for text in texts(simulation))
    (condition,) = simulation.core.bed.exposure.conditions()
    assert condition == Condition(LIGHT_SENSOR_SATURATED, True, 1023.0, 1023.0)


def test_light_beyond_the_sensor_s_top_is_the_least_that_fell() -> None:
    simulation = simulate(replace(FADED, lamps=LampParameters(irradiance_mw_cm2=22.0)))
    start(simulation)
    simulation.unit.mark()
    until(simulation, State.HELD, 60.0)
    status, true = simulation.core.bed.exposure.status(), simulation.unit.true_dose_mj_cm2()
    assert status.dose_mj_cm2 < 0.99 * true
    assert status.dose_mj_cm2 < true < status.dose_mj_cm2 + status.uncertain_mj_cm2
    assert any("is higher than counted" in text for text in texts(simulation))
    (held,) = (o for o in simulation.outputs if isinstance(o, EventNoted) and o.name == "held")
    assert held.data["uncertain_mj_cm2"] == status.uncertain_mj_cm2
    simulation.command("stop")
    assert simulation.ended.uncertain_mj_cm2 == status.uncertain_mj_cm2


def test_a_target_out_of_reach_is_held_dark() -> None:
    simulation = simulate()
    start(simulation, max_light_s=10.0)
    until(simulation, State.HELD, 60.0)
    assert simulation.unit.light_on_truth_s == 0.0
    assert any("the limit leaves 10 of 10 s" in text for text in texts(simulation))


def test_the_guard_ends_an_exposure_of_lamps_that_faded_unseen() -> None:
    simulation = simulate(expected=30.0)
    start(simulation, guard_factor=1.0)
    until(simulation, State.HELD, 60.0)
    assert any("guard time ran out" in text for text in texts(simulation))
    (guard,) = simulation.core.bed.exposure.conditions()
    assert guard.name == "maximum light time reached"
    assert guard.value == pytest.approx(guard.limit, abs=0.01)  # to the tick, but for its length
    assert simulation.unit.light_on_truth_s < DOSE / 30.0 + 5.5


@pytest.mark.parametrize("bad", [0.0, -1.0, float("nan"), float("inf")])
def test_absurd_targets_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="target_dose_mj_cm2"):
        request(**(ASKED | {"target_dose_mj_cm2": bad}))


def test_a_second_exposure_meanwhile_is_refused() -> None:
    simulation = simulate()
    start(simulation)
    simulation.expose(Job("run-2", "film", request(**ASKED)))
    assert any(isinstance(o, Refused) and "end it first" in o.text for o in simulation.outputs)


def test_a_silent_host_with_policy_close_goes_dark() -> None:
    simulation = simulate()
    start(simulation, silence_policy=m.SilencePolicy.CLOSE, silence_s=1.0)
    until_light(simulation)
    simulation.unit.inject(Unplugged(), for_s=5.0)
    simulation.run(lambda: False, 1.5)
    assert not simulation.unit.lamp_on
    until(simulation, State.HELD, 20.0)


def test_samples_of_a_run_lose_nothing_and_keep_order() -> None:
    simulation = simulate(replace(FADED, wire=replace(FADED.wire, loss=0.1)))
    start(simulation)
    until(simulation, State.COMPLETE)
    blocks = [o.block for o in simulation.outputs if isinstance(o, RunSampled)]
    ticks = [int(t) for block in blocks for t in block.ticks]
    stamps = [int(t) for block in blocks for t in block.at_utc_ms]
    assert ticks == sorted(set(ticks)) and stamps == sorted(set(stamps))
    assert all(block.at_utc_ms[-1] - block.at_utc_ms[0] <= 1100 for block in blocks)


ACTIONS = st.sampled_from(
    ["hold", "restart", "stop", "abort", "lid", "stop button", "unplug", "reset", "leak", "wait"]
)


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.lists(st.tuples(ACTIONS, st.floats(0.01, 12.0)), max_size=8), st.integers(1, 1000))
def test_any_actions_end_dark(actions: list[tuple[str, float]], seed: int) -> None:
    """Light is on only while the state allows it, and every exposure reaches an end."""
    simulation = simulate(replace(FADED, wire=replace(FADED.wire, loss=0.05)), seed)
    start(simulation)
    unit = simulation.unit
    faults = {
        "lid": (InterlockOpens(), 2.0),
        "stop button": (StopPressed(), 0.5),
        "unplug": (Unplugged(), 3.0),
        "reset": (DeviceResets(), None),
        "leak": (LeakOpens(Leak(1.5)), 3.0),
    }
    for action, seconds in actions:
        if action in faults:
            fault, for_s = faults[action]
            unit.inject(fault, for_s=for_s)
        elif action != "wait":
            simulation.command(action, "asked")
        end = simulation.now + seconds
        while simulation.now < end:
            simulation.step(end)
            # At rest with the link up, the lamp is off; a message may still be on its way.
            if state(simulation) in DARK and unit.lamp_on:
                assert not simulation.run(lambda: False, 0.7)
                assert not unit.lamp_on
    if state(simulation) not in ENDED:
        simulation.command("abort", "the end of the test")
    simulation.run(lambda: state(simulation) in ENDED, 400.0)
    assert state(simulation) in ENDED, texts(simulation)[-6:]
    dark_for(simulation, 3.0)


def test_every_state_reaches_an_end() -> None:
    for first in TRANSITIONS:
        seen, todo = set(), [first]
        while todo:
            here = todo.pop()
            if here not in seen:
                seen.add(here)
                todo += TRANSITIONS[here]
        assert seen & ENDED


def test_the_diagram_shows_every_move() -> None:
    lines = diagram().splitlines()
    moves = sum(len(to) for to in TRANSITIONS.values())
    assert len(lines) == 2 + moves + len(ENDED)


def test_a_deadline_that_was_served_is_not_asked_for_again() -> None:
    """Otherwise the daemon's loop would spin, here with the device gone in mid-exposure."""
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged())
    steps = 0
    end = simulation.now + 20.0
    while simulation.now < end:
        simulation.step(end)
        steps += 1
    assert steps < 400
