"""Faults: what goes wrong on the wire, and what can be done to a unit in the middle of a run. Data
and the wire's step functions; every random thing comes from a seed."""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from platelink.link.messages import ResetCause
from platesim.vacuum import Leak

_LONGEST_PIECE = 512
"""Bytes without a delimiter that are passed on as they are."""


@dataclass(frozen=True, slots=True)
class WireParameters:
    """Serial line. Probabilities are for each whole frame, in each direction."""

    delay_s: float = 0.0008
    jitter_s: float = 0.0
    """Added delay, uniform from 0 to this; frames never overtake."""
    loss: float = 0.0
    corruption: float = 0.0
    """One bit flipped."""
    garbage: float = 0.0
    """Random bytes before the frame."""
    stall_every_s: float = math.inf
    """Mean time between stalls of the host (exponential); bytes wait and arrive at its end."""
    stall_s: float = 0.5


class Stalls:
    """Windows in which nothing arrives: seeded ones and added ones. Same seed, same windows."""

    __slots__ = ("_added", "_next", "_parameters", "_rng")

    def __init__(self, parameters: WireParameters, seed: int) -> None:
        self._parameters = parameters
        self._rng = np.random.default_rng((seed, 3))
        self._added: list[tuple[float, float]] = []
        self._next = self._draw(0.0)

    def _draw(self, after_s: float) -> tuple[float, float]:
        if math.isinf(self._parameters.stall_every_s):
            return (math.inf, math.inf)
        start = after_s + float(self._rng.exponential(self._parameters.stall_every_s))
        return (start, start + self._parameters.stall_s)

    def add(self, start_s: float, end_s: float) -> None:
        """A stall by order."""
        self._added.append((start_s, end_s))

    def arrival(self, t_s: float) -> float:
        """When bytes arrive that would have arrived at ``t_s`` (asked in ascending order)."""
        while self._next[1] <= t_s:
            self._next = self._draw(self._next[1])
        if self._next[0] <= t_s:
            t_s = self._next[1]
        for start, end in self._added:
            if start <= t_s < end:
                t_s = end
        return t_s


class Wire:
    """One direction of the line. Takes bytes, works on whole frames (split at 0x00), gives back
    what has arrived by a time."""

    __slots__ = (
        "_partial",
        "_queue",
        "_rng",
        "_stalls",
        "frames",
        "lost",
        "next_s",
        "parameters",
        "plugged",
        "spoil",
    )

    def __init__(self, parameters: WireParameters, stalls: Stalls, seed: tuple[int, int]) -> None:
        self.parameters = parameters
        self.plugged = True
        self.frames = 0
        self.lost = 0
        self.next_s = math.inf
        """When the next bytes arrive; inf: nothing on the way."""
        self.spoil: Callable[[bytes], bytes] | None = None
        """Changes every frame on its way."""
        self._rng = np.random.default_rng(seed)
        self._stalls = stalls
        self._partial = b""
        self._queue: deque[tuple[float, bytes]] = deque()

    def put(self, data: bytes, now_s: float) -> None:
        """Bytes enter the wire."""
        if not self.plugged:
            return
        if not self._partial and data.find(b"\0") == len(data) - 1 >= 0:  # one frame, as mostly
            self._send(data, now_s)
            return
        *frames, rest = (self._partial + data).split(b"\0")
        for frame in frames:
            self._send(frame + b"\0", now_s)
        if len(rest) > _LONGEST_PIECE:
            self._send(rest, now_s)
            rest = b""
        self._partial = rest

    def garbage(self, size: int, now_s: float) -> None:
        """Random bytes, zeros among them."""
        self._enqueue(self._rng.bytes(size), now_s)

    def unplug(self) -> None:
        """All bytes on the way are gone, and all to come until ``plugged`` is set."""
        self.plugged = False
        self._partial = b""
        self._queue.clear()
        self.next_s = math.inf

    def take(self, now_s: float) -> bytes:
        """Bytes that have arrived."""
        if self.next_s > now_s:
            return b""
        queue, arrived = self._queue, []
        while queue and queue[0][0] <= now_s:
            arrived.append(queue.popleft()[1])
        self.next_s = queue[0][0] if queue else math.inf
        return b"".join(arrived)

    def _send(self, frame: bytes, now_s: float) -> None:
        p, rng = self.parameters, self._rng
        self.frames += 1
        if self.spoil is not None:
            frame = self.spoil(frame)
        if p.garbage and rng.random() < p.garbage:
            frame = rng.bytes(int(rng.integers(1, 40))) + frame
        if p.loss and rng.random() < p.loss:
            self.lost += 1
            return
        if p.corruption and rng.random() < p.corruption:
            spoilt = bytearray(frame)
            spoilt[int(rng.integers(len(frame)))] ^= 1 << int(rng.integers(8))
            frame = bytes(spoilt)
        self._enqueue(frame, now_s)

    def _enqueue(self, piece: bytes, now_s: float) -> None:
        p = self.parameters
        at = now_s + p.delay_s
        if p.jitter_s:
            at += p.jitter_s * float(self._rng.random())
        at = self._stalls.arrival(at)
        if self._queue:
            at = max(at, self._queue[-1][0])
        else:
            self.next_s = at
        self._queue.append((at, piece))


