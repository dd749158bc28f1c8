"""Records of a tape as compressed columns, exact to the bit. Pure.

Samples of the device are taken apart into their fields, each a column of counters, which compress
to a tenth of the frames that carried them; a frame that would not come back to the same bytes stays
as it came. Layout: ``u32 sizes of five parts`` little-endian, then the parts: how the records came
(a chunk of samples: time, kind, size), the samples' fields (the same; empty where there are none),
and three LZMA streams: which pieces of the device's bytes are samples, all other pieces, and the
bodies of all other records.
"""

from __future__ import annotations

import lzma
import struct
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any

import numpy as np

from platelink.link.framing import DELIMITER, Decoder, Frame, encode
from platelink.link.messages import Sample
from platelink.link.messages import unpack as message_of
from platelink.record.chunk import pack as pack_chunk
from platelink.record.chunk import unpack as unpack_chunk
from platelink.runs import SampleBlock
from platelink.tape.inputs import Kind, Record
from platelink.unit.stamp import Stamp

_SIZES = struct.Struct("<5I")
_FILTERS: list[dict[str, int]] = [{"id": lzma.FILTER_LZMA2, "preset": 6}]
_SAMPLE = 1
_MICRO = 1e6
_GRID, _BITS = "now_us", "now_bits"
_SIGNED = ("order_sum", "order_target")


def _squeezed(data: bytes) -> bytes:
    return lzma.compress(data, lzma.FORMAT_RAW, filters=_FILTERS)


def _spread(data: bytes) -> bytes:
    return lzma.decompress(data, lzma.FORMAT_RAW, filters=_FILTERS)


# --- how the records came -------------------------------------------------------------------------


