"""The simulated unit with the AVR board in it: the same plant, the same sums as the host board."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from avr.test_avr_serial import samples
from platelink.link import messages as m
from platesim.avrboard import AvrBoard
from platesim.board import BoardFactory, HostBoard
from platesim.unit import SimulatedUnit, UnitParameters


def heard(board: BoardFactory, **parameters: Any) -> list[m.Sample]:
    unit = SimulatedUnit(UnitParameters(**parameters), 5, board=board)
    data = b""
    for _ in range(40):
        unit.advance(0.05)
        data += unit.read()
    unit.board.close()
    return samples(data)


@pytest.mark.parametrize("light_channels", [1, 3])
def test_both_boards_read_the_same_plant(light_channels: int) -> None:
    host = heard(HostBoard, light_channels=light_channels)
    avr = heard(AvrBoard, light_channels=light_channels)
    assert len(avr) >= 38
    assert avr == host[: len(avr)]
    assert avr[-1].light_sum[light_channels - 1] > 0
    assert avr[-1].head_count == 50


def test_a_watchdog_reset_leaves_the_sums_to_the_unit() -> None:
    unit = SimulatedUnit(seed=5, board=AvrBoard)
    unit.advance(1.0)
    before = samples(unit.read())[-1]
    unit.reset_device(m.ResetCause.WATCHDOG)
    unit.advance(1.0)
    after = samples(unit.read())[-1]
    assert after.tick > before.tick + 1000
    assert after.light_sum[0] > before.light_sum[0]
    unit.reset_device(m.ResetCause.BROWN_OUT)
    unit.advance(1.0)
    assert samples(unit.read())[-1].tick <= 1000
    unit.board.close()


def test_lock_step_is_faster_than_the_chip() -> None:
    board = AvrBoard()
    speeds = []
    for ticks in (1, 50, 500):
        block = np.full((ticks, 8), 300, np.uint16)
        start, cycle = time.perf_counter(), board.cycle
        for _ in range(2000 // ticks):
            board.step(block, 3)
            board.transmit()
        speeds.append((board.cycle - cycle) / 16e6 / (time.perf_counter() - start))
    print("times real time in steps of 1, 50, 500 ticks: " + ", ".join(f"{x:.0f}" for x in speeds))
    assert max(speeds) > 3.0  # a tenth of what it is alone on a slow machine
    board.close()
