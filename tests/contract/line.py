"""A host's end of the serial line of any board: cobs and binascii only.

A real line takes time: 11 bytes a tick at 115,200 baud. So that a case can say in which tick a
command counts, all of a frame but its last byte is sent, time is given for it to arrive, and the
last byte follows between two ticks. Nothing is carried out before it, and on every board it is
carried out before the next tick (but never in a tick in which a Sample is written: see ``clear``).
"""

from __future__ import annotations

import binascii
from typing import Any

import numpy as np
from cobs import cobs

from platelink.link import messages as m
from platesim.board import ANALOG_CHANNELS, INPUTS_SAFE

LAMP = 1 << m.Output.LAMP
VACUUM = 1 << m.Output.VACUUM
BEEPER = 1 << m.Output.BEEPER
SETTLED_TICKS = 25
"""More than the 20 closed samples after which an input counts as closed."""
REPLY_TICKS = 60
"""No answer takes longer on a line of 115,200 baud: a Sample and an OrderReport go before it."""
BYTES_A_TICK = 11


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


class Line:
    """A board with a host that counts its commands, keeps what came back and what it fed."""

    def __init__(self, board: Any, *, ready: bool = True) -> None:
        self.board = board
        self.inputs = INPUTS_SAFE
        self.analog = [0] * ANALOG_CHANNELS
        """The counts of every tick until they are changed."""
        self.seq = 0
        self.seen: list[Any] = []
        self.seqs: list[int] = []
        self.handled = 0
        """The newest tick when the last command was carried out."""
        self.beat = 0
        """The newest tick when the last Heartbeat was heard."""
        self.pins: list[tuple[int, int]] = []
        """(tick, outputs) of every change."""
        self._rest = b""
        self._begin()
        if ready:
            self.ticks(SETTLED_TICKS)
            self.send(m.Heartbeat())
            self.settle()
            self.hello = next(x for x in self.seen if isinstance(x, m.Hello))
            self.seen.clear()

    def _begin(self) -> None:
        self.base = self.board.tick
        self._fed: list[Any] = []
        self._count = 0
        self._frame_ticks = self._sample_due = 50

    def reset(self, cause: m.ResetCause) -> None:
        """The device starts again. A frame that was on the line is cut."""
        self.listen()
        self._rest = b""
        self.board.reset(cause)
        self.pins.append((self.board.tick, self.board.outputs))
        self._begin()

    def restart(self, cause: m.ResetCause) -> None:
        """The device starts again, and nothing that went before is remembered."""
        self.reset(cause)
        self.seen, self.seqs, self.pins = [], [], []

    # --- time ------------------------------------------------------------------------------

    def ticks(self, n: int) -> None:
        """Let n ticks pass in the present light, however often an output changes."""
        self.feed(np.tile(np.array(self.analog, np.uint16), (n, 1)))

    def feed(self, block: Any) -> None:
        """Let a tick pass for each row."""
        while len(block):
            before = self.board.outputs
            done = self.board.step(block, self.inputs)
            self._fed.append(block[:done].copy())
            self._count += done
            if self.board.outputs != before:
                self.pins.append((self.board.tick, self.board.outputs))
            block = block[done:]
        while self._count >= self._sample_due:
            self._sample_due += self._frame_ticks
        self.listen()

    def settle(self) -> None:
        """Time for all that waits on the line to come through."""
        self.ticks(REPLY_TICKS)

    def until(self, outputs: int, most: int = 10_000) -> int:
        """Let ticks pass until the outputs are these; the tick in which they became so."""
        for _ in range(most):
            if self.board.outputs == outputs:
                return self.pins[-1][0]
            self.ticks(1)
        raise AssertionError(f"outputs are {self.board.outputs} after {most} ticks")

    def clear(self, after: int = 2, before: int = 0) -> None:
        """Go to a tick that is so many after the last Sample and before the next. Writing one takes
        a small machine longer than the rest of a tick."""
        while not before <= self._sample_due - self._count <= self._frame_ticks - after:
            self.ticks(1)

    def interval(self, frame_ticks: int) -> None:
        """The last command set the ticks between Samples."""
        self._frame_ticks = frame_ticks
        handled = (self.handled - self.base) % 2**32
        self._sample_due = min(self._sample_due, handled + frame_ticks)

    @property
    def tick(self) -> int:
        return int(self.board.tick)

    def rows(self, first: int, last: int) -> Any:
        """What was fed to the ticks first..last."""
        start = (first - self.base) % 2**32 - 1
        return np.concatenate(self._fed)[start : start + (last - first) % 2**32 + 1]

    # --- words -----------------------------------------------------------------------------

    def listen(self) -> list[Any]:
        """What the device sent since the last call; also kept in ``seen``."""
        whole, end, self._rest = (self._rest + self.board.transmit()).rpartition(b"\0")
        fresh = split(whole + end)
        self.seqs += [seq for _, seq, _ in fresh]
        messages = [m.unpack(code, payload) for code, _, payload in fresh]
        self.seen += messages
        return messages

    def deliver(self, wire: bytes) -> None:
        """Bytes of the host; the last one arrives between this tick and the next."""
        if wire[:-1]:
            self.board.receive(wire[:-1])
            self.ticks(len(wire) // BYTES_A_TICK + 2)
        self.clear()
        self.board.receive(wire[-1:])
        self.handled = self.tick

    def send(self, command: Any, *, seq: int | None = None) -> m.ReplyCode | None:
        """Send a command; the code of its reply, None for a Heartbeat. The board's clock stands
        at ``handled`` or, where the answer takes time, later."""
        self.seq = (self.seq + 1) % 65536 if seq is None else seq
        code, payload = m.pack(command)
        before = len(self.seen)
        self.deliver(frame(code, self.seq, payload))
        if isinstance(command, m.Heartbeat):
            self.beat = self.handled
            return None
        answer = self.answer(self.seq, before)
        assert answer.type == code
        if isinstance(command, m.SetFrame) and answer.code == m.ReplyCode.OK:
            self.interval(command.frame_ticks)
        return m.ReplyCode(answer.code)

    def answer(self, seq: int, before: int = 0) -> m.Reply:
        """The Reply to that command, past so many messages; waits for it."""
        self.listen()
        for _ in range(REPLY_TICKS):
            for message in self.seen[before:]:
                if isinstance(message, m.Reply) and message.seq == seq:
                    return message
            self.ticks(1)
        raise AssertionError(f"command {seq} not answered in {REPLY_TICKS} ticks")

    def open(self, arm: m.Arm) -> int:
        """A Heartbeat, Arm and Open; the tick in which the lamp came on."""
        self.send(m.Heartbeat())
        assert self.send(arm) is m.ReplyCode.OK
        assert self.send(m.Open(arm.order)) is m.ReplyCode.OK
        opened = (self.handled + 1) % 2**32
        if self.tick == self.handled:
            self.ticks(1)
        assert (opened, LAMP) in [(tick, outputs & LAMP) for tick, outputs in self.pins]
        return opened

    def report(self) -> m.OrderReport:
        """The newest order; asks for it."""
        assert self.send(m.GetOrder()) is m.ReplyCode.OK
        return next(x for x in reversed(self.seen) if isinstance(x, m.OrderReport))

    def closed(self) -> m.OrderReport:
        """The newest order, which must have ended; its report agrees with the pin and the event."""
        self.settle()
        report = self.report()
        assert report.state == m.OrderState.CLOSED
        assert not self.lamp
        off = [tick for tick, outputs in self.pins if not outputs & LAMP]
        if report.open_tick != report.close_tick:
            assert report.close_tick in off
        last = self.events(m.EventCode.LAMP_CLOSED)[-1]
        assert (last.tick, last.arg) == (report.close_tick, report.close_reason)
        return report

    def events(self, code: m.EventCode) -> list[m.Event]:
        return [x for x in self.seen if isinstance(x, m.Event) and x.code == code]

    def samples(self) -> list[m.Sample]:
        return [x for x in self.seen if isinstance(x, m.Sample)]

    def sample(self) -> m.Sample:
        """The next Sample made."""
        after = self.tick + 1
        for _ in range(2000):
            if self.samples() and (self.samples()[-1].tick - after) % 2**32 < 2**31:
                return self.samples()[-1]
            self.ticks(1)
        raise AssertionError("no Sample in 2000 ticks")

    @property
    def lamp(self) -> bool:
        return bool(self.board.outputs & LAMP)
