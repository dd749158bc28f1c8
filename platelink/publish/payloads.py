"""Entries as bytes on the broker: JSON, or samples as a block of the journal's own codec. Pure.

A block message is a zero byte, the entry without its columns as a line of JSON, and the block
(``platelink/codec.py``): a third of the bytes. No JSON begins with a zero byte.
"""

from __future__ import annotations

import json
from typing import Any, Final

import numpy as np
from pydantic import TypeAdapter, ValidationError
from pydantic_core import from_json

from platelink.codec import decode, encode, finite
from platelink.runs import AnyEntry, RunSamples, SampleBlock

MARK: Final = b"\0"
MOST: Final = 2_000_000
"""Bytes that a block may become, no more than JSON of the greatest length; ours are some kB."""
_COLUMNS: Final = {"first_sample", "ticks", "at_utc_ms", "values"}
_ENTRY: Final[TypeAdapter[AnyEntry]] = TypeAdapter(AnyEntry)


def payload_of(entry: AnyEntry, *, blocks: bool) -> bytes:
    """The bytes of an entry; ``blocks``: its samples, where it has any, as a block."""
    if not (blocks and isinstance(entry, RunSamples)):
        return entry.model_dump_json().encode()
    head = entry.model_dump_json(exclude=_COLUMNS).encode()
    return MARK + head + b"\n" + encode(block_of(entry), entry.first_sample)


def block_of(entry: RunSamples) -> SampleBlock:
    """The samples of an entry as columns; NaN where a value is missing."""
    return SampleBlock(
        ticks=np.array(entry.ticks, np.int64),
        at_utc_ms=np.array(entry.at_utc_ms, np.int64),
        raw={},
        values={name: np.array(column, np.float64) for name, column in entry.values.items()},
    )


def read_entry(payload: bytes) -> AnyEntry:
    """An entry from its bytes; fields that a newer writer has added are left out.
    ValidationError when it is not an entry of this format, ValueError for a block that is none."""
    in_block = payload[:1] == MARK
    try:
        if in_block:
            return _ENTRY.validate_python(_whole(payload))
        return _ENTRY.validate_json(payload)
    except ValidationError as fault:
        errors = fault.errors(include_url=False)
        if any(error["type"] != "extra_forbidden" for error in errors):
            raise
        data = _whole(payload) if in_block else json.loads(payload)
        for error in errors:
            _leave_out(data, error["loc"][1:])  # the first step is the kind of the entry
        return _ENTRY.validate_python(data)


def _whole(payload: bytes) -> dict[str, Any]:
    """A block message as its JSON would be."""
    line, _, packed = payload[1:].partition(b"\n")
    head = from_json(line, allow_inf_nan=False)
    if not isinstance(head, dict) or head.get("kind") != "samples" or head.keys() & _COLUMNS:
        raise ValueError("not the head of a block of samples")
    first_sample, block = decode(packed, most=MOST)
    return head | {
        "first_sample": first_sample,
        "ticks": block.ticks.tolist(),
        "at_utc_ms": block.at_utc_ms.tolist(),
        "values": {name: finite(column) for name, column in block.values.items()},
    }


def _leave_out(data: Any, path: tuple[int | str, ...]) -> None:
    for step in path[:-1]:
        data = data[step]
    data.pop(path[-1], None)
