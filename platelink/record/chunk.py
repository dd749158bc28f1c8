"""All samples of a closed run as one chunk of compressed bytes, exact to the bit. Pure.

Layout: ``version u8 | n u32 | crc u32 | length u32`` little-endian, then ``length`` bytes of JSON
``{"raw": [names], "values": [names], "how": [...], "bytes": [...], "packed": crc}``, then one part
for each column (ticks, at_utc_ms, raw, values, in that order), as long as ``bytes`` says. A part is
a raw LZMA2 stream of the column's 64-bit words, arranged as ``how`` says, whichever came out
shortest:

- ``differences``: as in ``codec.py``: zigzag-folded, in eight planes of bytes: counters;
- ``bends``: the same of the differences' differences: sums of light;
- ``words``: the words as they are: values that come again, as those of a converter do.

``crc`` is the CRC-32 of the JSON and then of all words, column after column. ``packed`` is that of
the JSON before it and then of all parts, so that some columns can be believed without
the others; in older chunks it is not there.
"""

from __future__ import annotations

import json
import lzma
import struct
import zlib
from collections.abc import Callable

import numpy as np

from platelink.codec import Pick, Words, folded, unfolded
from platelink.runs import SampleBlock

_VERSION = 2
"""Another one than a block's: neither is taken for the other."""
_HEADER = struct.Struct("<BIII")
_PACKED = b', "packed": '
_DICT_BYTES = 1 << 22
_PLANES: list[dict[str, int]] = [
    {"id": lzma.FILTER_LZMA2, "preset": 4, "dict_size": _DICT_BYTES},
]
_WORDS: list[dict[str, int]] = [
    {"id": lzma.FILTER_LZMA2, "preset": 4, "dict_size": _DICT_BYTES, "lc": 0, "lp": 3, "pb": 3},
]
"""Literals by their place in a word of eight bytes."""


def _differences(words: Words) -> Words:
    found = words.copy()
    found[1:] -= words[:-1]
    return found


def _sums(words: Words) -> Words:
    return np.add.accumulate(words, dtype=np.uint64)


def _as_planes(words: Words) -> bytes:
    return folded(words).astype("<u8", copy=False).view(np.uint8).reshape(-1, 8).T.tobytes()


def _of_planes(data: bytes) -> Words:
    octets = np.frombuffer(data, np.uint8).reshape(8, -1).T
    return unfolded(np.ascontiguousarray(octets).view("<u8")[:, 0].astype(np.uint64, copy=False))


def _of_words(data: bytes) -> Words:
    return np.frombuffer(data, "<u8").astype(np.uint64)


_HOW: dict[
    str, tuple[list[dict[str, int]], Callable[[Words], bytes], Callable[[bytes], Words]]
] = {
    "differences": (
        _PLANES, lambda words: _as_planes(_differences(words)), lambda data: _sums(_of_planes(data))
    ),
    "bends": (
        _PLANES, lambda words: _as_planes(_differences(_differences(words))),
        lambda data: _sums(_sums(_of_planes(data))),
    ),
    "words": (_WORDS, lambda words: words.astype("<u8", copy=False).tobytes(), _of_words),
}  # fmt: skip
"""Filters, arranging, and arranging back."""


def _columns(block: SampleBlock) -> list[Words]:
    columns = (block.ticks, block.at_utc_ms, *block.raw.values(), *block.values.values())
    return [np.ascontiguousarray(column).view(np.uint64) for column in columns]


def same(one: SampleBlock, other: SampleBlock) -> bool:
    """Whether they are the same bits under the same names."""
    names = (list(one.raw), list(one.values)) == (list(other.raw), list(other.values))
    pairs = zip(_columns(one), _columns(other), strict=False)
    return names and all(np.array_equal(a, b) for a, b in pairs)


def shortest(words: Words) -> tuple[str, bytes]:
    """How a column's words come out shortest, and their bytes."""
    tried = {
        name: lzma.compress(arranged(words), lzma.FORMAT_RAW, filters=filters)
        for name, (filters, arranged, _) in _HOW.items()
    }
    how = min(tried, key=lambda name: len(tried[name]))
    return how, tried[how]


