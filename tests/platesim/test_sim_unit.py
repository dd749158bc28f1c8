"""The simulated unit: lock-step time, mid-block switching, truth, determinism."""

from __future__ import annotations

import binascii
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest
from cobs import cobs

from platelink.link.messages import (
    Arm,
    Close,
    CloseReason,
    Event,
    EventCode,
    Heartbeat,
    Hello,
    Open,
    Sample,
    SetFrame,
    SetOutput,
    pack,
    unpack,
)
from platesim.faults import (
    BitFlips,
    ClockJumps,
    ContactorSticks,
    DeviceHangs,
    DeviceResets,
    GaugeShifts,
    GaugeStuck,
    InterlockOpens,
    LampsDoNotStrike,
    LeakOpens,
    LineEchoes,
    OrderForgotten,
    Planned,
    RelayWelds,
    SpeaksVersion,
    StrayLight,
    TubeFails,
    Unplugged,
    WireParameters,
)
from platesim.lamps import LampParameters
from platesim.plant import PlantParameters
from platesim.sensors import VACUUM, LightSensor, LinearSensor, SensorParameters
from platesim.unit import SimulatedUnit, UnitParameters
from platesim.vacuum import Leak, VacuumParameters

QUIET = LampParameters(
    strike_s=0.0, strike_cold_s=0.0, strike_jitter_s=0.0, warmup=(), noise_fraction=0.0,
    ripple_depth=0.0, ripple2_depth=0.0, glow_fraction=0.0, fade_hours_per_start=0.0,
)  # fmt: skip
"""Light that is there at once, constant, and gone at once."""


def frame(message: Any, seq: int) -> bytes:
    """A command on the wire."""
    code, payload = pack(message)
    body = bytes([code]) + seq.to_bytes(2, "little") + payload
    return cobs.encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")) + b"\0"


def messages(data: bytes) -> Iterator[Any]:
    """The good messages in the bytes of a device."""
    for piece in data.split(b"\0"):
        try:
            body = cobs.decode(piece)
        except cobs.DecodeError:
            continue
        if len(body) > 4 and binascii.crc_hqx(body, 0xFFFF) == 0:
            yield unpack(body[0], body[3:-2])


def opened(unit: SimulatedUnit, target: int, *, guard: int = 200_000) -> None:
    """Arm and open order 1 on channel 0."""
    unit.advance(0.1)
    unit.write(frame(Heartbeat(), 1))
    unit.write(frame(Arm(1, (1, 0, 0, 0), 0, target, guard, 65_000, 1), 2))
    unit.write(frame(Open(1), 3))
    unit.advance(0.01)
    assert unit.lamp_on


def until_dark(unit: SimulatedUnit, step_s: float = 0.05, most_s: float = 120.0) -> list[Any]:
    """Everything the device says until its lamps are off (and a moment more)."""
    said = []
    end_s = unit.time_s + most_s
    while unit.lamp_on and unit.time_s < end_s:
        unit.advance(step_s)
        said += messages(unit.read())
    unit.advance(0.2)
    return said + list(messages(unit.read()))


def of(kind: type, said: list[Any]) -> list[Any]:
    return [m for m in said if isinstance(m, kind)]


def test_constant_light_gives_the_dose_of_its_lit_ticks() -> None:
    """10 counts a tick until 1000: exactly 100 lit ticks, dose = 12 mW/cm² for 0.1 s."""
    sensor = LightSensor(dark_counts=0.0, full_scale_mw_cm2=12.0 * 1023 / 10, noise_lsb=0.0,
                         temperature_coefficient_per_c=0.0)  # fmt: skip
    plant = PlantParameters(sensors=SensorParameters(light=(sensor,)))
    unit = SimulatedUnit(UnitParameters(lamps=QUIET, plant=plant), seed=1)
    opened(unit, 1000)
    said = until_dark(unit)
    assert unit.light_on_truth_s == pytest.approx(0.100, abs=1e-12)
    assert unit.true_dose_mj_cm2() == pytest.approx(1.2, rel=1e-12)
    closed = [e for e in of(Event, said) if e.code == EventCode.LAMP_CLOSED]
    assert [e.arg for e in closed] == [CloseReason.DOSE]
    assert of(Sample, said)[-1].order_sum == 1000


