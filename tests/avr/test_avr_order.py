"""The standing order on the chip: zero samples late, and how long after the sample the lamp is off.

Cycle stamps of the pins come from the simulated chip; 16 cycles are a microsecond.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from contract.line import LAMP, Line, order

from platelink.link import messages as m
from platesim.avrboard import TICK_CYCLES, VECTOR_ADC, VECTOR_TIMER, PinChange

CYCLES_A_US = 16
MOST_LATE_US = 150.0


def off(line: Line) -> PinChange:
    """The newest change of the pins, which must be the lamp going off."""
    before, last = line.board.changes[-2:]
    assert (before.outputs & LAMP, last.outputs & LAMP) == (LAMP, 0)
    return last


def test_a_range_of_targets_is_met_zero_samples_late(line: Line) -> None:
    """With one count a tick the lamp burns as many ticks as the target says."""
    line.analog[0] = 1
    late_us = []
    for number, target in enumerate([1, 2, 3, 7, 49, 50, 51, 99, 150, 333, 1000], start=1):
        opened = line.open(order(order=number, target=target))
        line.until(0)
        report = line.closed()
        assert (report.close_tick - opened, report.order_sum) == (target, target)
        change = off(line)
        late_us.append((change.cycle - change.converted) / CYCLES_A_US)
        shone = change.cycle - line.board.changes[-2].cycle
        assert abs(shone - target * TICK_CYCLES) < MOST_LATE_US * CYCLES_A_US
    print(f"lamp off after its sample: {min(late_us):.1f} .. {max(late_us):.1f} microseconds")
    assert max(late_us) < MOST_LATE_US


def test_a_random_light_is_summed_exactly(line: Line) -> None:
    """Against numpy: the first tick whose running sum reaches the target."""
    rng = np.random.default_rng(3)
    block = np.zeros((600, 8), np.uint16)
    for number in range(1, 6):
        block[:, 0] = rng.integers(0, 1024, 600)
        target = int(rng.integers(50_000, 200_000))
        opened = line.open(order(order=number, target=target))
        line.feed(block)
        sums = np.cumsum(line.rows(opened + 1, line.tick)[:, 0], dtype=np.int64)
        first = int(np.searchsorted(sums, target))
        report = line.closed()
        assert (report.close_tick, report.order_sum) == (opened + 1 + first, sums[first])


@pytest.mark.parametrize(
    ("inputs", "reason"),
    [
        (m.Input.STOP_RELEASED, m.CloseReason.INTERLOCK),
        (m.Input.INTERLOCK_CLOSED, m.CloseReason.STOP),
        (0, m.CloseReason.INTERLOCK),
    ],
)
def test_an_open_input_ends_the_light_in_that_tick(
    line: Line, inputs: int, reason: m.CloseReason
) -> None:
    line.analog[0] = 5
    line.open(order())
    line.ticks(30)
    line.inputs = inputs
    began, tick = line.board.cycle, line.tick
    line.ticks(1)
    change = off(line)
    late_us = (change.cycle - began) / CYCLES_A_US
    print(f"lamp off {late_us:.0f} microseconds after the tick in which the input opened began")
    assert late_us < 1000.0
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (tick + 1, reason)


@pytest.mark.parametrize("light_channels", [1, 2, 3, 4])
def test_the_sampling_interrupt_leaves_most_of_the_tick(
    make_line: Callable[..., Line], light_channels: int
) -> None:
    """Worst case: an order that closes with an event, in mid-traffic; the whole chain of
    conversions and the sums must be done before the next tick."""
    line = make_line(light_channels=light_channels)
    line.send(m.SetFrame(20))
    line.analog = [700, 1, 2, 3, 400, 500, 600, 0]
    line.board.vectors()
    first_cycle, first_tick = line.board.cycle, line.tick
    ends = []
    for number in range(1, 9):
        weight = (9, 7, 5, 3)
        line.open(order(order=number, weight=weight, target=90_000 + 977 * number, bias=-3))
        for _ in range(40):
            began = line.board.cycle
            line.ticks(1)
            if line.board.changes and line.board.changes[-1].cycle > began:
                ends.append(line.board.changes[-1].cycle - began)
        line.inputs = 0
        line.ticks(30)
        line.inputs = 3
        line.ticks(30)
        line.send(m.ResetLatch())
    vectors = line.board.vectors()
    adc, timer = vectors[VECTOR_ADC], vectors[VECTOR_TIMER]
    print(
        f"{light_channels} light channels: sampling interrupt at most {adc.longest} cycles, "
        f"interrupts held off at most {max(timer.latest, adc.latest)}, "
        f"pins driven at most {max(ends)} cycles after the tick began"
    )
    ticks = line.tick - first_tick
    assert round((line.board.cycle - first_cycle) / TICK_CYCLES) == ticks  # none was skipped
    assert adc.calls == ticks * (light_channels + 3)
    assert abs(timer.calls - ticks) <= 1  # a step ends where the timer's interrupt is about to run
    assert adc.longest < 3000
    assert max(timer.latest, adc.latest) < 2 * 1389  # two bytes: what the receiver can buffer
    assert max(ends) < 15_000