# --- faults injected into a unit ----------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class LeakOpens:
    """Air gets into the vacuum frame; the leak's own times count from when it opens."""

    leak: Leak


@dataclass(frozen=True, slots=True)
class PumpStops:
    """The pump stops with its valve open; undone: it runs again."""


@dataclass(frozen=True, slots=True)
class TubeFails:
    """A tube goes dark for good."""

    tube: int


@dataclass(frozen=True, slots=True)
class RelayWelds:
    """The lamps' contactor no longer lets go; undone: it does."""


@dataclass(frozen=True, slots=True)
class ContactorSticks:
    """The lamps' contactor lets go this much later than it is told to."""

    seconds: float = 0.4


@dataclass(frozen=True, slots=True)
class LampsDoNotStrike:
    """The lamps stay dark when they are switched on; those burning burn on."""


@dataclass(frozen=True, slots=True)
class StrayLight:
    """Light from elsewhere on the bed and its sensors, mW/cm²."""

    mw_cm2: float = 0.3


@dataclass(frozen=True, slots=True)
class SensorDimmed:
    """Only this share of the light reaches a sensor; above 1 it sees more than there is."""

    channel: int = 0
    transmission: float = 0.5


@dataclass(frozen=True, slots=True)
class GaugeStuck:
    """A column of the analog block stays at its present count."""

    column: int


@dataclass(frozen=True, slots=True)
class GaugeShifts:
    """A column of the analog block is off by so many counts, and by more every second."""

    column: int
    counts: float = 0.0
    counts_per_s: float = 0.0


@dataclass(frozen=True, slots=True)
class InterlockOpens:
    """The lid opens; undone: it is closed again."""


@dataclass(frozen=True, slots=True)
class StopPressed:
    """The stop button; undone: released."""


@dataclass(frozen=True, slots=True)
class DoorOpens:
    """The oven's door."""


@dataclass(frozen=True, slots=True)
class Unplugged:
    """The cable is out; undone: it is in again."""


@dataclass(frozen=True, slots=True)
class DeviceResets:
    """Brown-out or another reset: sums and state gone."""

    cause: ResetCause = ResetCause.BROWN_OUT


@dataclass(frozen=True, slots=True)
class HostStalls:
    """Nothing arrives for a while, in either direction."""

    seconds: float = 0.5


@dataclass(frozen=True, slots=True)
class GarbageSent:
    """Random bytes towards the host."""

    size: int = 200


@dataclass(frozen=True, slots=True)
class LineEchoes:
    """What either end sends comes back to it, too."""


@dataclass(frozen=True, slots=True)
class BitFlips:
    """One bit of one field of the next Sample; its check sum is right."""

    field: str
    bit: int
    index: int = 0
    """Which of the field's values, where it has several."""


@dataclass(frozen=True, slots=True)
class ClockJumps:
    """The device's clock jumps; it does not say so."""

    ticks: int


@dataclass(frozen=True, slots=True)
class SpeaksVersion:
    """The device says that it speaks this version of the protocol."""

    protocol: int


@dataclass(frozen=True, slots=True)
class DeviceHangs:
    """The device stands still with its outputs as they are; undone: its watchdog starts it anew."""


@dataclass(frozen=True, slots=True)
class OrderForgotten:
    """The device loses its newest order, and runs on."""


Fault = (
    LeakOpens | PumpStops | TubeFails | RelayWelds | ContactorSticks | LampsDoNotStrike | StrayLight
    | SensorDimmed | GaugeStuck | GaugeShifts | InterlockOpens | StopPressed | DoorOpens | Unplugged
    | DeviceResets | DeviceHangs | OrderForgotten | HostStalls | GarbageSent | LineEchoes | BitFlips
    | ClockJumps | SpeaksVersion
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Planned:
    """A fault and when it strikes: at a true time, or once the lamps have been switched on for so
    many seconds in all; undone after ``for_s``."""

    fault: Fault
    at_s: float | None = None
    at_light_s: float | None = None
    for_s: float | None = None


@dataclass(order=True, slots=True)
class Due:
    """An entry of the unit's agenda."""

    at_s: float
    order: int
    fault: Fault = field(compare=False)
    undo: bool = field(compare=False, default=False)
    for_s: float | None = field(compare=False, default=None)
