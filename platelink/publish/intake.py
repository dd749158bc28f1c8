"""Is a message from the broker fit for the store? Decides and says why not. Pure.

A store of this kind answers "accepted" and then drops what it does not like (times in the far
future, negative times, text, NaN), so everything is checked here, before it is taken.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from typing import Any, Final

from pydantic import TypeAdapter, ValidationError

from platelink.publish.topics import Address, parse
from platelink.runs import FORMAT, AnyEntry, RunSamples

FUTURE_LIMIT_MS: Final = 2 * 86_400_000
"""The store silently ignores points later than two days from now."""
PAYLOAD_LIMIT: Final = 4_000_000
"""Bytes; an hour of samples in one block is less."""
COLUMN: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")

_ENTRY: Final[TypeAdapter[AnyEntry]] = TypeAdapter(AnyEntry)


@dataclass(frozen=True, slots=True)
class Accepted:
    address: Address
    entry: AnyEntry
    payload: bytes


@dataclass(frozen=True, slots=True)
class Rejected:
    topic: str
    payload: bytes
    reason: str


def judge(topic: str, payload: bytes, *, utc_ms: int) -> Accepted | Rejected:
    """Check a message against its topic, the entry models and the limits of the store.
    ``utc_ms`` is the recorder's own wall time, for the limit on times in the future."""
    address = parse(topic)
    if address is None or address.kind == "status":
        return Rejected(topic, payload, "not the topic of an entry")
    if len(payload) > PAYLOAD_LIMIT:
        size = f"{len(payload)} bytes, limit {PAYLOAD_LIMIT}"
        return Rejected(topic, payload, f"message too large: {size}")
    try:
        entry = read_entry(payload)
    except ValidationError as fault:
        return Rejected(topic, payload, _first_fault(fault))
    fault_text = _mismatch(address, entry) or _bad_time(entry, utc_ms)
    if not fault_text and isinstance(entry, RunSamples):
        fault_text = _bad_columns(entry)
    if fault_text:
        return Rejected(topic, payload, fault_text)
    return Accepted(address, entry, payload)


def read_entry(payload: bytes | str) -> AnyEntry:
    """An entry from its JSON; fields that a newer writer has added are left out.
    ValidationError when it is not an entry of this format."""
    try:
        return _ENTRY.validate_json(payload)
    except ValidationError as fault:
        errors = fault.errors(include_url=False)
        if any(error["type"] != "extra_forbidden" for error in errors):
            raise
        data = json.loads(payload)
        for error in errors:
            _leave_out(data, error["loc"][1:])  # the first step is the kind of the entry
        return _ENTRY.validate_python(data)


def _leave_out(data: Any, path: tuple[int | str, ...]) -> None:
    for step in path[:-1]:
        data = data[step]
    data.pop(path[-1], None)


def _first_fault(fault: ValidationError) -> str:
    errors = fault.errors(include_url=False)
    first = errors[0]
    place = ".".join(str(step) for step in first["loc"]) or "message"
    if place.endswith("format"):
        return f"{place}: {first['input']!r}, this recorder reads format {FORMAT}: update it"
    more = f" (and {len(errors) - 1} more faults)" if len(errors) > 1 else ""
    return f"{place}: {first['msg']}{more}"


def _mismatch(address: Address, entry: AnyEntry) -> str:
    said = (entry.unit, entry.run_id, entry.kind)
    topic = (address.unit, address.run_id, address.kind)
    if said != topic:
        return f"entry says unit, run, kind {said}, its topic says {topic}"
    return ""


def _bad_time(entry: AnyEntry, utc_ms: int) -> str:
    if isinstance(entry, RunSamples):
        times = entry.at_utc_ms
        first, last = (min(times), max(times)) if times else (0, 0)
    else:
        first = last = at_ms(entry)
    if first < 0:
        return f"time {first} ms is before 1970: check the clock of the unit's computer"
    if last > utc_ms + FUTURE_LIMIT_MS:
        ahead_h = (last - utc_ms) / 3_600_000
        return (
            f"time is {ahead_h:.1f} h ahead of the recorder's clock (limit 48 h): "
            f"check the clocks of both computers"
        )
    return ""


def _bad_columns(entry: RunSamples) -> str:
    length = len(entry.ticks)
    columns = {"at_utc_ms": len(entry.at_utc_ms)} | {k: len(v) for k, v in entry.values.items()}
    for name, size in columns.items():
        if not COLUMN.fullmatch(name):
            return f"column {name!r} cannot be the name of a field: letters, digits and '_' only"
        if size != length:
            return f"column {name} has {size} values, ticks has {length}"
    if entry.first_sample < 0:
        return f"first_sample {entry.first_sample} is negative"
    return ""


def at_ms(entry: AnyEntry) -> int:
    """Wall time of an entry in ms since 1970, rounded down."""
    return int(entry.at_utc.timestamp() * 1000 // 1)