def test_dose_with_exponent_is_the_closed_form_for_constant_light() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    opened(unit, 10**9, guard=2000)
    until_dark(unit)
    expected = 10.0 * (12.0 / 10.0) ** 0.8 * 2.0
    assert unit.true_dose_mj_cm2(0.8, 10.0) == pytest.approx(expected, rel=1e-9)


def test_clock_error_stretches_the_guard_time() -> None:
    """2,000 ticks of a device 5,000 ppm slow last 2.01 true seconds."""
    unit = SimulatedUnit(UnitParameters(lamps=QUIET, clock_error_ppm=5000.0), seed=1)
    opened(unit, 10**9, guard=2000)
    said = until_dark(unit)
    assert unit.light_on_truth_s == pytest.approx(2.01, rel=1e-9)
    newest = of(Sample, said)[-1]
    assert unit.time_s / unit.tick_s == pytest.approx(newest.tick, abs=51)


def run(seed: int, step_s: float, parameters: UnitParameters | None = None) -> tuple[Any, ...]:
    """One rippled, noisy exposure; the caller's step must not matter."""
    unit = SimulatedUnit(parameters or UnitParameters(), seed=seed)
    unit.write(frame(SetOutput(1, 1, 60_000), 9))
    opened(unit, 1_500_000)
    said = until_dark(unit, step_s)
    newest = of(Sample, said)[-1]
    return (unit.true_dose_mj_cm2(), unit.true_dose_mj_cm2(0.9), unit.stretches[-1],
            newest.order_sum, newest.order_target)  # fmt: skip


FILTERED = UnitParameters(
    plant=PlantParameters(sensors=SensorParameters(light=(LightSensor(filter_s=1e-3),)))
)


@pytest.mark.parametrize("parameters", [None, FILTERED], ids=["plain", "filtered"])
def test_same_seed_same_exposure_whatever_the_steps(parameters: UnitParameters | None) -> None:
    once = run(5, 0.05, parameters)
    assert run(5, 0.05, parameters) == once
    for step_s in (0.0137, 0.5):  # where the sums are split moves their last digit
        again = run(5, step_s, parameters)
        assert again[2:] == once[2:]
        assert again[:2] == pytest.approx(once[:2], rel=1e-12)
    assert run(6, 0.05)[0] != pytest.approx(once[0], rel=1e-6)


def test_truth_converges_with_the_sub_samples() -> None:
    """4 and 16 points of light a tick give the same dose within 5 ppm of it."""
    doses = []
    for subsamples in (4, 16):
        parameters = UnitParameters(plant=PlantParameters(subsamples=subsamples))
        unit = SimulatedUnit(parameters, seed=7)
        opened(unit, 10**10, guard=5000)
        until_dark(unit)
        doses.append((unit.true_dose_mj_cm2(), unit.true_dose_mj_cm2(0.8)))
    assert doses[0] == pytest.approx(doses[1], rel=5e-5)


def test_switching_in_mid_block_ends_light_at_that_tick() -> None:
    """Closed by the host between two blocks of counts: the truth ends at the device's tick."""
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=2)
    opened(unit, 10**9)
    unit.advance(0.6137)
    unit.write(frame(Close(1), 4))
    said = until_dark(unit, 0.001)
    events = {e.code: e.tick for e in of(Event, said)}
    on_s, off_s = unit.stretches[-1]
    assert off_s == pytest.approx(events[EventCode.LAMP_CLOSED] * unit.tick_s, abs=1e-9)
    assert unit.true_dose_mj_cm2() == pytest.approx(12.0 * (off_s - on_s), rel=1e-9)


def test_mark_begins_a_new_truth() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=2)
    opened(unit, 10**9, guard=3000)
    unit.advance(1.0)
    unit.mark()
    unit.advance(0.5)
    assert unit.true_dose_mj_cm2() == pytest.approx(6.0, rel=2e-3)
    assert unit.light_on_truth_s == pytest.approx(0.5, abs=2e-3)


