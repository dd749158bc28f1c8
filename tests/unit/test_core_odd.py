"""What devices, wires and operators do at the worst moment."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import pytest

from platelink.control.states import Learned, State, Step
from platelink.link import messages as m
from platelink.link.framing import Decoder, Frame, encode
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import example, plan, unit_for_plates
from platelink.unit.job import Job
from platelink.unit.outputs import EventNoted, Refused, RunSampled
from platelink.unit.plate_view import unit_status
from platesim.board import HostBoard, LightLimits
from platesim.faults import DeviceResets, InterlockOpens, Unplugged
from platesim.plant import PlantParameters
from platesim.sensors import LightSensor, SensorParameters
from platesim.unit import SimulatedUnit
from unit.unit_core import (
    CONTACT,
    DOSE,
    FADED,
    dark_for,
    exposure,
    request,
    simulate,
    start,
    texts,
    until,
    until_light,
    when,
)


def next_daemon(before: Simulation) -> Simulation:
    """Another daemon on the same device."""
    before.unit.read()
    return Simulation(before.unit, make_core(FADED, expected_mw_cm2=7.0))


def test_an_order_of_an_earlier_daemon_is_never_taken_for_ours() -> None:
    """Asked for in the very moment the link is up, before any sample told the newest order."""
    simulation = simulate()
    start(simulation)
    until(simulation, State.COMPLETE)
    simulation.run(lambda: False, 2.0)
    simulation = next_daemon(simulation)
    assert simulation.run(lambda: simulation.core.up, 5.0)
    assert simulation.core.reading is None
    simulation.unit.mark()
    simulation.expose(Job("run-2", "film", request()))
    simulation.run(lambda: False, 0.8)
    simulation.unit.to_device.unplug()  # the order itself is late
    when(simulation, lambda e: e.step is not Step.CONTACT, 20.0)
    simulation.run(lambda: False, 0.2)
    simulation.unit.to_device.plugged = True
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


def test_an_order_number_is_above_the_device_s_after_any_restart() -> None:
    simulation = simulate()
    for number in (1, 2):
        start(simulation, f"run-{number}")
        until(simulation, State.COMPLETE)
    simulation = next_daemon(simulation)
    start(simulation, "run-3")
    until_light(simulation)
    assert unit_status(simulation.core, now=simulation.now).light.order == 3
    simulation.command("abort")
    until(simulation, State.ABORTED)
    simulation.unit.inject(DeviceResets())
    start(simulation, "run-4")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


@pytest.mark.parametrize(
    ("command", "end"), [("hold", State.HELD), ("stop", State.STOPPED), ("abort", State.ABORTED)]
)
def test_a_device_that_restarts_while_the_opening_is_taken_back(command: str, end: State) -> None:
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.step is Step.ARM, 30.0)
    simulation.unit.inject(Unplugged(), for_s=0.8)  # nothing of what follows gets through
    simulation.command(command, "asked")
    simulation.unit.inject(DeviceResets())
    until(simulation, end, 30.0)
    dark_for(simulation, 3.0)


def test_a_device_that_restarts_in_the_after_glow_has_given_the_dose() -> None:
    """Lamps switched off make the surge that browns a board out."""
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.step is Step.TAIL, 60.0)
    simulation.run(lambda: False, 0.3)
    simulation.unit.inject(DeviceResets())
    until(simulation, State.COMPLETE, 10.0)
    assert any("device restarted" in text for text in texts(simulation))
    assert simulation.ended is not None and simulation.ended.learned is None
    assert simulation.ended.dose_mj_cm2 == pytest.approx(
        simulation.unit.true_dose_mj_cm2(), rel=0.01
    )


def test_a_restart_with_nothing_to_go_gives_no_light() -> None:
    """The lid was lifted in the very tick of the dose."""

    def change(message: object) -> object:
        if isinstance(message, m.Sample | m.OrderReport) and message.close_reason:
            return message._replace(close_reason=m.CloseReason.INTERLOCK)
        return message

    simulation = simulate(learned=Learned(0.006))
    OddWire(simulation, change)
    start(simulation)
    until(simulation, State.HELD, 60.0)
    status = exposure(simulation).status()
    assert 0.0 < status.target_dose_mj_cm2 - status.dose_mj_cm2 < 0.02
    before_s = simulation.unit.light_on_truth_s
    simulation.command("restart")
    until(simulation, State.COMPLETE, 60.0)
    assert simulation.unit.light_on_truth_s == before_s


def test_light_that_was_given_up_is_in_the_record() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged())
    until(simulation, State.ABORTED, 120.0)
    assert simulation.ended is not None
    assert simulation.ended.light_s > 2.9
    assert simulation.ended.device_dose_mj_cm2 is None  # it gave no account


def test_a_hold_in_the_opening_counts_what_light_there_was() -> None:
    """The lamp comes on, and its samples are lost until it is off again."""
    simulation = simulate()
    start(simulation)
    unit = simulation.unit
    while not unit.lamp_on:
        simulation.step(simulation.now + 1.0)
    assert exposure(simulation).step is Step.ARM
    unit.to_host.unplug()  # one way: what we send still arrives
    simulation.command("hold", "asked")
    simulation.run(lambda: False, 0.4)
    unit.to_host.plugged = True
    until(simulation, State.HELD, 10.0)
    assert unit.light_on_truth_s > 0.0
    assert exposure(simulation).dose_mj_cm2 == pytest.approx(unit.true_dose_mj_cm2(), abs=0.02)
    assert exposure(simulation).dose_mj_cm2 > 0.0


def test_a_close_that_is_lost_is_sent_until_it_is_dark() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.to_device.unplug()
    simulation.command("hold", "asked")
    simulation.run(lambda: False, 0.9)
    assert simulation.unit.lamp_on
    simulation.unit.to_device.plugged = True
    simulation.run(lambda: not simulation.unit.lamp_on, 1.0)
    assert not simulation.unit.lamp_on
    until(simulation, State.HELD, 10.0)


def test_the_account_is_waited_for_when_the_link_was_down_in_the_after_glow() -> None:
    simulation = simulate()
    start(simulation)
    when(simulation, lambda e: e.step is Step.TAIL, 60.0)
    simulation.unit.inject(Unplugged(), for_s=12.0)
    until(simulation, State.COMPLETE, 60.0)
    assert simulation.ended is not None
    assert simulation.ended.device_dose_mj_cm2 == pytest.approx(DOSE, rel=0.01)


def test_a_device_of_another_kind_in_mid_run_gets_no_light() -> None:
    """Somebody swaps the board while an exposure is held."""
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.command("hold", "asked")
    until(simulation, State.HELD, 10.0)
    simulation.unit.board._fixed = (1, 12, simulation.unit.board._fixed[2])
    simulation.unit.inject(DeviceResets())
    simulation.run(lambda: False, 2.0)
    simulation.command("restart")
    dark_for(simulation, 20.0)
    assert exposure(simulation).state is State.HELD
    refused = [o.text for o in simulation.outputs if isinstance(o, Refused)]
    assert refused == [
        "the device converts 12 bits, the configuration says 10; correct [unit] adc_bits and "
        "calibrate"
    ]


def test_the_lamp_of_an_order_nobody_owns_can_be_switched_off() -> None:
    """A daemon that came back finds the lamp on: stop and abort must work before anything else."""
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation = next_daemon(simulation)
    simulation.core.recovering = True
    simulation.run(lambda: simulation.core.reading is not None, 5.0)
    assert simulation.unit.lamp_on
    simulation.command("stop", "asked")
    assert simulation.run(lambda: not simulation.unit.lamp_on, 1.0)
    assert not [o for o in simulation.outputs if isinstance(o, Refused)]
    assert "lamp switched off: asked" in texts(simulation)
    simulation.run(lambda: False, 1.0)
    simulation.command("stop", "asked")
    assert [o.text for o in simulation.outputs if isinstance(o, Refused)] == [
        "stop: no exposure is running"
    ]


def test_light_that_nobody_waits_for_is_ended() -> None:
    """The account of an order came too late or never: what still shines is on nobody's plate."""
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation = next_daemon(simulation)
    assert simulation.unit.lamp_on
    assert simulation.run(lambda: not simulation.unit.lamp_on, 3.0)
    told = [text for text in texts(simulation) if text.startswith("lamp switched off")]
    assert told == ["lamp switched off: light that belongs to no exposure"]


