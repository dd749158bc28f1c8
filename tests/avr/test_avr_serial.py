"""The serial line of the chip: byte timing, overruns that are real, and the stack under stress."""

from __future__ import annotations

import binascii
from collections.abc import Callable

import numpy as np
from cobs import cobs
from contract.line import Line, frame, order

from platelink.link import messages as m
from platesim.avrboard import VECTOR_ADC, VECTOR_RX

STACK_MARGIN = 128
"""Bytes that no stress may touch: a nested call or two, and an interrupt."""


def whole(data: bytes) -> list[tuple[int, bytes]]:
    """(type, payload) of the frames that are whole; what is cut or spoiled is left out."""
    found = []
    for part in data.split(b"\0"):
        try:
            body = cobs.decode(part)
        except cobs.DecodeError:
            continue
        if len(body) >= 5 and binascii.crc_hqx(body, 0xFFFF) == 0:
            found.append((body[0], body[3:-2]))
    return found


def samples(data: bytes) -> list[m.Sample]:
    return [m.unpack(c, p) for c, p in whole(data) if c == m.CODES[m.Sample]]


def test_bytes_take_their_time_both_ways(make_line: Callable[..., Line]) -> None:
    """Ten bits at 115,200 baud (within 2.1 %): 11.5 to 11.8 bytes a millisecond."""
    line = make_line(ready=False)
    block = np.zeros((1, 8), np.uint16)
    sizes = []
    for _ in range(3):
        line.board.step(block, 3)
        sizes.append(len(line.board.transmit()))
    assert sizes[1] in (11, 12)
    assert sum(sizes) == 28 + 15  # Hello and BOOT with all that frames them
    line.board.receive(bytes(1000))
    waiting = []
    for _ in range(3):
        line.board.step(block, 3)
        waiting.append(line.board.waiting)
    assert waiting[0] - waiting[2] in (23, 24)


def test_a_full_ring_counts_every_byte_lost(line: Line) -> None:
    """The ring takes 63 bytes; while the main loop hangs the rest is lost and counted."""
    line.clear()
    line.board.hang()
    line.board.receive(bytes([7]) * 100)
    line.ticks(15)
    line.board.go_on()
    line.board.receive(b"\0")
    line.settle()
    sample = line.sample()
    assert (sample.rx_overrun, sample.rx_bad) == (100 - 63, 1)
    assert line.send(m.GetHello(1)) is m.ReplyCode.OK


def test_an_overrun_of_the_chips_own_buffer_is_counted(line: Line) -> None:
    """Two bytes and a third in the shift register: what comes while interrupts stand still is lost
    on the chip. It says that bytes were lost, not how many."""
    line.board.hang(interrupts=True)
    line.board.receive(bytes([7]) * 30)
    line.ticks(4)
    line.board.go_on()
    line.board.receive(b"\0")
    line.settle()
    sample = line.sample()
    assert sample.rx_overrun == 1
    assert sample.rx_bad == 1
    assert line.send(m.GetHello(1)) is m.ReplyCode.OK


def test_a_full_line_both_ways_loses_nothing_and_leaves_stack(
    make_line: Callable[..., Line],
) -> None:
    """Commands back to back, Samples as fast as the line carries, orders, events, log replays."""
    line = make_line(light_channels=4)
    board = line.board
    rng = np.random.default_rng(11)
    line.analog = [600, 500, 400, 300, 200, 100, 50, 0]
    line.send(m.SetFrame(10))
    board.vectors()
    commands = [
        m.Heartbeat(), order(order=3, weight=(3, 2, 1, 1), target=40_000), m.Open(3), m.GetLog(0),
        m.GetOrder(), m.SetOutput(m.Output.BEEPER, 1, 30), m.Rearm(3, 90_000), m.Close(0),
        m.GetHello(1), m.ResetLatch(), m.Disarm(3), m.SetFrame(10),
    ]  # fmt: skip
    data = b""
    for turn in range(150):
        picked = rng.choice(len(commands), 12)
        burst = b"".join(
            frame(m.pack(commands[i])[0], int(i), m.pack(commands[i])[1]) for i in picked
        )
        noise = rng.integers(0, 256, 40, dtype=np.uint8).tobytes()
        board.receive(burst + (noise if turn % 3 == 0 else b""))
        line.inputs = 0 if turn % 10 == 9 else 3
        block = np.tile(np.array(line.analog, np.uint16), (15, 1))
        while len(block):
            block = block[board.step(block, line.inputs) :]
        while board.waiting > 30:
            board.step(np.tile(np.array(line.analog, np.uint16), (1, 1)), line.inputs)
        data += board.transmit()
    last = samples(data)[-1]
    vectors = board.vectors()
    unused = board.stack_unused()
    print(
        f"stack: {unused} of {board.stack_room} bytes never used; sampling interrupt at most "
        f"{vectors[VECTOR_ADC].longest} cycles; receiver waited at most "
        f"{vectors[VECTOR_RX].latest} cycles"
    )
    assert board.resets == 0
    assert last.rx_overrun == 0
    assert vectors[VECTOR_RX].calls > 10_000
    assert unused >= STACK_MARGIN


def test_the_watchdogs_interrupt_finds_stack_enough(line: Line) -> None:
    """It comes on top of whatever the main loop was doing, and saves the sums."""
    least = line.board.stack_room
    for ticks in range(1, 25):
        line.send(m.GetOrder())
        line.ticks(ticks)
        line.board.hang()
        line.ticks(66)  # it has saved and waits for the reset
        least = min(least, line.board.stack_unused())
        line.ticks(30)
        line.restart(m.ResetCause.POWER_ON)
        line.ticks(30)
    print(f"stack: {least} bytes never used with the watchdog's interrupt on top")
    assert least >= STACK_MARGIN
