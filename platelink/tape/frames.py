"""Bytes of the wire as columns of their frames' fields, exact to the bit. Pure.

A frame's check, its stuffing and its type say nothing that its fields do not, and a field that is a
column of its own compresses to a tenth. So a frame of a known type is its sequence number and its
fields; what would not come back to the same bytes, or comes seldom, stays as it came.

A column is named ``stream type place letter``, the letter as of ``struct``: it is read without the
table of messages, whatever that is by then. With ``place factor`` more, it is what the column's
bends (differences of differences) have beyond that many times another's, ``where`` it bends at all:
the sum of an order grows as the sum of the light while it is lit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np
from cobs import cobs
from fastcrc.crc16 import ibm_3740

from platelink.codec import Words
from platelink.link.framing import DELIMITER, OVERHEAD
from platelink.link.messages import SIZES, TYPES, layout
from platelink.tape.parts import Parts, bytes_in, words_in

_AS_CAME = 0
"""In the place of a frame's type."""
_FEW = 50
"""Frames of a type that are no columns: each column costs some bytes."""
_SEQ = "H"
_LETTERS = {"B": "u1", "H": "<u2", "I": "<u4", "i": "<i4", "q": "<i8", "Q": "<u8"}
_SUM, _GROWS_AS = "Q", "q"
_PLAIN, _ALONG = 3, 5
"""Words of a column's name after the stream's."""


def _letters(code: int) -> str:
    """Of sequence number and fields."""
    told = (fmt for _, fmt in layout(TYPES[code]))
    return _SEQ + "".join(fmt[-1] * int(fmt[:-1] or 1) for fmt in told)


def _row(letters: str) -> np.dtype[Any]:
    """A frame's body without its check."""
    return np.dtype([("type", "u1"), *((str(i), _LETTERS[one]) for i, one in enumerate(letters))])


def _body(piece: bytes) -> bytes:
    """Of a frame that its body gives again; else empty."""
    try:
        body = cobs.decode(piece)
    except cobs.DecodeError:
        return b""
    known = len(body) >= OVERHEAD and SIZES.get(body[0]) == len(body) - OVERHEAD
    return body[:-2] if known and _piece(body[:-2]) == piece else b""


def _piece(body: bytes) -> bytes:
    """On the wire, without the delimiter."""
    crc = ibm_3740(body)
    return bytes(cobs.encode(body + crc.to_bytes(2, "big")))


def apart(stream: str, data: bytes) -> Parts:
    """The parts of a stream's bytes."""
    pieces = data.split(DELIMITER)
    last = pieces.pop()
    bodies = [_body(piece) for piece in pieces]
    count = Counter(body[0] for body in bodies if body)
    often = {code: _letters(code) for code, n in count.items() if n >= _FEW}
    which = [body[0] if body and body[0] in often else _AS_CAME for body in bodies]
    others = [piece for piece, code in zip(pieces, which, strict=True) if code == _AS_CAME]
    found: Parts = {stream: DELIMITER.join([*others, last]), f"{stream} which": bytes(which)}
    for code, letters in sorted(often.items()):
        rows = b"".join(body for body, one in zip(bodies, which, strict=True) if one == code)
        table = np.frombuffer(rows, _row(letters))
        columns = [table[str(i)].astype(np.int64).view(np.uint64) for i in range(len(letters))]
        for i, (letter, words) in enumerate(zip(letters, columns, strict=True)):
            name, along = f"{stream} {code} {i} {letter}", None
            if letter == _GROWS_AS:
                sums = {j: columns[j] for j, other in enumerate(letters) if other == _SUM}
                along = _grows_as(words, sums)
            if along is None:
                found[name] = words
            else:
                place, factor = along
                bends = _bends(words)
                lit, name = bends != 0, f"{name} {place} {factor}"
                found[name] = bends - np.uint64(factor) * lit * _bends(columns[place])
                found[f"{name} where"] = lit.tobytes()
    return found


def _bends(words: Words) -> Words:
    return np.diff(words, n=2, prepend=np.zeros(2, np.uint64))


def _grows_as(words: Words, sums: Mapping[int, Words]) -> tuple[int, int] | None:
    """Of which sum, and how many times, a column's bends are in most places; None: of no one in
    more than a few."""
    found, most = None, _FEW
    mine = _bends(words).view(np.int64)
    for place, column in sums.items():
        other = _bends(column).view(np.int64)
        at = other != 0
        times, left = np.divmod(mine[at], other[at])
        factors, count = np.unique(times[(left == 0) & (times > 0)], return_counts=True)
        if len(count) and count.max() >= most:
            found, most = (place, int(factors[count.argmax()])), int(count.max())
    return found


def together(stream: str, parts: Parts) -> bytes:
    """The stream's bytes. KeyError, ValueError, IndexError: these are no parts of ``apart``."""
    tables: dict[int, list[str]] = {}
    for name in parts:
        at, *rest = name.split(" ")
        if at == stream and len(rest) in (_PLAIN, _ALONG):
            tables.setdefault(int(rest[0]), []).append(name)
    pieces = {code: _pieces(code, names, parts) for code, names in tables.items()}
    pieces[_AS_CAME] = iter(bytes_in(parts, stream).split(DELIMITER))
    try:
        found = [next(pieces[code]) for code in bytes_in(parts, f"{stream} which")]
        return DELIMITER.join([*found, next(pieces[_AS_CAME])])
    except StopIteration:
        raise ValueError(f"{stream} has too few frames") from None


def _pieces(code: int, names: list[str], parts: Parts) -> Iterator[bytes]:
    told = [name.split(" ")[3:] for name in names]
    columns: list[Words] = []
    for name, (_, *along) in zip(names, told, strict=True):
        words = words_in(parts, name)
        if along:
            place, factor = map(int, along)
            lit = np.frombuffer(bytes_in(parts, f"{name} where"), np.bool_)
            bends = words + np.uint64(factor) * lit * _bends(columns[place])
            words = np.cumsum(np.cumsum(bends, dtype=np.uint64), dtype=np.uint64)
        columns.append(words)
    rows = np.zeros(len(columns[0]), _row("".join(letter for letter, *_ in told)))
    rows["type"] = code
    for i, words in enumerate(columns):
        rows[str(i)] = words.view(np.int64).astype(rows.dtype[str(i)])
    data, size = rows.tobytes(), rows.itemsize
    return (_piece(data[at : at + size]) for at in range(0, len(data), size))
