"""A host's end of the serial line for the firmware tests: cobs and binascii only."""

from __future__ import annotations

import binascii
from typing import Any

import numpy as np
from cobs import cobs

from platelink.link import messages as m
from platesim.board import INPUTS_SAFE, HostBoard

LAMP = 1 << m.Output.LAMP


def frame(code: int, seq: int, payload: bytes) -> bytes:
    """A whole frame, its 0x00 included."""
    body = bytes([code]) + seq.to_bytes(2, "little") + payload
    return cobs.encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big")) + b"\0"


def split(data: bytes) -> list[tuple[int, int, bytes]]:
    """(type, seq, payload) of whole frames; anything spoiled fails the test."""
    assert data == b"" or data.endswith(b"\0")
    found = []
    for part in data.split(b"\0")[:-1]:
        body = cobs.decode(part)
        assert binascii.crc_hqx(body, 0xFFFF) == 0
        found.append((body[0], int.from_bytes(body[1:3], "little"), body[3:-2]))
    return found


class Line:
    """A board with a host that counts its commands and keeps what came back."""

    def __init__(self, board: HostBoard | None = None, *, ready: bool = True) -> None:
        self.board = board or HostBoard(light_channels=4)
        self.inputs = INPUTS_SAFE
        self.light = [0, 0, 0, 0]
        self.seq = 0
        self.seen: list[Any] = []
        self.seqs: list[int] = []
        if ready:
            self.ticks(25)
            self.send(m.Heartbeat())
            self.seen.clear()

    def listen(self) -> list[Any]:
        """What the device sent since the last call; also kept in ``seen``."""
        fresh = split(self.board.transmit())
        self.seqs += [seq for _, seq, _ in fresh]
        messages = [m.unpack(code, payload) for code, _, payload in fresh]
        self.seen += messages
        return messages

    def ticks(self, n: int) -> None:
        """Let n ticks pass in the present light, however often an output changes."""
        block = np.zeros((n, 7), np.uint16)
        block[:, :4] = self.light
        while len(block):
            block = block[self.board.step(block, self.inputs) :]
        self.listen()

    def send(self, command: Any, *, seq: int | None = None) -> m.ReplyCode | None:
        """Send a command; the code of its reply, None when there is none at once."""
        self.seq = (self.seq + 1) % 65536 if seq is None else seq
        code, payload = m.pack(command)
        self.board.receive(frame(code, self.seq, payload))
        for message in self.listen():
            if isinstance(message, m.Reply):
                assert (message.seq, message.type) == (self.seq, code)
                return m.ReplyCode(message.code)
        return None

    def open(self, order: m.Arm) -> None:
        """Arm and open; the next tick lights the lamp."""
        assert self.send(order) is m.ReplyCode.OK
        assert self.send(m.Open(order.order)) is m.ReplyCode.OK

    def report(self) -> m.OrderReport:
        assert self.send(m.GetOrder()) is m.ReplyCode.OK
        return next(x for x in reversed(self.seen) if isinstance(x, m.OrderReport))

    def events(self, code: m.EventCode) -> list[m.Event]:
        return [x for x in self.seen if isinstance(x, m.Event) and x.code == code]

    @property
    def lamp(self) -> bool:
        return bool(self.board.outputs & LAMP)


def order(**changes: Any) -> m.Arm:
    """Order 1 on the first channel with limits that no test meets by chance."""
    plain = m.Arm(
        order=1,
        weight=(1, 0, 0, 0),
        bias=0,
        target=10**9,
        guard_ticks=10**6,
        silence_ticks=60000,
        silence_policy=m.SilencePolicy.CLOSE,
    )
    return plain._replace(**changes)