def test_truth_is_not_the_devices_sum_when_the_sensor_is_wrong() -> None:
    """A sensor 10 % low lets the device give 10 % too much, and the truth shows it."""
    right, low = (
        UnitParameters(
            lamps=QUIET,
            plant=PlantParameters(sensors=SensorParameters(light=(LightSensor(gain=gain),))),
        )
        for gain in (1.0, 0.9)
    )
    assert run(1, 0.05, low)[0] / run(1, 0.05, right)[0] == pytest.approx(1.1085, abs=0.002)


def test_own_timer_lights_the_lamps_without_the_board() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET, own_timer=True), seed=1)
    unit.advance(0.1)
    unit.start_own_timer(1.5)
    said = until_dark(unit)
    assert unit.light_on_truth_s == pytest.approx(1.5, abs=2e-3)
    assert all(sample.outputs & 1 == 0 for sample in of(Sample, said))
    assert max(sample.light_max[0] for sample in of(Sample, said)) > 700


def test_own_timer_ends_with_the_lid() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET, own_timer=True), seed=1)
    unit.start_own_timer(10.0)
    unit.advance(1.0)
    unit.set_interlock(closed=False)
    unit.advance(0.1)
    assert not unit.lamp_on


def test_own_timer_is_refused_where_the_board_has_the_lamps() -> None:
    with pytest.raises(ValueError, match="own_timer"):
        SimulatedUnit(seed=1).start_own_timer(1.0)


def test_vacuum_reaches_the_gauge() -> None:
    """8 L at 1.6 L/s: after two time constants 101.325 -> 15 + 86.325 e^-2 kPa absolute."""
    sensors = SensorParameters(vacuum=LinearSensor(0.0, 10.0, noise_lsb=0.0))
    plant = PlantParameters(sensors=sensors, vacuum=VacuumParameters(leaks=()))
    unit = SimulatedUnit(UnitParameters(plant=plant), seed=1)
    unit.set_own_pump(True)
    unit.advance(10.0)
    expected = 101.325 - (15.0 + 86.325 * 0.1353353)
    assert unit.vacuum_kpa == pytest.approx(expected, abs=0.01)
    newest = of(Sample, list(messages(unit.read())))[-1]
    assert newest.vacuum_max / 10.0 == pytest.approx(expected, abs=0.15)


def test_leak_opens_in_exposure_and_closes_again() -> None:
    leak = Planned(LeakOpens(Leak(0.3)), at_light_s=3.0, for_s=2.0)
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1, planned=[leak])
    unit.set_own_pump(True)
    unit.advance(30.0)
    tight = unit.vacuum_kpa
    opened(unit, 10**9)
    unit.advance(2.9)
    assert unit.vacuum_kpa == pytest.approx(tight, abs=0.2)
    unit.advance(2.0)
    assert unit.vacuum_kpa < tight - 3.0
    unit.advance(30.0)
    assert unit.vacuum_kpa == pytest.approx(tight, abs=0.2)


def test_tube_failing_costs_its_share_of_the_light() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1,
                         planned=[Planned(TubeFails(2), at_light_s=1.0)])  # fmt: skip
    opened(unit, 10**9, guard=2000)
    until_dark(unit)
    assert unit.true_dose_mj_cm2() == pytest.approx(12.0 + 10.0, rel=1e-3)


def test_interlock_drops_the_lamp_in_the_tick() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    opened(unit, 10**9)
    unit.advance(0.5)
    before = unit.light_on_truth_s
    unit.inject(InterlockOpens(), for_s=0.5)
    unit.advance(0.1)
    assert not unit.lamp_on
    assert unit.light_on_truth_s - before <= 0.0251  # debounced at most