def test_a_record_that_fails_takes_no_exposure_away_that_goes_on() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.core.withdraw()
    assert simulation.core.bed.exposure is not None
    assert simulation.core.run_id == "run-1"


class OddWire:
    """Changes frames on their way to the host."""

    def __init__(self, simulation: Simulation, change: object) -> None:
        self._decoder = Decoder(keep=1)
        self._read, self._change = simulation.unit.read, change
        simulation.unit.read = self.read  # type: ignore[method-assign]

    def read(self) -> bytes:
        out = b""
        for frame in self._decoder.feed(self._read()):
            assert isinstance(frame, Frame)
            message = self._change(m.unpack(frame.type, frame.payload))
            out += encode(message, frame.seq) if message else b""
        return out


def test_codes_this_host_does_not_know_are_recorded_not_raised() -> None:
    """A newer firmware of the same protocol version may have more of them."""

    def change(message: object) -> object:
        if isinstance(message, m.Event) and message.code in (m.EventCode.BOOT, 4):
            return message._replace(arg=77)
        if isinstance(message, m.Event) and message.code == m.EventCode.ORDER_ARMED:
            return message._replace(code=99)
        if isinstance(message, m.Sample | m.OrderReport) and message.close_reason:
            return message._replace(close_reason=77)
        return message

    simulation = simulate()
    OddWire(simulation, change)
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(InterlockOpens(), for_s=0.5)
    until(simulation, State.HELD, 60.0)
    said = texts(simulation)
    assert "lamp closed: 77 (not known here)" in said
    assert any(text.startswith("device event 99") for text in said)
    assert any("for an unknown reason" in text for text in said)


