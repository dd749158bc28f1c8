"""A hung main loop: dark in time, reset, and nothing of the sums lost or pretended."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from contract.line import LAMP, VACUUM, Line, frame, order

from avr.test_avr_serial import whole
from platelink.link import messages as m
from platesim.avrboard import CHIP_HZ

SURVIVED = m.Capability.SUMS_SURVIVE_RESET


def lit(line: Line) -> int:
    """An open order that has run a while; its open tick."""
    line.analog[0] = 9
    line.send(m.SetOutput(m.Output.VACUUM, 1, 60000))
    opened = line.open(order(order=7))
    line.ticks(123)
    return opened


def quietly(line: Line, ticks: int) -> None:
    """Time in which frames may be cut: nobody listens."""
    block = np.tile(np.array(line.analog, np.uint16), (1, 1))
    for _ in range(ticks):
        line.board.step(block, line.inputs)


def hang(line: Line, *, interrupts: bool) -> float:
    """Hang until the chip resets itself; milliseconds until it was dark."""
    board = line.board
    assert board.outputs == LAMP | VACUUM
    began, resets = board.cycle, board.resets
    board.hang(interrupts=interrupts)
    for _ in range(400):
        quietly(line, 1)
        if board.resets != resets:
            break
    assert board.resets == resets + 1
    dark = next(x for x in board.changes if x.cycle > began and x.outputs == 0)
    return (dark.cycle - began) / CHIP_HZ * 1000.0


def hello_request() -> bytes:
    code, payload = m.pack(m.GetHello(m.PROTOCOL_VERSION))
    return frame(code, 9, payload)


def hello(line: Line) -> m.Hello:
    """What the device says after its reset, past anything cut."""
    quietly(line, 150)
    line.board.transmit()
    line.board.receive(b"\0" + hello_request())
    quietly(line, 60)
    data, end, line._rest = line.board.transmit().rpartition(b"\0")
    return next(m.unpack(*x) for x in whole(data + end) if x[0] == m.CODES[m.Hello])


@pytest.mark.parametrize(
    ("interrupts", "least_ms", "most_ms"), [(False, 55.0, 70.0), (True, 100.0, 130.0)]
)
def test_a_hang_is_dark_in_time(
    line: Line, interrupts: bool, least_ms: float, most_ms: float
) -> None:
    """Watchdog time-outs of 64 and 128 ms, from the last feeding (data sheet: 8 Ki and 16 Ki cycles
    of 128 kHz). With interrupts alive the first one ends the light, else the second."""
    lit(line)
    dark_ms = hang(line, interrupts=interrupts)
    print(f"interrupts {'stuck' if interrupts else 'alive'}: dark after {dark_ms:.1f} ms")
    assert least_ms < dark_ms < most_ms
    said = hello(line)
    assert said.reset_cause == m.ResetCause.WATCHDOG
    line.ticks(500)
    assert line.board.outputs == 0
    assert line.send(m.Heartbeat()) is None
    assert line.send(m.Open(7)) is m.ReplyCode.WRONG_STATE


def test_a_hung_main_loop_loses_no_light(line: Line) -> None:
    """The sums hold every tick up to the one in which the watchdog ended the light."""
    opened = lit(line)
    before = line.sample()
    hang(line, interrupts=False)
    said = hello(line)
    assert said.capabilities & SURVIVED
    report = line.report()
    assert (report.order, report.state) == (7, m.OrderState.CLOSED)
    assert report.close_reason == m.CloseReason.NONE
    assert report.boot_id == said.boot_id
    assert report.open_tick == opened
    assert report.order_sum == 9 * (report.close_tick - opened)
    assert report.close_tick - before.tick > 55
    assert report.close_sum[0] == before.light_sum[0] + 9 * (report.close_tick - before.tick)


def test_stuck_interrupts_lose_a_frame_at_most(line: Line) -> None:
    opened = lit(line)
    hung = line.tick
    hang(line, interrupts=True)
    assert hello(line).capabilities & SURVIVED
    report = line.report()
    assert hung - 51 <= report.close_tick <= hung
    assert report.order_sum == 9 * (report.close_tick - opened)


def test_spoiled_memory_is_not_believed(line: Line) -> None:
    lit(line)
    board = line.board
    size = board.firmware.symbols["pl_kept_size"]
    board.hang(interrupts=True)
    for slot in (0, 1):
        at = board.address("pl_avr_slots") + slot * size + 3
        board.poke(at, bytes([board.memory(at, 1)[0] ^ 0x10]))
    hang(line, interrupts=True)
    said = hello(line)
    assert (said.reset_cause, said.capabilities & SURVIVED) == (m.ResetCause.WATCHDOG, 0)
    assert line.report().order == 0


@pytest.mark.parametrize(
    "cause", [m.ResetCause.POWER_ON, m.ResetCause.BROWN_OUT, m.ResetCause.EXTERNAL]
)
def test_other_resets_begin_anew(line: Line, cause: m.ResetCause) -> None:
    lit(line)
    line.restart(cause)
    assert line.board.outputs == 0
    line.settle()
    said = next(x for x in line.seen if isinstance(x, m.Hello))
    assert (said.reset_cause, said.capabilities & SURVIVED, said.tick) == (cause, 0, 0)
    assert line.report().order == 0


def test_every_start_has_its_own_number(line: Line) -> None:
    seen = [line.board.boot_id]
    for cause in (m.ResetCause.WATCHDOG, m.ResetCause.EXTERNAL, m.ResetCause.POWER_ON,
                  m.ResetCause.WATCHDOG, m.ResetCause.BROWN_OUT):  # fmt: skip
        line.restart(cause)
        line.ticks(5)
        seen.append(line.board.boot_id)
    assert len(set(seen)) == len(seen)
    assert seen == [1, 2, 3, 0x10001, 0x10002, 0x20001]


def test_a_number_torn_in_the_eeprom_is_not_used(line: Line) -> None:
    """Two places are written in turn, each before the number it prepares is needed."""
    at = line.board.address("pl_avr_next_cold")
    for place, number in ((0, 0x10001), (8, 0x20001), (0, 0x30001)):
        line.board.write_eeprom(at + place, b"\x55" * 3)  # power failed while it was written
        line.restart(m.ResetCause.POWER_ON)
        line.ticks(1)
        assert line.board.boot_id == number


def test_a_loop_that_sees_no_ticks_is_not_healthy(line: Line) -> None:
    """The timer's interrupt is lost (TIMSK1 is at 0x6F): the main loop still turns, with every byte
    that comes, and yet the light ends."""
    lit(line)
    board, began = line.board, line.board.cycle
    board.poke(0x6F, b"\0")
    board.receive(bytes(1000))
    quietly(line, 100)
    dark = board.changes[-1]
    assert dark.outputs == 0
    assert (dark.cycle - began) / CHIP_HZ < 0.07
    assert hello(line).reset_cause == m.ResetCause.WATCHDOG


def test_a_stack_that_reached_its_end_is_no_healthy_loop(line: Line) -> None:
    lit(line)
    resets = line.board.resets
    line.board.poke(line.board.address("__heap_start"), b"\0")
    quietly(line, 150)
    assert line.board.resets == resets + 1
    assert line.board.outputs == 0
    assert hello(line).reset_cause == m.ResetCause.WATCHDOG


def test_a_healthy_loop_is_never_reset(make_line: Callable[..., Line]) -> None:
    line = make_line(light_channels=4)
    line.send(m.SetFrame(10))
    for _ in range(40):
        line.ticks(100)
    assert line.board.resets == 0