def test_stuck_gauge_stays() -> None:
    unit = SimulatedUnit(seed=1)
    unit.set_own_pump(True)
    unit.advance(3.0)
    unit.inject(GaugeStuck(VACUUM), for_s=5.0)
    unit.advance(0.2)
    unit.read()
    unit.advance(4.0)
    stuck = of(Sample, list(messages(unit.read())))
    assert len({(s.vacuum_min, s.vacuum_max) for s in stuck}) == 1
    unit.advance(3.0)
    assert of(Sample, list(messages(unit.read())))[-1].vacuum_max > stuck[-1].vacuum_max + 30


def test_brown_out_drops_light_and_says_hello_again() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    opened(unit, 10**9)
    first = of(Hello, list(messages(unit.read())))[0]
    unit.inject(DeviceResets())
    unit.advance(0.2)
    assert not unit.lamp_on
    hello = of(Hello, list(messages(unit.read())))[0]
    assert hello.boot_id != first.boot_id


def test_unplugged_loses_both_directions_and_comes_back() -> None:
    unit = SimulatedUnit(seed=1)
    unit.inject(Unplugged(), for_s=1.0)
    unit.write(frame(SetFrame(10), 1))
    unit.advance(0.9)
    assert not unit.plugged
    assert unit.read() == b""
    unit.advance(0.3)
    samples = of(Sample, list(messages(unit.read())))
    assert unit.plugged
    assert samples[-1].tick - samples[-2].tick == 50


def test_advance_to_data_stops_at_the_first_frame() -> None:
    unit = SimulatedUnit(UnitParameters(wire=WireParameters(delay_s=0.004)), seed=1)
    unit.advance(0.21)
    unit.read()
    assert unit.advance_to_data(1.0)
    assert unit.time_s == pytest.approx(0.254, abs=1e-3)
    unit.read()
    assert not unit.advance_to_data(0.01)


def test_parameters_out_of_range_are_refused() -> None:
    with pytest.raises(ValueError, match="light_channels is 5"):
        UnitParameters(light_channels=5)
    with pytest.raises(ValueError, match="ripple"):
        replace(QUIET, ripple_depth=0.9, ripple2_depth=0.2)


@pytest.mark.parametrize("frame_ticks", [37, 50, 200])
def test_a_frame_arrives_its_delay_after_its_last_tick(frame_ticks: int) -> None:
    """Whatever its phase, and whatever else is on the line."""
    unit = SimulatedUnit(UnitParameters(wire=WireParameters(delay_s=0.003)), seed=1)
    unit.advance(0.123)
    unit.write(frame(SetFrame(frame_ticks), 1))
    unit.advance(0.01)
    unit.read()
    delays = []
    for n in range(200):
        if unit.advance_to_data(0.017):
            now = unit.time_s
            delays += [now - s.tick * unit.tick_s for s in of(Sample, list(messages(unit.read())))]
        unit.write(frame(Heartbeat(), n))
    assert len(delays) > 3
    assert delays == pytest.approx([0.003] * len(delays), abs=1e-9)


# --- what goes wrong with lamps, sensors, device and line -----------------------------------------


def lit(*, target: int = 10**9, guard: int = 1000) -> SimulatedUnit:
    """A unit whose lamp was opened just now; by its guard it closes after a second."""
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    unit.mark()
    opened(unit, target, guard=guard)
    return unit


def test_a_welded_relay_burns_on_until_it_lets_go() -> None:
    unit = lit()
    unit.inject(RelayWelds(), for_s=3.0)
    unit.advance(2.5)
    assert unit.board.outputs == 0 and unit.lamp_on
    unit.advance(1.0)
    assert not unit.lamp_on
    assert unit.true_dose_mj_cm2() == pytest.approx(12.0 * 3.01, rel=0.01)


def test_a_contactor_that_sticks_is_late_each_time() -> None:
    unit = lit()
    unit.inject(ContactorSticks(0.4))
    unit.advance(2.0)
    assert unit.light_on_truth_s == pytest.approx(1.4, abs=0.002)


def test_lamps_that_do_not_strike_are_dark_under_an_open_order() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    unit.inject(LampsDoNotStrike(), for_s=1.0)
    unit.mark()
    opened(unit, 10**9, guard=500)
    unit.advance(1.0)
    assert (unit.light_on_truth_s, unit.true_dose_mj_cm2()) == (pytest.approx(0.5), 0.0)