def _as_came(all_of: Sequence[Record]) -> SampleBlock:
    now = np.array([record.at.now for record in all_of])
    whole = np.round(now * _MICRO)
    on_grid = bool(np.all(whole / _MICRO == now))
    words = whole.astype(np.int64) if on_grid else now.view(np.int64)
    return SampleBlock(
        ticks=words,
        at_utc_ms=np.array([record.at.utc_ms for record in all_of], np.int64)
        - (words // 1000 if on_grid else 0),
        raw={
            _GRID if on_grid else _BITS: np.zeros(len(all_of), np.uint64),
            "kind": np.array([record.kind for record in all_of], np.uint64),
            "size": np.array([len(record.body) for record in all_of], np.uint64),
        },
        values={},
    )


def _heads(block: SampleBlock) -> Iterator[tuple[Kind, Stamp, int]]:
    on_grid = _GRID in block.raw
    now = block.ticks / _MICRO if on_grid else block.ticks.view(np.float64)
    utc_ms = block.at_utc_ms + (block.ticks // 1000 if on_grid else 0)
    columns = (block.raw["kind"], now, utc_ms, block.raw["size"])
    for kind, t, ms, size in zip(*(column.tolist() for column in columns), strict=True):
        yield Kind(kind), Stamp(t, ms), size


# --- the device's samples -------------------------------------------------------------------------


def _columns_of(samples: Sequence[tuple[int, Sample]]) -> SampleBlock:
    raw: dict[str, Any] = {}
    for name in Sample._fields[1:]:
        values = [getattr(sample, name) for _, sample in samples]
        if isinstance(values[0], tuple):
            raw |= {
                f"{name} {i}": np.array(column, np.uint64)
                for i, column in enumerate(zip(*values, strict=True))
            }
        elif name in _SIGNED:
            raw[name] = np.array(values, np.int64).view(np.uint64)
        else:
            raw[name] = np.array(values, np.uint64)
    return SampleBlock(
        ticks=np.array([sample.tick for _, sample in samples], np.int64),
        at_utc_ms=np.array([seq for seq, _ in samples], np.int64),
        raw=raw,
        values={},
    )


def _samples_of(block: SampleBlock) -> Iterator[bytes]:
    """Each one's bytes on the wire, without the delimiter."""
    columns: list[list[Any]] = [block.ticks.tolist()]
    grouped: dict[str, list[list[int]]] = {}
    for name, words in block.raw.items():
        field = name.partition(" ")[0]
        column = words.view(np.int64) if field in _SIGNED else words
        grouped.setdefault(field, []).append(column.tolist())
    for field in Sample._fields[1:]:
        found = grouped[field]
        columns.append([*zip(*found, strict=True)] if f"{field} 0" in block.raw else found[0])
    for seq, *values in zip(block.at_utc_ms.tolist(), *columns, strict=True):
        yield encode(Sample(*values), seq)[:-1]


def _taken_apart(data: bytes) -> tuple[list[int], list[bytes], list[tuple[int, Sample]]]:
    """Of each piece of the device's bytes whether it is a sample, the pieces that are none, and the
    samples with their sequence numbers."""
    which: list[int] = []
    others: list[bytes] = []
    samples: list[tuple[int, Sample]] = []
    decoder = Decoder(keep=1)
    for piece in data.split(DELIMITER)[:-1]:
        sample = _sample(decoder, piece)
        which.append(_SAMPLE if sample is not None else 0)
        if sample is None:
            others.append(piece)
        else:
            samples.append(sample)
    others.append(data[data.rfind(DELIMITER) + 1 :])
    return which, others, samples


def _sample(decoder: Decoder, piece: bytes) -> tuple[int, Sample] | None:
    for frame in decoder.feed(piece + DELIMITER):
        if isinstance(frame, Frame):
            try:
                message = message_of(frame.type, frame.payload)
            except (ValueError, KeyError, struct.error):
                return None
            if isinstance(message, Sample) and encode(message, frame.seq)[:-1] == piece:
                return frame.seq, message
    return None


def pack(all_of: Sequence[Record], look: Callable[[], None] = lambda: None) -> bytes:
    """The bytes of these records, at least one. It takes a while: ``look`` is called in between,
    and ends it by raising."""
    data = b"".join(record.body for record in all_of if record.kind is Kind.DATA)
    rest = b"".join(record.body for record in all_of if record.kind is not Kind.DATA)
    which, others, samples = _taken_apart(data)
    look()
    parts = [
        pack_chunk(_as_came(all_of), look),
        pack_chunk(_columns_of(samples), look) if samples else b"",
        _squeezed(bytes(which)),
        _squeezed(DELIMITER.join(others)),
        _squeezed(rest),
    ]
    return _SIZES.pack(*map(len, parts)) + b"".join(parts)


def unpack(packed: bytes) -> list[Record]:
    """The records. ValueError: these are no bytes of ``pack``."""
    try:
        sizes = _SIZES.unpack_from(packed)
        at, parts = _SIZES.size, []
        for size in sizes:
            parts.append(packed[at : at + size])
            at += size
        came, fields, which, others, rest = parts
        if at != len(packed):
            raise ValueError("too short")
        data = _put_together(fields, _spread(which), _spread(others).split(DELIMITER))
        streams = {True: data, False: _spread(rest)}
    except (struct.error, lzma.LZMAError, StopIteration, KeyError) as error:
        raise ValueError(f"no packed inputs: {error}") from error
    found: list[Record] = []
    read = {True: 0, False: 0}
    for kind, stamp, size in _heads(unpack_chunk(came)):
        stream = kind is Kind.DATA
        body = streams[stream][read[stream] : read[stream] + size]
        read[stream] += size
        found.append(Record(kind, stamp, body))
    if any(read[stream] != len(streams[stream]) for stream in read):
        raise ValueError("bytes are left over")
    return found


def _put_together(fields: bytes, which: bytes, others: Iterable[bytes]) -> bytes:
    samples = _samples_of(unpack_chunk(fields)) if fields else iter(())
    rest = iter(others)
    pieces = [next(samples if one == _SAMPLE else rest) for one in which]
    return DELIMITER.join([*pieces, next(rest)])
