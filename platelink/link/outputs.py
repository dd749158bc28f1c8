"""What the session tells its owner: outputs, link states, settings and counts. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from platelink.link.framing import FrameRejected
from platelink.link.messages import Command, Event, Hello, OrderReport, ReplyCode, Sample, Supply


class LinkState(StrEnum):
    """Where the link stands."""

    CLOSED = "closed"  # no port
    CONNECTING = "connecting"  # port open, no hello yet
    UP = "up"
    DOWN = "down"  # port open, the device went silent; asking
    MISMATCH = "mismatch"  # the device speaks another protocol version; nothing is sent
    GARBAGE = "garbage"  # bytes come, but no frame is among them


class LinkUp(NamedTuple):
    """The device answered. ``rebooted``: its boot_id differs from the one seen before, so its
    ticks and event numbers began anew."""

    hello: Hello
    rebooted: bool


class LinkLost(NamedTuple):
    """The link was up and is no more. ``measured`` is the sentence for people."""

    reason: str
    measured: str


class SampleReceived(NamedTuple):
    """``ticks``: device counter, unwrapped; ``t``: host monotonic seconds of that tick (never
    decreasing within a boot); ``lost``: frames missing before this one."""

    sample: Sample
    ticks: int
    t: float
    lost: int


class ClockJumped(NamedTuple):
    """The device's counter has jumped by so many ticks; what is told here counts on without.
    ``jumps``: so often so far."""

    ticks: int
    jumps: int


class DeviceEventReceived(NamedTuple):
    """One edge, delivered exactly once and in order of its number."""

    event: Event
    ticks: int
    t: float


class OrderReported(NamedTuple):
    """``*_ticks``: unwrapped. Raw when the report tells of an earlier boot (its ``boot_id``)."""

    report: OrderReport
    open_ticks: int
    close_ticks: int


class SupplyReported(NamedTuple):
    """The device's own bandgap against the converter's reference."""

    supply: Supply


class CommandAnswered(NamedTuple):
    """``ref`` is what ``Session.send`` returned."""

    ref: int
    command: Command
    code: ReplyCode


class CommandUnanswered(NamedTuple):
    """No reply: given up after ``tries``, link lost, device restarted, or overtaken by a Close.
    The device may or may not have carried it out. ``tries`` 0: never sent."""

    ref: int
    command: Command
    tries: int


class ProtocolMismatch(NamedTuple):
    """The device speaks another protocol version than this host."""

    device: int
    host: int

    def __str__(self) -> str:
        older = "device's firmware" if self.device < self.host else "host's platelink"
        return (
            f"the device speaks protocol version {self.device}, this host {self.host}: "
            f"update the {older}; nothing is sent until they agree"
        )


class GarbageReceived(NamedTuple):
    """The port speaks, but no frame is among its bytes."""

    size: int
    measured: str


class EventsLost(NamedTuple):
    """Events ``first`` to ``last`` are gone: the device no longer keeps them."""

    first: int
    last: int


LinkOutput = (
    LinkUp | LinkLost | SampleReceived | DeviceEventReceived | OrderReported | CommandAnswered
    | CommandUnanswered | FrameRejected | ProtocolMismatch | GarbageReceived | EventsLost
    | ClockJumped | SupplyReported
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class LinkSettings:
    """Times and limits of a session; the defaults carry their reasons."""

    device_silence_s: float = 1.0
    """No Sample for longer: link lost. 20 frames at the usual 20 Hz; twice the longest stall
    (0.5 s) that a busy computer is expected to cause. Never less than three frame intervals."""
    heartbeat_s: float = 0.1
    """Five beats within a heartbeat limit of 0.5 s: at 10 % loss all five fail once in 1e5
    limits. Costs 80 bytes a second, 0.7 % of 115200 baud."""
    retry_s: float = 0.15
    """Wait for a reply. Worst case at 115200 baud: Arm 3 ms, a Sample and an OrderReport ahead of
    the reply 24 ms, sixteen logged events 20 ms, 16 ms latency timer of a USB bridge each way:
    79 ms. From the firmware behind a pty replies took 6 ms, at most 12 (564 measured)."""
    tries: int = 8
    """Sends of a command before it is given up: 1.2 s, and at 10 % loss each way one command in
    600,000."""
    hello_retry_s: float = 0.25
    garbage_bytes: int = 2048
    """Bytes without a valid frame that mean: not our device, or not its baud rate. 15 Samples."""
    strange_retry_s: float = 2.0
    """GetHello interval at a port that speaks garbage, or another version: it may be somebody
    else's device."""
    keep_frames: int = 100


@dataclass(frozen=True, slots=True)
class LinkStatus:
    """Counts since the session was made, unless said otherwise."""

    state: LinkState
    text: str
    """One sentence for people."""
    hello: Hello | None
    frames: int
    frames_lost: int
    """Device to host, from gaps in the device's sequence numbers."""
    duplicates: int
    stale_samples: int
    crc_failures: int
    rejected: int
    """Pieces rejected for anything but their CRC."""
    resent: int
    unanswered: int
    reconnects: int
    reboots: int
    events_lost: int
    device_rx_bad: int
    """Host to device: frames the device refused for length or CRC."""
    device_rx_overrun: int
    clock_resets: int
    """The device's counter and the host's clock parted (the computer slept)."""
    tick_s: float | None
    """Measured seconds of one tick."""
    tick_rel_uncertainty: float
    clock_span_s: float
    last_frame_age_s: float | None
    """None before the first frame, or when ``status`` was asked without ``now``."""
