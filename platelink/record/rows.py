"""Rows of a journal as entries: whatever a damaged row holds ends in one sentence. Pure."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from types import MappingProxyType
from typing import Protocol

import numpy as np

from platelink.ledger.by import from_ms
from platelink.ledger.readable import WRONG, unreadable
from platelink.record.codec import StoredBlock, decode
from platelink.record.errors import JournalDamaged
from platelink.runs import AnyEntry, RunChannels, RunEnd, RunEvent, RunSamples, RunStart

_MODELS: Mapping[str, type[RunStart | RunChannels | RunEvent | RunEnd]] = MappingProxyType(
    {"start": RunStart, "channels": RunChannels, "event": RunEvent, "end": RunEnd}
)


class Of(Protocol):
    """The journal that the rows are of."""

    @property
    def path(self) -> object: ...

    @property
    def unit(self) -> str: ...

    def id_of(self, number: int) -> str: ...


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
            return _samples(block_of(number, body, journal=journal), common)
        if not isinstance(body, str):
            raise TypeError(f"its body is {type(body).__name__}")
        return _MODELS[kind].model_validate({**json.loads(body), **common})


def block_of(number: int, body: object, *, journal: Of) -> StoredBlock:
    """The samples of a row; JournalDamaged when it holds none."""
    with intact(journal.path, f"entry {number}"):
        if not isinstance(body, bytes):
            raise TypeError(f"its body is {type(body).__name__}")
        return decode(body)


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
            "values": {name: _finite(column) for name, column in block.values.items()},
        }
    )


def _finite(column: np.typing.NDArray[np.float64]) -> tuple[float | None, ...]:
    good = np.isfinite(column)
    if good.all():
        return tuple(column.tolist())
    return tuple(x if ok else None for x, ok in zip(column.tolist(), good.tolist(), strict=True))
