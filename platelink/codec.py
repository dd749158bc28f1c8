"""Sample blocks as compressed bytes, exact to the bit. Pure.

Layout: ``version u8 | n u32 | first_sample u64`` little-endian, then zlib over a JSON line
``{"raw": [names], "values": [names]}`` and the columns. Every column (ticks, at_utc_ms, raw,
values, in that order) is taken as 64-bit words; each word but the first is replaced by its
difference to the one before modulo 2^64, zigzag-folded so that small steps of either sign are small
numbers, and stored as eight planes of n bytes, lowest byte first: the high planes of slowly moving
numbers are zeros and compress to almost nothing.
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Callable, Container, Sequence
from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt

from platelink.runs import SampleBlock

_VERSION = 1
_HEADER = struct.Struct("<BIQ")
_LEVEL = 1
"""Higher levels gain some 2 % on noisy samples, and the control loop waits for them."""
_ONE, _TOP = np.uint64(1), np.uint64(63)

Columns = tuple[tuple[str, ...], tuple[str, ...]]
"""Names of the raw and of the value columns."""
Words = npt.NDArray[np.uint64]
Pick = Callable[[Sequence[str]], Container[str]]
"""Of the names of a run's columns of values those that are wanted."""


class StoredBlock(NamedTuple):
    """A decoded block and the index of its first sample within the run."""

    first_sample: int
    block: SampleBlock


def columns_of(block: SampleBlock) -> Columns:
    """Names of the block's columns."""
    return tuple(block.raw), tuple(block.values)


def check_block(block: SampleBlock) -> None:
    """Raise ValueError unless the columns are of one length and of the types they must have, and
    ticks increase."""
    n = len(block.ticks)
    wanted: list[tuple[str, npt.NDArray[Any], str]] = [
        ("ticks", block.ticks, "int64"),
        ("at_utc_ms", block.at_utc_ms, "int64"),
    ]
    wanted += [(name, column, "uint64") for name, column in block.raw.items()]
    wanted += [(name, column, "float64") for name, column in block.values.items()]
    for name, column, dtype in wanted:
        if column.shape != (n,) or column.dtype != dtype:
            raise ValueError(
                f"column {name} is {column.dtype}{list(column.shape)}, must be {dtype}[{n}]"
            )
    if n > 1 and not (block.ticks[1:] > block.ticks[:-1]).all():
        raise ValueError("ticks do not increase within the block")


def encode(block: SampleBlock, first_sample: int) -> bytes:
    """Bytes of a checked block."""
    n = len(block)
    columns = (block.ticks, block.at_utc_ms, *block.raw.values(), *block.values.values())
    words = np.empty((len(columns), n), np.uint64)
    for row, column in zip(words, columns, strict=True):
        row[:] = column.view(np.uint64)
    words[:, 1:] -= words[:, :-1].copy()
    planes = (
        folded(words)
        .astype("<u8", copy=False)
        .view(np.uint8)
        .reshape(len(columns), n, 8)
        .transpose(0, 2, 1)
    )
    names = json.dumps({"raw": list(block.raw), "values": list(block.values)})
    packed = zlib.compress(names.encode() + b"\n" + planes.tobytes(), _LEVEL)
    return _HEADER.pack(_VERSION, n, first_sample) + packed


def decode(data: bytes, pick: Pick | None = None, *, most: int = 0) -> StoredBlock:
    """The block of its bytes; ValueError when they are not what ``encode`` made. ``pick``: ticks,
    times and these columns of values alone. ``most``: bytes that a stranger's block may become,
    0 for one of our own file."""
    try:
        version, n, first_sample = _HEADER.unpack_from(data)
        if version != _VERSION:
            raise ValueError(f"block format {version}, this release reads {_VERSION}")
        line, _, planes = _inflated(data[_HEADER.size :], most).partition(b"\n")
        names = json.loads(line)
        raw, values = names["raw"], names["values"]
        octets = np.frombuffer(planes, np.uint8).reshape(2 + len(raw) + len(values), 8, n)
        if pick is not None:
            picked = pick(values)
            at = [i for i, name in enumerate(values, 2 + len(raw)) if name in picked]
            octets, values = octets[[0, 1, *at]], [values[i - 2 - len(raw)] for i in at]
            raw = []
        words = _unfold(octets)
    except (struct.error, zlib.error, KeyError, TypeError) as error:
        raise ValueError(f"not a sample block: {error}") from error
    ticks, at_utc_ms = words[:2].view(np.int64)
    return StoredBlock(
        first_sample,
        SampleBlock(
            ticks=ticks,
            at_utc_ms=at_utc_ms,
            raw=dict(zip(raw, words[2:], strict=False)),
            values=dict(zip(values, words[2 + len(raw) :].view(np.float64), strict=True)),
        ),
    )


def _inflated(packed: bytes, most: int) -> bytes:
    if not most:
        return zlib.decompress(packed)
    inflating = zlib.decompressobj()
    found = inflating.decompress(packed, most)
    if not inflating.eof or inflating.unused_data:
        raise ValueError(f"not a sample block of at most {most} bytes")
    return found


def _unfold(octets: npt.NDArray[np.uint8]) -> Words:
    """Words of columns x 8 x n planes."""
    columns, _, n = octets.shape
    words = np.ascontiguousarray(octets.transpose(0, 2, 1)).view("<u8").reshape(columns, n)
    words = words.astype(np.uint64, copy=False)
    return np.add.accumulate(unfolded(words), axis=1, dtype=np.uint64)


def folded(words: Words) -> Words:
    """Zigzag: small steps of either sign as small numbers."""
    return (words << _ONE) ^ -(words >> _TOP)


def unfolded(words: Words) -> Words:
    """Back."""
    return (words >> _ONE) ^ -(words & _ONE)


def finite(column: npt.NDArray[np.float64]) -> tuple[float | None, ...]:
    """A column of values as it is published: None for what is not a number."""
    good = np.isfinite(column)
    if good.all():
        return tuple(column.tolist())
    return tuple(x if ok else None for x, ok in zip(column.tolist(), good.tolist(), strict=True))


def join(blocks: Sequence[SampleBlock]) -> SampleBlock:
    """Blocks of the same columns as one; of none, a block without columns."""
    if not blocks:
        empty = np.empty(0, np.int64)
        return SampleBlock(ticks=empty, at_utc_ms=empty.copy(), raw={}, values={})
    first = blocks[0]
    return SampleBlock(
        ticks=np.concatenate([b.ticks for b in blocks]),
        at_utc_ms=np.concatenate([b.at_utc_ms for b in blocks]),
        raw={name: np.concatenate([b.raw[name] for b in blocks]) for name in first.raw},
        values={name: np.concatenate([b.values[name] for b in blocks]) for name in first.values},
    )


def row_of(block: SampleBlock, index: int) -> SampleBlock:
    """One sample as a block of its own; negative indices count from the end."""
    at = index % len(block)
    one = slice(at, at + 1)
    return SampleBlock(
        ticks=block.ticks[one],
        at_utc_ms=block.at_utc_ms[one],
        raw={name: column[one] for name, column in block.raw.items()},
        values={name: column[one] for name, column in block.values.items()},
    )