def pack(block: SampleBlock, look: Callable[[], None] = lambda: None) -> bytes:
    """Bytes of all samples of a run. It takes a while: ``look`` is called before each column, and
    ends it by raising."""
    how, parts = [], []
    for words in _columns(block):
        look()
        name, part = shortest(words)
        how.append(name)
        parts.append(part)
    names = {
        "raw": list(block.raw), "values": list(block.values), "how": how,
        "bytes": [len(part) for part in parts],
    }  # fmt: skip
    packed = b"".join(parts)
    line = json.dumps(names).encode()[:-1]
    line += b"%s%d}" % (_PACKED, zlib.crc32(packed, zlib.crc32(line)))
    crc = _crc(line, _columns(block))
    return _HEADER.pack(_VERSION, len(block), crc, len(line)) + line + packed


def unpack(data: bytes, pick: Pick | None = None) -> SampleBlock:
    """The samples of a chunk; ValueError when the bytes are not what ``pack`` made. ``pick``:
    ticks, times and these columns of values alone, or all where no part can be believed alone."""
    try:
        version, n, crc, length = _HEADER.unpack_from(data)
        if version != _VERSION:
            raise ValueError(f"chunk format {version}, this release reads {_VERSION}")
        at = _HEADER.size + length
        line = data[_HEADER.size : at]
        names = json.loads(line)
        raw, values = list(map(str, names["raw"])), list(map(str, names["values"]))
        wanted = [True] * (2 + len(raw) + len(values))
        some = pick is not None and _whole(line, data[at:])
        if pick is not None and some:
            picked = pick(values)
            wanted = [True, True, *(False for _ in raw), *(name in picked for name in values)]
            raw, values = [], [name for name in values if name in picked]
        columns: list[Words] = []
        for how, size, here in zip(names["how"], names["bytes"], wanted, strict=True):
            if here:
                columns.append(column(how, data[at : at + size], n))
            at += size
        fits = some or _crc(line, columns) == crc
        if not fits or at != len(data):
            raise ValueError("its check does not fit")
    except (struct.error, lzma.LZMAError, KeyError, TypeError) as error:
        raise ValueError(f"not a chunk of samples: {error}") from error
    ticks, at_utc_ms, *rest = columns
    return SampleBlock(
        ticks=ticks.view(np.int64),
        at_utc_ms=at_utc_ms.view(np.int64),
        raw=dict(zip(raw, rest, strict=False)),
        values={
            name: column.view(np.float64)
            for name, column in zip(values, rest[len(raw) :], strict=True)
        },
    )


def _whole(line: bytes, parts: bytes) -> bool:
    """Whether the parts are as they were packed; False where nothing tells it."""
    names, mark, told = line.rpartition(_PACKED)
    if not mark:
        return False
    if told != b"%d}" % zlib.crc32(parts, zlib.crc32(names)):
        raise ValueError("its check does not fit")
    return True


def _crc(line: bytes, columns: list[Words]) -> int:
    found = zlib.crc32(line)
    for words in columns:
        found = zlib.crc32(words.astype("<u8", copy=False).tobytes(), found)
    return found


def column(how: str, part: bytes, n: int) -> Words:
    """The words of ``shortest``, ``n``. KeyError, ValueError, LZMAError: these are other bytes."""
    filters, _, back = _HOW[how]
    reader = lzma.LZMADecompressor(lzma.FORMAT_RAW, filters=filters)
    words = back(reader.decompress(part, 8 * n + 1))  # a damaged one may say that it is endless
    if len(words) != n or not reader.eof:
        raise ValueError(f"a column has {len(words)} samples of {n}")
    return words


def stub_of(first_sample: int, n: int) -> str:
    """What stands in the place of a block whose samples lie in the chunk."""
    return f"{first_sample}+{n}"


def span_of(stub: str) -> tuple[int, int]:
    """First sample and number of a stub; ValueError for anything else."""
    first, mark, count = stub.partition("+")
    if not (
        mark and first.isdecimal() and count.isdecimal() and stub == stub_of(int(first), int(count))
    ):
        raise ValueError(f"{stub!r:.40} stands in the place of samples")
    return int(first), int(count)


def part_of(block: SampleBlock, first: int, n: int) -> SampleBlock:
    """So many samples from the one with this index on; ValueError where there are fewer."""
    if first + n > len(block) or n < 1:
        raise ValueError(f"samples {first} to {first + n} of {len(block)}")
    at = slice(first, first + n)
    return SampleBlock(
        ticks=block.ticks[at], at_utc_ms=block.at_utc_ms[at],
        raw={name: column[at] for name, column in block.raw.items()},
        values={name: column[at] for name, column in block.values.items()},
    )  # fmt: skip
