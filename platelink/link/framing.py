"""Frames on the wire: COBS, sequence number and CRC around the packed messages. Pure.

Frame: ``COBS(type:u8 | seq:u16 LE | payload | crc:u16 BE) 00``. The CRC is CRC-16/IBM-3740 over
type, seq and payload; sent high byte first, so that the CRC over the whole body is 0.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from struct import Struct
from struct import error as StructError  # noqa: N812
from typing import NamedTuple

from cobs import cobs
from fastcrc.crc16 import ibm_3740

from platelink.link.messages import Command, DeviceMessage, pack

MAX_PAYLOAD = 160
OVERHEAD = 5
"""Bytes of a body that are not payload: type, sequence number, CRC."""
MAX_ENCODED = MAX_PAYLOAD + OVERHEAD + 1
"""Longest frame without its delimiter: COBS adds one byte to a body of up to 254."""
DELIMITER = b"\0"


class Frame(NamedTuple):
    """One frame whose CRC is good. Nothing is known yet of its type or its payload's length."""

    type: int
    seq: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class FrameRejected:
    """Bytes between two delimiters that are no frame, or a frame that is no message.

    ``reason``: "cobs", "crc", "length" (too short, or not the length of its type), "too long",
    "type" (unknown, or not for this side) or "value" (a field that cannot be)."""

    reason: str
    size: int


def encode_raw(type_code: int, payload: bytes, seq: int) -> bytes:
    """The whole wire frame, delimiter included, of a packed payload."""
    body = bytes((type_code, seq & 0xFF, seq >> 8 & 0xFF)) + payload
    crc = ibm_3740(body)
    return bytes(cobs.encode(body + crc.to_bytes(2, "big"))) + DELIMITER


def encode(message: DeviceMessage | Command, seq: int) -> bytes:
    """The whole wire frame, delimiter included. A value that does not fit raises
    ``struct.error``."""
    return encode_raw(*pack(message), seq)


_head = Struct("<BHxx").unpack_from
"""Type and sequence number of a body that is long enough to be one."""
_unstuffed = cobs.decode
_made = tuple.__new__
"""A Frame without a call of Python's for each of thousands."""


class Decoder:
    """Turns a byte stream, cut anywhere, into frames. Holds at most one frame's bytes and the
    last ``keep`` pieces (for fault reports); finds its way back at the next delimiter."""

    def __init__(self, *, keep: int = 100) -> None:
        self._tail = b""
        self._dropped = 0  # bytes already thrown away of a piece that is too long
        self.recent: deque[bytes] = deque(maxlen=keep)

    def feed(self, data: bytes) -> list[Frame | FrameRejected]:
        """Frames completed by ``data``, in order. How the stream is cut changes nothing."""
        pieces = data.split(DELIMITER)
        pieces[0] = self._tail + pieces[0]
        tail = pieces.pop()
        found: list[Frame | FrameRejected] = []
        recent, take = self.recent.append, found.append
        for piece in pieces:
            if self._dropped:
                take(FrameRejected("too long", self._dropped + len(piece)))
                self._dropped = 0
            elif len(piece) > MAX_ENCODED:
                recent(piece[:MAX_ENCODED])
                take(FrameRejected("too long", len(piece)))
            elif piece:
                recent(piece)
                try:
                    body = _unstuffed(piece)
                    code, seq = _head(body)
                except cobs.DecodeError:
                    take(FrameRejected("cobs", len(piece)))
                except StructError:
                    take(FrameRejected("length", len(piece)))
                else:
                    if ibm_3740(body):
                        take(FrameRejected("crc", len(piece)))
                    else:
                        take(_made(Frame, (code, seq, body[3:-2])))
        if self._dropped or len(tail) > MAX_ENCODED:
            self._dropped += len(tail)
            tail = b""
        self._tail = tail
        return found