def test_a_head_sensor_that_comes_and_goes_breaks_nothing() -> None:
    """Two points of one tick, of which one has no temperature, must still be put in order."""
    closed: list[m.Sample] = []

    def change(message: object) -> object:
        if isinstance(message, m.Sample) and message.order_state == m.OrderState.CLOSED:
            if len(closed) % 2:
                message = message._replace(head_count=0)
            closed.append(message)
        if isinstance(message, m.OrderReport) and closed:
            if len(closed) < 2:
                return None  # lost; the next one is asked for
            first = closed[0]
            return message._replace(
                close_tick=first.tick, close_sum=first.light_sum, close_count=first.light_count
            )
        return message

    simulation = simulate()
    OddWire(simulation, change)
    start(simulation)
    until(simulation, State.COMPLETE, 60.0)


def test_a_warming_head_is_no_disagreement() -> None:
    """The device's weights are those of the head's temperature at the start."""
    sensors = SensorParameters(
        light=(LightSensor(temperature_coefficient_per_c=0.004),), head_rise_c=30.0, head_s=10.0
    )
    parameters = replace(FADED, plant=PlantParameters(sensors=sensors))
    simulation = simulate(parameters)
    start(simulation, target_dose_mj_cm2=200.0)
    until(simulation, State.COMPLETE, 90.0)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(200.0, rel=5e-3)


@pytest.mark.parametrize("version", [2, 0])
def test_a_device_of_another_protocol_version_is_refused_in_clear_text(version: int) -> None:
    simulation = simulate()

    class Other(OddWire):
        def read(self) -> bytes:
            out = b""
            for frame in self._decoder.feed(self._read()):
                assert isinstance(frame, Frame)
                message = m.unpack(frame.type, frame.payload)
                if isinstance(message, m.Hello):
                    message = message._replace(protocol=version)
                out += encode(message, frame.seq)
            return out

    Other(simulation, None)
    simulation.run(lambda: False, 2.0)
    simulation.expose(Job("run-1", "film", request()))
    refused = [o.text for o in simulation.outputs if isinstance(o, Refused)]
    assert f"the device speaks protocol version {version}, this host 1" in refused[0]
    assert sum("protocol mismatch" in text for text in texts(simulation)) == 1
    dark_for(simulation, 2.0)


