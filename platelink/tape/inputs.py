"""What a tape holds: inputs of the core with their stamps, and what it sent and kept. Pure.

One record: ``kind u8 | now f64 | utc_ms i64 | size u32`` little-endian, then ``size`` bytes. A tape
is its records one after another; its hash is the SHA-256 of these bytes, however they are stored.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from enum import IntEnum
from typing import NamedTuple

from platelink.unit.stamp import Stamp

_HEAD = struct.Struct("<BdqI")
MOST_BYTES = 1 << 20
"""No input is longer: a longer one is damage."""


class Kind(IntEnum):
    """What a record is."""

    DATA = 0
    """Bytes from the device."""
    TICK = 1
    CALL = 2
    """Any other input: JSON ``[name, {parameter: value}]``."""
    WRITTEN = 3
    """Nothing waits to be written (1), or something does (0)."""
    SENT = 4
    """Bytes for the device: what came of the inputs before."""
    KEPT = 5
    """CRC-32 of the JSON of what a restart would go on from: the same."""
    SAME = 6
    """The newest ``outside`` once more: it comes every second, and seldom tells news."""


KINDS = tuple(Kind)
"""By their number: a call of an enum costs more than all else of a record."""


class Record(NamedTuple):
    """One record of a tape."""

    kind: Kind
    at: Stamp
    body: bytes

    def pack(self) -> bytes:
        """Its bytes."""
        return pack(self.kind, self.at, self.body)


def pack(kind: int, at: Stamp, body: bytes) -> bytes:
    """The bytes of a record."""
    return _HEAD.pack(kind, at.now, at.utc_ms, len(body)) + body


def records(data: bytes) -> Iterator[Record]:
    """All whole records; a last one that was cut off is left out. ValueError: it is no tape."""
    at = 0
    while at + _HEAD.size <= len(data):
        kind, now, utc_ms, size = _HEAD.unpack_from(data, at)
        if size > MOST_BYTES:
            raise ValueError(f"a record of {size} bytes")
        end = at + _HEAD.size + size
        if end > len(data):
            return
        if kind >= len(KINDS):
            raise ValueError(f"a record of kind {kind}")
        yield Record(KINDS[kind], Stamp(now, utc_ms), data[at + _HEAD.size : end])
        at = end
