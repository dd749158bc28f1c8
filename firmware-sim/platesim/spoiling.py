"""Messages that are changed on their way and still have a good check sum."""

from __future__ import annotations

from typing import Any

from platelink.link.framing import Decoder, Frame, encode
from platelink.link.messages import Hello, Sample, layout, unpack
from platesim.faults import BitFlips

_BITS = {"B": 8, "H": 16, "I": 32, "i": 32, "q": 64, "Q": 64}
_U32 = 0xFFFFFFFF


class Spoiler:
    """What is changed of messages that travel to the host."""

    def __init__(self) -> None:
        self.flips: list[BitFlips] = []
        """Each spoils one Sample."""
        self.ticks = 0
        """Added to every tick."""
        self.protocol: int | None = None
        """Said instead of the device's own version."""

    def __call__(self, frame: bytes) -> bytes:
        """A frame as the host gets it."""
        if not (self.flips or self.ticks or self.protocol is not None):
            return frame
        found = Decoder(keep=1).feed(frame)
        if len(found) != 1 or not isinstance(found[0], Frame):
            return frame
        message = unpack(found[0].type, found[0].payload)
        return encode(self._spoilt(message), found[0].seq)

    def _spoilt(self, message: Any) -> Any:
        for name in ("tick", "open_tick", "close_tick"):
            if self.ticks and hasattr(message, name):
                message = message._replace(**{name: getattr(message, name) + self.ticks & _U32})
        if isinstance(message, Hello) and self.protocol is not None:
            return message._replace(protocol=self.protocol)
        if isinstance(message, Sample) and self.flips:
            return _flipped(message, self.flips.pop(0))
        return message


def _flipped(sample: Any, flip: BitFlips) -> Any:
    """The sample with one bit turned over; a bit beyond the field's highest is that one."""
    code = dict(layout(Sample))[flip.field][-1]
    bits = _BITS[code]
    mask = 1 << min(flip.bit, bits - 1)
    was = getattr(sample, flip.field)
    if isinstance(was, tuple):
        now: Any = tuple(v ^ mask if i == flip.index else v for i, v in enumerate(was))
    else:
        now = (was ^ mask) & ((1 << bits) - 1)
        if code in "iq" and now >> bits - 1:
            now -= 1 << bits
    return sample._replace(**{flip.field: now})
