"""Tapes as files beside the journal: written by one thread, read by whoever replays.

A tape is one life of a daemon, and numbered; its parts are ``TAPE.0000.tape``, ``TAPE.0001.tape``
... Each begins with ``PLT1`` and holds sections ``kind u8 | size u32 | crc u32`` little-endian and
their bytes: what the core began with (``H``, in the first part), records as they came (``R``), or
in columns (``C``). A section that was cut off by a crash is the end of its part.
"""

from __future__ import annotations

import json
import lzma
import os
import re
import secrets
import struct
import zlib
from base64 import b64decode, b64encode
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from pydantic import TypeAdapter

from platelink.control.contact.past import Told
from platelink.record.chunk import column, shortest
from platelink.runs import RunEvent
from platelink.tape import columns
from platelink.tape.calls import HELD, Held
from platelink.tape.inputs import Record, records

MAGIC = b"PLT1"
_NAME = re.compile(r"\d{6,}-[0-9a-f]{8}\.\d{4,}\.tape")
_SECTION = struct.Struct("<cII")
HEAD, RAW, COLUMNS = b"H", b"R", b"C"
_MOST_BYTES = 1 << 28
FORMAT = 2
_PLAIN = ("tape", "unit", "journal", "entries", "release", "now", "utc_ms", "config")
_EVENTS: TypeAdapter[list[RunEvent]] = TypeAdapter(list[RunEvent])


class TapeError(Exception):
    """A tape cannot be read; the text says why."""


@dataclass(frozen=True, slots=True)
class Beginning:
    """What the core of a tape was made with."""

    tape: str
    unit: str
    journal: str
    """The journal's own identity."""
    entries: int
    """So many it had."""
    release: str
    now: float
    utc_ms: int
    config: str
    """The whole configuration; secrets hidden."""
    held: Held
    """Calibrations in force."""
    told: tuple[RunEvent, ...]
    """What the record told of lamps and oven."""
    contact: tuple[Told, ...]
    """What it told of the vacuum."""


def folder_of(journal: Path) -> Path:
    """Where the tapes of a journal lie."""
    return journal.with_suffix(".tapes")


def _packed(columns: Iterable[NDArray[np.float64]]) -> list[Any]:
    """How many values, and they as columns are in the record."""
    words = np.concatenate([*columns, np.zeros(0)]).view(np.uint64)
    how, data = shortest(words)
    return [len(words), how, b64encode(data).decode()]


def _columns(packed: Any, sizes: Sequence[int]) -> list[NDArray[np.float64]]:
    n, how, data = packed
    if n != sum(sizes):
        raise ValueError(f"{n} values of {sum(sizes)}")
    ends = np.cumsum(sizes, dtype=np.int64)[:-1]
    return np.split(column(how, b64decode(data), n).view(np.float64), ends) if sizes else []


def head_of(begun: Beginning) -> bytes:
    """The first section's bytes."""
    plain = {
        **{name: getattr(begun, name) for name in _PLAIN},
        "format": FORMAT,
        "held": HELD.dump_python(dict(begun.held), mode="json"),
        "told": _EVENTS.dump_python(list(begun.told), mode="json"),
        "contact": [[len(one.t_s), one.held_kpa, one.settles_s] for one in begun.contact],
        "t_s": _packed(one.t_s for one in begun.contact),
        "vacuum_kpa": _packed(one.vacuum_kpa for one in begun.contact),
    }
    return lzma.compress(json.dumps(plain, separators=(",", ":")).encode())


def beginning(head: bytes) -> Beginning:
    """The other way. TapeError: this release cannot read it."""
    try:
        plain = json.loads(lzma.decompress(head))
        if plain["format"] != FORMAT:
            raise TapeError(f"tape format {plain['format']}, this release reads {FORMAT}")
        sizes = [n for n, _, _ in plain["contact"]]
        t_s, kpa = _columns(plain["t_s"], sizes), _columns(plain["vacuum_kpa"], sizes)
        return Beginning(
            **{name: plain[name] for name in _PLAIN},
            held=HELD.validate_python(plain["held"]),
            told=tuple(_EVENTS.validate_python(plain["told"])),
            contact=tuple(
                Told(one, other, held, settles)
                for one, other, (_, held, settles) in zip(t_s, kpa, plain["contact"], strict=True)
            ),
        )
    except (lzma.LZMAError, ValueError, KeyError, TypeError) as error:
        raise TapeError(f"what the tape began with cannot be read ({error})") from error


