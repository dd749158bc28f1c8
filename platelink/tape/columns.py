"""Records of a tape as compressed columns, exact to the bit. Pure.

Kinds, times and sizes of the records, frames to and from the device field by field, and the bodies
of all else, kind by kind.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from platelink.tape import frames, parts, times
from platelink.tape.inputs import KINDS, Kind, Record
from platelink.unit.stamp import Stamp

_FRAMED = (Kind.DATA, Kind.SENT)


def pack(all_of: Sequence[Record], look: Callable[[], None] = lambda: None) -> bytes:
    """The bytes of these records, at least one. It takes a while: ``look`` is called in between,
    and ends it by raising."""
    kinds = np.array([record.kind for record in all_of], np.uint8)
    sizes = np.array([len(record.body) for record in all_of], np.uint64)
    found: parts.Parts = {"kinds": kinds.tobytes(), "sizes": sizes[times.by_kind(kinds)]}
    found |= times.apart(kinds, [record.at for record in all_of])
    for kind in Kind:
        look()
        data = b"".join(record.body for record in all_of if record.kind is kind)
        found |= frames.apart(kind.name, data) if kind in _FRAMED else {kind.name: data}
    return parts.pack(found, look)


def unpack(packed: bytes) -> Iterator[Record]:
    """The records. ValueError, at once: these are no bytes of ``pack``."""
    found = parts.unpack(packed)
    try:
        kinds = np.frombuffer(parts.bytes_in(found, "kinds"), np.uint8)
        named = [KINDS[kind] for kind in kinds.tolist()]
        now, utc_ms = times.together(kinds, found)
        bodies = b"".join(_bodies(kind, found) for kind in Kind)
        places, sizes = times.by_kind(kinds), parts.words_in(found, "sizes").view(np.int64)
        ends = np.zeros(len(kinds), np.int64)
        ends[places] = np.cumsum(sizes)
        begins = ends.copy()
        begins[places] -= sizes
    except (KeyError, IndexError, TypeError) as error:
        raise ValueError(f"no packed inputs: {error}") from error
    if sizes.sum() != len(bodies):
        raise ValueError("bytes are left over")
    heads = zip(named, now, utc_ms, begins.tolist(), ends.tolist(), strict=True)
    return (Record(kind, Stamp(at, ms), bodies[begin:end]) for kind, at, ms, begin, end in heads)


def _bodies(kind: Kind, found: parts.Parts) -> bytes:
    if kind in _FRAMED:
        return frames.together(kind.name, found)
    return parts.bytes_in(found, kind.name)
