"""Writes ``vectors/exchanges.txt``: what a device answers, byte for byte, in cases that are easily
read otherwise. Whoever builds a device can play them to it.

``python -m platesim.exchanges`` plays them to the host board and writes what it said; ``--check``
exits 1 when the file says otherwise. The tests play the file to every board.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
from cobs import cobs

from platelink.link import messages as m
from platesim import wiregen
from platesim.board import ANALOG_CHANNELS, INPUTS_SAFE, Board, HostBoard

HEAD = f"""\
# Exchanges; {wiregen.MARK.replace("wiregen", "exchanges")}.
# Each begins at the start of a device with one light channel and all capabilities but
# SUMS_SURVIVE_RESET; tick 0 is before its first sampling interrupt.
#   light TICK COUNTS   counts of the light channel from the next tick on; other channels read 0
#   inputs TICK BITS    raw inputs from the next tick on; 3 at start
#   > TICK TYPE NAME SEQ VALUES FRAME   the host's frame; its last byte comes after that tick and
#                                       before the next
#   < TYPE NAME SEQ VALUES FRAME        the device's frames in their order, until `until TICK`
# Values are decimal in wire order ('-': none, '?': type and length are not in the table). A device
# of another make has its own Hello.board, firmware and boot_id, and OrderReport.boot_id; and it may
# send the Event and the Reply of one command the other way round.
"""
UNTIL = 48
"""Before the first Sample, unless an exchange is about one."""
BYTES_A_TICK = 11


class Said(NamedTuple):
    """A frame of the host, by the tick after which its last byte comes."""

    tick: int
    code: int
    seq: int
    payload: bytes


@dataclass
class Exchange:
    """What happens to a device, and until when it is listened to."""

    name: str
    said: list[Said]
    light: int = 0
    inputs: dict[int, int] = field(default_factory=dict)
    until: int = UNTIL


def say(tick: int, seq: int, command: Any) -> Said:
    """A command of the table."""
    return Said(tick, m.CODES[type(command)], seq, m.pack(command)[1])


def arm(tick: int, seq: int, **changes: Any) -> Said:
    """Order 1 with limits that nothing here meets, but for the changes."""
    plain = m.Arm(1, (1, 0, 0, 0), 0, 1000, 5000, 500, m.SilencePolicy.CLOSE)
    return say(tick, seq, plain._replace(**changes))


BEAT = say(22, 1, m.Heartbeat())
EXCHANGES = (
    Exchange("a start with both contacts closed", []),
    Exchange(
        "a contact open since the start; nothing is latched",
        [say(30, 1, m.ResetLatch()), arm(36, 2)],
        inputs={0: int(m.Input.STOP_RELEASED)},
    ),
    Exchange(
        "the latch is reset; again with nothing latched",
        [arm(24, 1), say(48, 2, m.ResetLatch()), say(53, 3, m.ResetLatch()), arm(60, 4)],
        inputs={25: int(m.Input.INTERLOCK_CLOSED), 26: INPUTS_SAFE},
        until=75,
    ),
    Exchange(
        "guard times beyond the limit of an order",
        [arm(25, 1, guard_ticks=0xFFFFFFFF), arm(33, 2, guard_ticks=1_810_001),
         arm(41, 3, guard_ticks=1_810_000)],
    ),
    Exchange(
        "an Arm sent again, as it was and as Rearm made it; Disarm",
        [arm(22, 1), say(26, 2, m.Rearm(1, 2000)), arm(31, 3, target=2000), arm(36, 4),
         say(40, 5, m.Disarm(1)), say(43, 6, m.Disarm(7)), say(46, 7, m.GetOrder())],
        until=60,
    ),
    Exchange(
        "Open and Close of another number while open",
        [BEAT, arm(27, 2), say(30, 3, m.Open(1)), say(34, 4, m.Open(2)), say(38, 5, m.Close(2)),
         say(42, 6, m.Close(1)), say(45, 7, m.Open(1))],
        light=3,
        until=60,
    ),
    Exchange(
        "an order that goes straight to CLOSED",
        [BEAT, arm(27, 2), say(30, 3, m.Open(1)), say(40, 4, m.GetOrder())],
        light=3,
        inputs={30: int(m.Input.STOP_RELEASED)},
    ),
    Exchange(
        "the next Arm: what the order before came to is gone",
        [BEAT, arm(27, 2, target=12), say(30, 3, m.Open(1)), say(38, 4, m.GetOrder()),
         arm(44, 5, order=2, target=777), say(65, 6, m.GetOrder())],
        light=3,
        until=80,
    ),
    Exchange(
        "silence that begins in the tick of the dose",
        [BEAT, arm(27, 2, target=30, silence_ticks=18), say(29, 3, m.Open(1)),
         say(46, 4, m.Heartbeat())],
        light=3,
    ),
    Exchange(
        "a host of another version; the device goes on as ever",
        [say(24, 1, m.GetHello(2)), say(30, 2, m.SetOutput(m.Output.BEEPER, 1, 5))],
    ),
    Exchange(
        "SetFrame: the next Sample comes an interval on, or when it was due",
        [say(25, 1, m.SetFrame(15)), say(47, 2, m.SetFrame(30)), say(60, 3, m.GetHello(1))],
        until=95,
    ),
    Exchange(
        "an echo, a type that is not known, a length that it has not",
        [Said(25, m.CODES[m.Reply], 9, b"\1\0\x41\0"), Said(30, 0x40, 2, b""),
         Said(34, m.CODES[m.Open], 3, b"\1\0")],
        until=60,
    ),
    Exchange(
        "the log: all, from a number on, still to come, and older by half a ring",
        [say(24, 1, m.GetLog(0)), say(28, 2, m.GetLog(3)), say(32, 3, m.GetLog(4)),
         say(36, 4, m.GetLog(3 + 32767)), say(40, 5, m.GetLog(3 + 32768))],
    ),
)  # fmt: skip


def play(board: Board, exchange: Exchange, *, more: int = 0) -> list[bytes]:
    """Play one to a board that was just switched on; the frames that came until its end, and for
    ``more`` ticks. All of a command but its last byte is sent before: on a line that takes time."""
    due: dict[int, list[bytes]] = {}
    for said in exchange.said:
        wire = wiregen.wire(said.code, said.seq, said.payload)
        early = said.tick - len(wire) // BYTES_A_TICK - 1
        due.setdefault(early, []).append(wire[:-1])
        due.setdefault(said.tick, []).append(wire[-1:])
    row = np.zeros((1, ANALOG_CHANNELS), np.uint16)
    row[0, 0] = exchange.light
    inputs, heard = INPUTS_SAFE, b""
    for tick in range(exchange.until + more):
        inputs = exchange.inputs.get(tick, inputs)
        for data in due.get(tick, ()):
            board.receive(data)
        board.step(row, inputs)
        heard += board.transmit()
    return [piece + b"\0" for piece in heard.split(b"\0")[:-1]]


def line(code: int, seq: int, payload: bytes) -> str:
    """Type, name, sequence number, values and frame."""
    name, values = "?", "?"
    cls = m.TYPES.get(code)
    if cls is not None and m.SIZES[code] == len(payload):
        name, values = cls.__name__, wiregen.values(m.unpack(code, payload))
    return f"{code:02x} {name} {seq} {values} {wiregen.wire(code, seq, payload).hex()}"


def told(frame: bytes) -> str:
    """A frame of the device."""
    body = cobs.decode(frame[:-1])
    return line(body[0], int.from_bytes(body[1:3], "little"), body[3:-2])


def _lines() -> Iterator[str]:
    for exchange in EXCHANGES:
        yield ""
        yield f"exchange {exchange.name}"
        if exchange.light:
            yield f"light 0 {exchange.light}"
        yield from (f"inputs {tick} {bits}" for tick, bits in exchange.inputs.items())
        yield from (f"> {said.tick} {line(*said[1:])}" for said in exchange.said)
        yield f"until {exchange.until}"
        yield from (f"< {told(frame)}" for frame in play(HostBoard(), exchange))


def text() -> str:
    """The file."""
    return HEAD + "\n".join(_lines()) + "\n"


def main(arguments: list[str]) -> int:
    """Write, or with ``--check`` compare; 1 when the file differs."""
    path = Path(__file__).resolve().parents[1] / "vectors/exchanges.txt"
    if "--check" in arguments:
        return int(path.read_text("utf-8") != text())
    path.write_text(text(), encoding="utf-8")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