def section(kind: bytes, body: bytes) -> bytes:
    """A section's bytes."""
    return _SECTION.pack(kind, len(body), zlib.crc32(body)) + body


def part_path(folder: Path, tape: str, part: int) -> Path:
    """The file of a part."""
    return folder / f"{tape}.{part:04d}.tape"


def begin_part(path: Path, head: bytes | None) -> None:
    """Make the file of a new part; ``head`` in the first. OSError as the system has it."""
    data = MAGIC + (section(HEAD, head) if head is not None else b"")
    with open(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(data)


def sections(path: Path) -> Iterator[tuple[bytes, bytes]]:
    """Kind and bytes of each whole section. TapeError: it is no tape, or damaged."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise TapeError(f"{path} cannot be read: {error.strerror}") from error
    if data[: len(MAGIC)] != MAGIC:
        raise TapeError(f"{path} is no tape of inputs")
    at = len(MAGIC)
    while at + _SECTION.size <= len(data):
        kind, size, crc = _SECTION.unpack_from(data, at)
        at += _SECTION.size
        body = data[at : at + size]
        if len(body) < size and kind == RAW:
            return  # cut off by a crash
        if size > _MOST_BYTES or zlib.crc32(body) != crc:
            raise TapeError(f"{path} is damaged")
        yield kind, body
        at += size


@dataclass(frozen=True, slots=True)
class Tape:
    """The files of one tape, in order."""

    name: str
    parts: tuple[Path, ...]

    def beginning(self) -> Beginning:
        """What its core began with."""
        for kind, body in sections(self.parts[0]):
            if kind == HEAD:
                return beginning(body)
        raise TapeError(f"{self.parts[0]} does not say what it began with")

    def records(self) -> Iterator[Record]:
        """All records in order. TapeError where it is damaged, or a part is missing."""
        for number, path in enumerate(self.parts):
            if path.name != part_path(path.parent, self.name, number).name:
                raise TapeError(f"part {number} of tape {self.name} is missing")
            yield from part_records(path)

    def bytes(self) -> int:
        """On disk."""
        return sum(path.stat().st_size for path in self.parts)


def part_records(path: Path) -> Iterator[Record]:
    """Of one part."""
    try:
        for kind, body in sections(path):
            if kind == COLUMNS:
                yield from columns.unpack(body)
            elif kind == RAW:
                yield from records(body)
    except ValueError as error:
        raise TapeError(f"{path} is damaged ({error})") from error


def next_name(folder: Path) -> str:
    """Of a new tape: numbered, for clocks are set; and not met twice, for files are restored."""
    newest = max((int(tape.name.partition("-")[0]) for tape in tapes(folder)), default=0)
    return f"{newest + 1:06d}-{secrets.token_hex(4)}"


def tapes(folder: Path) -> list[Tape]:
    """All tapes there, oldest first; none where there is no such folder."""
    found: dict[str, list[Path]] = {}
    for path in sorted(folder.glob("*.tape")):
        if not _NAME.fullmatch(path.name):
            continue
        found.setdefault(path.name.rsplit(".", 2)[0], []).append(path)
    return [Tape(name, tuple(parts)) for name, parts in sorted(found.items())]


def is_packed(path: Path) -> bool:
    """A part that is in columns already."""
    return all(kind != RAW for kind, _ in sections(path))


def pack_part(path: Path, look: Callable[[], None] = lambda: None) -> None:
    """Put a part that is written no more into columns, a twentieth as long. What was there stays
    until the same bytes have been read back."""
    head = [body for kind, body in sections(path) if kind == HEAD]
    found = list(part_records(path))
    body = columns.pack(found, look) if found else b""
    look()
    if found and list(columns.unpack(body)) != found:
        raise TapeError(f"{path} does not come back from its columns")
    beside = path.with_suffix(".packing")
    with open(os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
        file.write(MAGIC + b"".join(section(HEAD, one) for one in head))
        if found:
            file.write(section(COLUMNS, body))
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
