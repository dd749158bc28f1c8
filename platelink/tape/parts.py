"""Named columns of words, and named bytes, as one string of compressed bytes. Pure.

Layout: ``u32 length`` little-endian, then ``length`` bytes of compressed JSON ``[[name, how, n,
size], ...]``, then the parts one after another, ``size`` bytes each. ``how`` is as in
``record/chunk.py`` for a column of ``n`` words, and empty for ``n`` bytes.
"""

from __future__ import annotations

import json
import lzma
import struct
from collections.abc import Callable, Mapping

from platelink.codec import Words
from platelink.record.chunk import column, shortest

Parts = dict[str, Words | bytes]
_LENGTH = struct.Struct("<I")
_FILTERS: list[dict[str, int]] = [{"id": lzma.FILTER_LZMA2, "preset": 6}]
_MOST_BYTES = 1 << 28


def _squeezed(data: bytes) -> bytes:
    return lzma.compress(data, lzma.FORMAT_RAW, filters=_FILTERS)


def _spread(data: bytes, most: int) -> bytes:
    reader = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=_FILTERS)
    found = reader.decompress(data, most + 1)  # a damaged one may say that it is endless
    if not reader.eof:
        raise ValueError("it is cut off, or longer than it says")
    return found


def words_in(parts: Parts, name: str) -> Words:
    """A column. KeyError, ValueError: there is none of this name."""
    if isinstance(part := parts[name], bytes):
        raise ValueError(f"{name} is no column")
    return part


def bytes_in(parts: Parts, name: str) -> bytes:
    """Bytes. KeyError, ValueError: there are none of this name."""
    if not isinstance(part := parts[name], bytes):
        raise ValueError(f"{name} is a column")
    return part


def pack(parts: Mapping[str, Words | bytes], look: Callable[[], None] = lambda: None) -> bytes:
    """The bytes of these parts. It takes a while: ``look`` is called before each, and ends it by
    raising."""
    told, packed = [], []
    for name, part in parts.items():
        look()
        how, data = ("", _squeezed(part)) if isinstance(part, bytes) else shortest(part)
        told.append([name, how, len(part), len(data)])
        packed.append(data)
    line = _squeezed(json.dumps(told, separators=(",", ":")).encode())
    return _LENGTH.pack(len(line)) + line + b"".join(packed)


def unpack(data: bytes) -> Parts:
    """The parts. ValueError: these are no bytes of ``pack``."""
    found: Parts = {}
    try:
        at = _LENGTH.size + _LENGTH.unpack_from(data)[0]
        for name, how, n, size in json.loads(_spread(data[_LENGTH.size : at], _MOST_BYTES)):
            part = data[at : at + size]
            if not 0 <= n <= _MOST_BYTES:
                raise ValueError(f"{name} has {n}")
            found[name] = column(how, part, n) if how else _spread(part, n)
            if len(found[name]) != n:
                raise ValueError(f"{name} has {len(found[name])} of {n}")
            at += size
    except (struct.error, lzma.LZMAError, KeyError, TypeError) as error:
        raise ValueError(f"no packed parts: {error}") from error
    if at != len(data):
        raise ValueError("it is cut off, or bytes are left over")
    return found
