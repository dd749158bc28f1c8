"""A device whose clock jumps without a restart: its counts of samples go on, and no light is lost.
What a damaged line says is told seldom."""

from __future__ import annotations

import pytest

from platelink.control.light.hour import LightHour
from platelink.control.states import State
from platelink.link import messages as m
from platelink.link.framing import Decoder, Frame
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted
from platesim.faults import BitFlips, ClockJumps, Unplugged
from unit.test_core_odd import OddWire
from unit.unit_core import DOSE, exposure, simulate, start, texts, until, until_light

JUMPS = (-60_000, -900, 40, 700, 3_000_000)


def jumps(simulation: Simulation) -> list[tuple[object, object]]:
    events = [o.event for o in simulation.outputs if isinstance(o, EventNoted)]
    return [(e.ticks, e.jumps) for e in events if e.name == "device clock jumped"]


def ended_well(simulation: Simulation) -> None:
    until(simulation, State.COMPLETE)
    assert simulation.ended is not None
    true = simulation.unit.true_dose_mj_cm2()
    assert true == pytest.approx(DOSE, rel=0.01)
    assert simulation.ended.dose_mj_cm2 == pytest.approx(true, rel=0.002)
    assert simulation.ended.device_dose_mj_cm2 == pytest.approx(true, rel=0.01)
    assert not any("sums refused" in text or "held" in text for text in texts(simulation))


@pytest.mark.parametrize("ticks", JUMPS)
def test_a_jump_in_the_light_loses_no_dose(ticks: int) -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(ClockJumps(ticks))
    ended_well(simulation)
    assert jumps(simulation) == [(ticks, 1)]
    assert simulation.core.session.status().clock_resets == 0
    lit_s = exposure(simulation).light_s
    simulation.unit.mark()
    start(simulation, "run-2")
    until(simulation, State.COMPLETE)  # the hour of light has not grown by the jump
    assert exposure(simulation).light_s == pytest.approx(lit_s, abs=1.5)


@pytest.mark.parametrize("ticks", JUMPS)
def test_a_jump_in_the_after_glow_or_while_the_cable_is_out(ticks: int) -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(Unplugged())
    simulation.run(lambda: False, 1.5)
    simulation.unit.inject(ClockJumps(ticks))
    simulation.unit.undo(Unplugged())
    assert simulation.run(lambda: exposure(simulation).step == "tail", 60.0)
    simulation.unit.inject(ClockJumps(-ticks))
    until(simulation, State.COMPLETE)
    assert simulation.ended is not None
    true = simulation.unit.true_dose_mj_cm2()
    assert true == pytest.approx(DOSE, rel=0.01)
    assert simulation.ended.dose_mj_cm2 == pytest.approx(true, rel=0.005)
    assert simulation.ended.device_dose_mj_cm2 is not None
    assert jumps(simulation)[0] == (ticks, 1)


@pytest.mark.parametrize("bit", [3, 9, 17, 31])
def test_one_flipped_bit_of_a_tick_is_no_jump(bit: int) -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(BitFlips("tick", bit))
    ended_well(simulation)
    assert jumps(simulation) == []


def test_a_tick_that_is_never_twice_the_same_off_holds_the_light() -> None:
    """Nothing tells which of them to believe: it is no clock that has jumped."""
    simulation = simulate()
    odd = [0]

    def change(message: object) -> object:
        if not isinstance(message, m.Sample) or not odd[0]:
            return message
        odd[0] += 7
        counts = tuple(n and n + odd[0] for n in message.light_count)
        return message._replace(light_count=counts)

    OddWire(simulation, change)
    start(simulation)
    until_light(simulation)
    odd[0] = 7
    assert simulation.run(lambda: exposure(simulation).state is State.HOLDING, 2.0)
    assert "in a row are impossible" in exposure(simulation).status().reason
    assert jumps(simulation) == []


# --- the account of an order ------------------------------------------------------------------


@pytest.mark.parametrize("ticks", [-(1 << 21), -60_000, 900_000])
def test_an_account_that_opened_on_another_clock_tells_no_time(ticks: int) -> None:
    simulation = simulate()

    def change(message: object) -> object:
        if not isinstance(message, m.OrderReport):
            return message
        return message._replace(open_tick=message.open_tick + ticks & 0xFFFF_FFFF)

    OddWire(simulation, change)
    start(simulation)
    until(simulation, State.COMPLETE)
    assert 5.0 < exposure(simulation).light_s < 20.0
    simulation.unit.mark()
    start(simulation, "run-2")
    until(simulation, State.COMPLETE)


def test_light_of_times_to_come_takes_nothing_from_the_hour() -> None:
    hour = LightHour()
    closed = m.OrderReport(1, 3, m.OrderState.CLOSED, 7, 0, 0, 0, 0, *((0, 0, 0, 0),) * 4)
    whole = hour.left(10_000)
    hour.report(closed, 20_000, 1_500_000)
    assert hour.left(10_000) == whole
    hour.report(closed._replace(order=2), -(1 << 30), 9_000)
    assert whole - hour.left(10_000) == m.MAX_GUARD_TICKS


# --- what a damaged line says ------------------------------------------------------------------


def spoilt(simulation: Simulation, every: int) -> list[int]:
    """Every so manyth sample and every account of an order has a sum that cannot be; how often an
    order was asked for is counted."""
    asked, count = [0], [0]
    write = simulation.unit.write

    def counted(data: bytes) -> None:
        asked[0] += sum(kind is m.GetOrder for kind in kinds_of(data))
        write(data)

    def change(message: object) -> object:
        if isinstance(message, m.OrderReport):
            return message._replace(close_sum=(1 << 60, 0, 0, 0))
        count[0] += isinstance(message, m.Sample)
        if not isinstance(message, m.Sample) or count[0] % every:
            return message
        return message._replace(light_sum=(1 << 60, 0, 0, 0))

    simulation.unit.write = counted  # type: ignore[method-assign]
    OddWire(simulation, change)
    return asked


def kinds_of(data: bytes) -> list[type]:
    kinds = {code: kind for kind, code in m.CODES.items()}
    return [kinds[f.type] for f in Decoder(keep=1).feed(data) if isinstance(f, Frame)]


def test_a_damaged_line_is_told_seldom_and_the_account_asked_for_with_pauses() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation, 0.5)
    asked = spoilt(simulation, every=2)
    until(simulation, State.COMPLETE, 60.0)
    noted = [o for o in simulation.outputs if isinstance(o, EventNoted)]
    refused = [o for o in noted if o.name == "light sums refused"]
    seconds = (refused[-1].at_utc_ms - refused[0].at_utc_ms) / 1000.0
    assert 5 < len(refused) <= seconds + 1.0
    assert refused[-1].event.data()["refused"] > 5 * len(refused)
    assert asked[0] <= 8
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
