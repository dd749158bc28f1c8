"""Rows of a journal as entries: whatever a damaged row holds ends in one sentence. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Protocol

from platelink.codec import Pick, StoredBlock, decode, finite, join
from platelink.ledger.by import from_ms
from platelink.ledger.readable import WRONG, unreadable
from platelink.record.chunk import part_of, span_of, unpack
from platelink.record.errors import JournalDamaged
from platelink.runs import (
    AnyEntry,
    RunChannels,
    RunEnd,
    RunEvent,
    RunSamples,
    RunStart,
    SampleBlock,
)

_MODELS: Mapping[str, type[RunStart | RunChannels | RunEvent | RunEnd]] = MappingProxyType(
    {"start": RunStart, "channels": RunChannels, "event": RunEvent, "end": RunEnd}
)


class Chunks(Protocol):
    """Where the samples of closed runs lie."""

    @property
    def path(self) -> object: ...

    def chunk(self, run_id: str) -> SampleBlock | None: ...


class Of(Chunks, Protocol):
    """The journal that the rows are of."""

    @property
    def unit(self) -> str: ...

    def id_of(self, number: int) -> str: ...

    def block(self, number: int) -> bytes | None: ...


def rebuild(
    number: int, kind: str, run_id: str | None, at_ms: int, body: object, *, journal: Of
) -> AnyEntry:
    """The entry of a row; JournalDamaged when it is none."""
    with intact(journal.path, f"entry {number}"):
        common: dict[str, object] = {
            "id": journal.id_of(number),
            "run_id": run_id,
            "unit": journal.unit,
            "at_utc": from_ms(at_ms),
        }
        if kind == "samples":
            return _samples(block_of(number, run_id, body, journal=journal), common)
        if not isinstance(body, str):
            raise TypeError(f"its body is {type(body).__name__}")
        return _MODELS[kind].model_validate({**json.loads(body), **common})


def block_of(number: int, run_id: str | None, body: object, *, journal: Of) -> StoredBlock:
    """The samples of a row, wherever they lie, none where they were removed; JournalDamaged when it
    has none."""
    with intact(journal.path, f"entry {number}"):
        if not isinstance(body, str):
            return _block(body)
        found = journal.block(number)
        if found is not None:
            return _block(found, stub=body)
        first, n = span_of(body)
        chunk = journal.chunk(str(run_id))
        return StoredBlock(first, join([]) if chunk is None else part_of(chunk, first, n))


def _block(data: object, pick: Pick | None = None, *, stub: str | None = None) -> StoredBlock:
    if not isinstance(data, bytes):
        raise TypeError(f"its body is {type(data).__name__}")
    stored = decode(data, pick)
    if stub is not None and span_of(stub) != (stored.first_sample, len(stored.block)):
        raise ValueError(f"its block has other samples than {stub:.40}")
    return stored


def samples_of(
    run_id: str, rows: Iterable[tuple[int, object, object]], *, journal: Chunks,
    pick: Pick | None = None,
) -> SampleBlock:  # fmt: skip
    """All samples of a run, of its rows in their order, each with the block that lies beside it, if
    one still does; none where they were removed. JournalDamaged when a sample is missing.
    ``pick``: of the blocks these columns of values alone."""
    blocks: list[SampleBlock] = []
    packed, expected = False, 0
    for number, body, beside in rows:
        with intact(journal.path, f"entry {number}"):
            if isinstance(body, str) and beside is None:
                packed = True
                first, n = span_of(body)
            else:
                stub = body if isinstance(body, str) else None
                first, block = _block(body if stub is None else beside, pick, stub=stub)
                n = len(block)
                blocks.append(block)
        if first != expected:
            raise JournalDamaged(
                f"{journal.path}: entry {number} begins at sample {first}, expected {expected}; "
                "restore a backup"
            )
        expected += n
    if packed:  # no block is taken away before it is in the chunk
        with intact(journal.path, f"the samples of run {run_id!s:.40}"):
            chunk = journal.chunk(run_id)
            return join([]) if chunk is None else part_of(chunk, 0, expected)
    return join(blocks)


@dataclass(frozen=True, slots=True)
class PackedRun:
    """The bytes of a run's samples; it can be sent to another process."""

    path: object
    """Of the journal."""
    run_id: str
    pick: Pick
    """Which columns of values are wanted."""
    rows: list[tuple[int, object, object]] = field(default_factory=list)
    """Of its entries of samples: number, body, block beside it."""
    body: bytes | None = None
    """Its chunk."""
    removed: bool = False

    def samples(self) -> SampleBlock:
        """Ticks, times and the columns that are wanted, others perhaps beside them; JournalDamaged
        when a sample is missing."""
        return samples_of(self.run_id, self.rows, journal=self, pick=self.pick)

    def chunk(self, run_id: str) -> SampleBlock | None:
        """For ``samples_of``."""
        if self.body is None and self.removed:
            return None
        with intact(self.path, f"the samples of run {run_id!s:.40}"):
            if self.body is None:
                raise LookupError("they are not there")
            return unpack(self.body, self.pick)


@contextmanager
def intact(path: object, what: str) -> Iterator[None]:
    """Around whatever reads of a journal's row: JournalDamaged for what cannot be understood."""
    try:
        yield
    except WRONG as error:
        raise JournalDamaged(unreadable(path, what, error)) from error


def _samples(stored: StoredBlock, common: dict[str, object]) -> RunSamples:
    """The block as it is published: physical values only, None for what is not a number."""
    block = stored.block
    return RunSamples.model_validate(
        common
        | {
            "first_sample": stored.first_sample,
            "ticks": tuple(block.ticks.tolist()),
            "at_utc_ms": tuple(block.at_utc_ms.tolist()),
            "values": {name: finite(column) for name, column in block.values.items()},
        }
    )
