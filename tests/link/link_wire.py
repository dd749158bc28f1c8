"""A serial line in virtual time: loses, duplicates, splits, delays; a session on one end."""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from platelink.link.framing import Decoder, Frame, encode
from platelink.link.messages import (
    CODES,
    Event,
    GetHello,
    GetLog,
    Heartbeat,
    Hello,
    Reply,
    ReplyCode,
    Sample,
    unpack,
)
from platelink.link.outputs import LinkOutput, LinkSettings
from platelink.link.session import Session
from platesim.board import INPUTS_SAFE, HostBoard

HELLO = Hello(1, 1, (1, 0, 0), 1, 10, 15, 0, 77, 0, 1000, 50)
ZERO4 = (0, 0, 0, 0)


def make_sample(tick: int, *, events: int = 0, **fields: Any) -> Sample:
    """A Sample of a quiet device."""
    quiet = Sample(
        tick, 3, 0, 0, 0, 0, events, 0, ZERO4, ZERO4, ZERO4, ZERO4,
        0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
    )  # fmt: skip
    return quiet._replace(**fields)


class FakeDevice:
    """Just enough of a device to talk to: answers hello and commands, keeps sixteen events."""

    def __init__(self, hello: Hello = HELLO) -> None:
        self.hello = hello
        self.seq = 0
        self.events: list[Event] = []
        self.heard: list[tuple[int, Any]] = []  # (seq, message)
        self.answers = True
        self.mute: set[type] = set()
        self._decoder = Decoder()
        self._out = bytearray()

    def send(self, message: Any) -> bytes:
        wire = encode(message, self.seq)
        self.seq = (self.seq + 1) & 0xFFFF
        return wire

    def say(self, message: Any) -> None:
        self._out += self.send(message)

    def receive(self, data: bytes) -> None:
        for frame in self._decoder.feed(data):
            assert isinstance(frame, Frame)
            message = unpack(frame.type, frame.payload)
            self.heard.append((frame.seq, message))
            if type(message) in self.mute or not self.answers or isinstance(message, Heartbeat):
                continue
            if isinstance(message, GetHello):
                self.say(self.hello)
            if isinstance(message, GetLog):
                for event in self.events[-16:]:
                    if event.number >= message.number:
                        self.say(event)
            self.say(Reply(frame.seq, CODES[type(message)], ReplyCode.OK))

    def transmit(self) -> bytes:
        data = bytes(self._out)
        self._out.clear()
        return data


@dataclass
class Faults:
    """What the line does to each frame; probabilities, and seconds."""

    loss: float = 0.0
    duplicate: float = 0.0
    corrupt: float = 0.0
    delay_s: float = 0.0


@dataclass
class Line:
    """One direction: frames in, bytes out later, in order but cut anywhere."""

    faults: Faults
    rng: random.Random
    lost: int = 0
    _tail: bytes = b""
    _queue: list[tuple[float, bytes]] = field(default_factory=list)

    def write(self, data: bytes, now: float) -> None:
        *frames, self._tail = (self._tail + data).split(b"\0")
        for frame in frames:
            self._carry(frame + b"\0", now)

    def _carry(self, frame: bytes, now: float) -> None:
        rng, faults = self.rng, self.faults
        if rng.random() < faults.loss:
            self.lost += 1
            return
        if rng.random() < faults.corrupt and len(frame) > 1:
            at = rng.randrange(len(frame) - 1)
            frame = frame[:at] + bytes((frame[at] ^ 1 << rng.randrange(8),)) + frame[at + 1 :]
        copies = 2 if rng.random() < faults.duplicate else 1
        at_s = now + rng.random() * faults.delay_s
        if self._queue:
            at_s = max(at_s, self._queue[-1][0])
        self._queue += [(at_s, frame)] * copies

    def read(self, now: float) -> bytes:
        """What has arrived; the last piece may be half a frame."""
        due = [data for at, data in self._queue if at <= now]
        del self._queue[: len(due)]
        data = b"".join(due)
        keep = self.rng.randrange(len(data) + 1) if data and self.faults.delay_s else len(data)
        if keep < len(data):
            self._queue.insert(0, (now, data[keep:]))
        return data[:keep]


class Bench:
    """A session and the real firmware's host board, joined by two lines, in virtual time."""

    def __init__(self, seed: int, faults: Faults, *, settings: LinkSettings | None = None) -> None:
        rng = random.Random(seed)
        self.board = HostBoard(boot_id=seed + 1)
        self.session = Session(settings=settings)
        self.down, self.up = Line(faults, rng), Line(faults, rng)
        self.now = 100.0
        self.true_start = self.now
        self.inputs = INPUTS_SAFE
        self.outputs: list[LinkOutput] = []
        self._analog = np.full((1, 8), 512, dtype=np.uint16)

    def open(self) -> None:
        self.outputs += self.session.port_opened(now=self.now)

    def run(self, seconds: float, step_s: float = 0.005) -> None:
        """Let device and host live for a while; both see the same time."""
        for _ in range(round(seconds / step_s)):
            ticks = round(step_s * 1000)
            while ticks:
                ticks -= self.board.step(np.repeat(self._analog, ticks, axis=0), self.inputs)
            self.now += step_s
            self._exchange()

    def _exchange(self) -> None:
        session, now = self.session, self.now
        self.up.write(self.board.transmit(), now)
        data = self.up.read(now)
        if data:
            self.outputs += session.receive(data, now=now)
        deadline = session.next_deadline()
        if deadline is not None and deadline <= now:
            self.outputs += session.tick(now=now)
        self.down.write(session.data_to_send(), now)
        self.board.receive(self.down.read(now))

    def of(self, kind: type) -> list[Any]:
        return [output for output in self.outputs if isinstance(output, kind)]