def test_stray_light_falls_on_bed_and_sensor() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    unit.mark()
    dark = of(Sample, list(messages(heard(unit, 1.0))))
    unit.inject(StrayLight(0.5), for_s=2.0)
    stray = of(Sample, list(messages(heard(unit, 1.5))))
    slope = unit.parameters.plant.sensors.light[0].counts_per_mw_cm2
    assert rate(stray) - rate(dark) == pytest.approx(0.5 * slope, rel=0.01)
    unit.advance(1.0)
    assert unit.true_dose_mj_cm2() == pytest.approx(1.0, rel=1e-3)


def heard(unit: SimulatedUnit, seconds: float) -> bytes:
    unit.read()
    unit.advance(seconds)
    return unit.read()


def rate(samples: list[Any]) -> float:
    """Light counts a tick."""
    first, last = samples[1], samples[-1]
    return float(
        (last.light_sum[0] - first.light_sum[0]) / (last.light_count[0] - first.light_count[0])
    )


def test_a_gauge_can_be_off_and_wander() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    at_rest = of(Sample, list(messages(heard(unit, 1.0))))[-1]
    unit.inject(GaugeShifts(VACUUM, counts=50.0, counts_per_s=10.0))
    later = of(Sample, list(messages(heard(unit, 2.0))))[-1]
    moved = later.vacuum_sum / later.vacuum_count - at_rest.vacuum_sum / at_rest.vacuum_count
    assert moved == pytest.approx(50.0 + 20.0, abs=1.0)


def test_a_hung_device_is_silent_with_its_lamp_on() -> None:
    unit = lit()
    unit.inject(DeviceHangs(), for_s=5.0)
    unit.advance(0.01)
    assert heard(unit, 4.0) == b"" and unit.lamp_on
    boots = of(Hello, list(messages(heard(unit, 2.0))))
    assert [b.reset_cause for b in boots] == [3] and not unit.lamp_on


def test_a_device_that_forgot_its_order_is_dark_and_says_none() -> None:
    unit = lit()
    unit.inject(OrderForgotten())
    newest = of(Sample, list(messages(heard(unit, 0.2))))[-1]
    assert not unit.lamp_on
    assert (newest.order, newest.order_state, newest.outputs) == (0, 0, 0)


def test_an_echoing_line_gives_both_ends_their_own_words() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    unit.advance(0.1)
    unit.read()
    unit.inject(LineEchoes())
    unit.write(frame(Heartbeat(), 1))
    assert Heartbeat() in list(messages(heard(unit, 0.3)))
    assert of(Sample, list(messages(heard(unit, 0.3))))[-1].rx_bad > 0


@pytest.mark.parametrize(
    ("flip", "change"),
    [
        (BitFlips("light_sum", 40), 1 << 40),
        (BitFlips("order_sum", 63), -(1 << 63)),
        (BitFlips("order", 3), 8),
    ],
)
def test_a_flipped_bit_passes_the_check_sum(flip: BitFlips, change: int) -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    twin = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    unit.inject(flip)
    spoilt, good = (of(Sample, list(messages(heard(u, 0.3)))) for u in (unit, twin))

    def value(sample: Any) -> int:
        found = getattr(sample, flip.field)
        return int(found[0] if isinstance(found, tuple) else found)

    changes = [value(a) - value(b) for a, b in zip(spoilt, good, strict=True)]
    assert changes == [change] + [0] * (len(changes) - 1)


def test_clock_and_version_can_be_other_than_they_are() -> None:
    unit = SimulatedUnit(UnitParameters(lamps=QUIET), seed=1)
    before = of(Sample, list(messages(heard(unit, 0.2))))[-1].tick
    unit.inject(ClockJumps(-1000))
    assert of(Sample, list(messages(heard(unit, 0.2))))[-1].tick == (before + 200 - 1000) % 2**32
    unit.inject(SpeaksVersion(9))
    unit.reset_device(3)
    assert of(Hello, list(messages(heard(unit, 0.2))))[0].protocol == 9
