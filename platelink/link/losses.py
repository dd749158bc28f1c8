"""Counts what got lost on the way, and watches for silence and for garbage. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.link.framing import FrameRejected
from platelink.link.messages import Sample

MAX_GAP = 1024
"""A longer jump of the device's sequence number (51 s of frames at 20 Hz) is not counted as loss:
more likely the device numbers its frames anew."""
STALL_S = 0.2
"""A look at the clock later than this was late because the computer stalled: give the port a
moment to hand over what it holds before calling the device silent."""


@dataclass(slots=True)
class Losses:
    """Running counts of one session."""

    frames: int = 0
    lost: int = 0
    duplicates: int = 0
    crc: int = 0
    rejected: int = 0
    resent: int = 0
    unanswered: int = 0
    rx_bad: int = 0
    rx_overrun: int = 0
    missing: int = 0
    """Frames missing since the last Sample."""
    _expected: int | None = None
    _rx_seen: tuple[int, int] | None = None

    def expect(self, seq: int | None) -> None:
        """The device's next sequence number; None: whatever comes."""
        self._expected = seq

    def count_seq(self, seq: int) -> None:
        """A frame with this sequence number came."""
        gap = 0 if self._expected is None else (seq - self._expected) & 0xFFFF
        if gap >= 0x8000:
            self.duplicates += 1
            return
        self._expected = (seq + 1) & 0xFFFF
        if 0 < gap <= MAX_GAP:
            self.lost += gap
            self.missing += gap

    def count_rejected(self, rejected: FrameRejected) -> None:
        """Keep CRC failures, the sign of a bad line, apart from the rest."""
        if rejected.reason == "crc":
            self.crc += 1
        else:
            self.rejected += 1

    def start_boot(self, *, seen_before: bool) -> None:
        """The device's own counters began anew, or were never read before."""
        self._rx_seen = (0, 0) if seen_before else None
        self.missing = 0

    def count_device(self, sample: Sample) -> None:
        """Add up the device's own 16-bit counters since it was first heard."""
        seen = (sample.rx_bad, sample.rx_overrun)
        if self._rx_seen is not None:
            self.rx_bad += (seen[0] - self._rx_seen[0]) & 0xFFFF
            self.rx_overrun += (seen[1] - self._rx_seen[1]) & 0xFFFF
        self._rx_seen = seen


class SilenceWatch:
    """Is the device silent, or was this computer?"""

    def __init__(self, limit_s: float) -> None:
        self._least_s = self.limit_s = limit_s
        self.due = 0.0
        self._heard = 0.0
        self._stall_seen = False

    def set_interval(self, frame_s: float, now: float) -> None:
        """Samples come every ``frame_s``: three missing ones are never called silence."""
        self.limit_s = max(self._least_s, 3.0 * frame_s)
        self.heard(now)

    def heard(self, now: float) -> None:
        """A Sample came."""
        self._heard = now
        self.due = now + self.limit_s
        self._stall_seen = False

    def silent(self, now: float) -> str | None:
        """What was measured, once the limit is passed."""
        if now < self.due:
            return None
        if now - self.due > STALL_S and not self._stall_seen:
            self._stall_seen = True
            self.due = now + STALL_S / 2
            return None
        return f"no frame for {now - self._heard:.2f} s (limit {self.limit_s:.2f} s)"


class GarbageWatch:
    """Bytes since the last valid frame."""

    def __init__(self, limit: int) -> None:
        self.limit = limit
        self.size = 0

    def measured(self) -> str | None:
        """What was measured, once the limit is passed."""
        if self.size <= self.limit:
            return None
        return (
            f"{self.size} bytes without a valid frame (limit {self.limit}): another device, or "
            "another baud rate; check the port and its speed"
        )