def test_fewer_light_channels_than_configured_are_refused() -> None:
    parameters = replace(FADED, light_channels=2)
    unit = SimulatedUnit(FADED, 3)
    simulation = Simulation(unit, make_core(parameters, expected_mw_cm2=7.0))
    start(simulation)
    assert [o.text for o in simulation.outputs if isinstance(o, Refused)] == [
        "the device has 1 light channels, the configuration 2; correct [[light.channel]]"
    ]
    assert any(
        isinstance(o, EventNoted) and o.name == "device does not match" for o in simulation.outputs
    )
    assert simulation.core.bed.exposure is None


def test_held_with_vacuum_on_and_the_link_down() -> None:
    simulation = simulate()
    start(simulation, contact=CONTACT)
    until_light(simulation)
    simulation.command("hold", "asked")
    until(simulation, State.HELD, 10.0)
    simulation.unit.inject(Unplugged(), for_s=10.0)
    steps, end = 0, simulation.now + 9.0
    while simulation.now < end:
        simulation.step(end)
        steps += 1
    assert steps < 300
    assert not simulation.unit.board.outputs & 1 << m.Output.VACUUM  # the device let go of it
    simulation.run(lambda: simulation.core.up, 10.0)
    simulation.command("restart")
    until(simulation, State.COMPLETE)


class HungBoard:
    """A device that stands still, its outputs as they were."""

    def __init__(self, outputs: int) -> None:
        self.outputs = outputs

    def run(self, analog: object, first: int, ticks: int, inputs: int) -> int:
        return ticks

    def receive(self, data: bytes) -> None:
        """Nobody listens."""

    def transmit(self) -> bytes:
        return b""


def test_a_device_that_hangs_in_the_light_is_not_said_to_end_it() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.board = HungBoard(simulation.unit.board.outputs)
    simulation.run(lambda: simulation.unit.true_dose_mj_cm2() > 2.0 * DOSE, 120.0)
    assert simulation.unit.lamp_on
    alarms = simulation.core.alarms.status().alarms
    (lost,) = (alarm for alarm in alarms if alarm.name == "link lost")
    assert lost.active
    for text in (lost.next_act, lost.text):
        assert "by itself" not in text
        assert "use the unit's own stop" in text


def test_of_a_plate_that_cannot_be_taken_up_again_no_bake_goes_on() -> None:
    """Its run is closed by whoever asked; while other plates are made it gets no more samples."""
    simulation = unit_for_plates()
    with pytest.raises(ValueError, match="format 99"):
        simulation.core.resume_plate(
            plan("p-1", example()), {"format": 99}, {"bake-1": -1}, down_s=5.0, away_s=5.0,
            at=simulation.stamp,
        )  # fmt: skip
    simulation.make_plate(plan("p-2", example()))
    simulation.run(lambda: False, 5.0)
    assert "p-2" in simulation.core.plates.in_flight.plates
    assert not [o for o in simulation.outputs if isinstance(o, RunSampled)]


def test_an_order_beyond_the_device_s_own_limits_is_held_with_the_true_reason() -> None:
    """A device that has given most of its light of this hour takes no long order."""
    limits = LightLimits(order=4000, hour_lit=9000, hour=60_000)
    unit = SimulatedUnit(FADED, 3, board=partial(HostBoard, limits=limits))
    simulation = Simulation(unit, make_core(FADED, expected_mw_cm2=7.0))
    start(simulation)
    until(simulation, State.HELD)
    assert "45 min in an hour" in exposure(simulation).status().reason
    assert not unit.lamp_on and exposure(simulation).dose_mj_cm2 == 0.0
