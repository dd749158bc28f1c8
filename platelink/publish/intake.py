"""Is a message from the broker fit for the store? Decides and says why not. Pure.

A store of this kind answers "accepted" and then drops what it does not like (times in the far
future, negative times, text, NaN), so everything is checked here, before it is taken.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from pydantic import ValidationError

from platelink.publish.payloads import read_entry
from platelink.publish.topics import Address, parse
from platelink.runs import FORMAT, AnyEntry, RunSamples

FUTURE_LIMIT_MS: Final = 2 * 86_400_000
"""The store silently ignores points later than two days from now."""
EARLY_MS: Final = 3_600_000
"""An entry that is further ahead waits until it is not: clocks of a shop differ by minutes."""
FIRST_MS: Final = 1_577_836_800_000
"""2020-01-01: no entry is older, and no clock that is set shows an earlier time."""
PAYLOAD_LIMIT: Final = 1_000_000
"""Bytes; a recipe of the greatest length is a third of it, a block of samples is some kB."""
TEXT_LIMIT: Final = 200
"""Characters of what becomes a tag or a name; faces take no more either."""
COLUMN: Final = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")


@dataclass(frozen=True, slots=True)
class Accepted:
    topic: str
    payload: bytes
    address: Address
    entry: AnyEntry
    due_ms: int = 0
    """When its time is no longer too far ahead of the recorder's clock; ms since 1970."""


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
    except ValueError as fault:
        return Rejected(topic, payload, f"not an entry: {fault}")
    fault_text = _mismatch(address, entry) or _too_long(entry)
    if not fault_text and isinstance(entry, RunSamples):
        fault_text = _bad_columns(entry)
    first_ms, last_ms = _times(entry)
    fault_text = fault_text or _bad_time(first_ms, last_ms, utc_ms)
    if fault_text:
        return Rejected(topic, payload, fault_text)
    return Accepted(topic, payload, address, entry, due_ms=last_ms - EARLY_MS)


def _first_fault(fault: ValidationError) -> str:
    errors = fault.errors(include_url=False)
    first = errors[0]
    place = ".".join(str(step) for step in first["loc"]) or "message"
    if place.endswith("format"):
        return f"{place}: {first['input']!r}, this recorder reads format {FORMAT}: update it"
    more = f" (and {len(errors) - 1} more faults)" if len(errors) > 1 else ""
    return f"{place}: {first['msg']}{more}"


def _mismatch(address: Address, entry: AnyEntry) -> str:
    claimed = (entry.unit, entry.run_id, entry.kind)
    topic = (address.unit, address.run_id, address.kind)
    if claimed != topic:
        return f"entry says unit, run, kind {claimed}, its topic says {topic}"
    return ""


def _too_long(entry: AnyEntry) -> str:
    for name in ("id", "step", "name"):
        text = getattr(entry, name, "")
        if len(text) > TEXT_LIMIT:
            return f"{name} has {len(text)} characters, at most {TEXT_LIMIT} are taken"
    return ""


def _times(entry: AnyEntry) -> tuple[int, int]:
    """First and last time of what becomes points, ms since 1970."""
    if isinstance(entry, RunSamples):
        return min(entry.at_utc_ms, default=FIRST_MS), max(entry.at_utc_ms, default=FIRST_MS)
    return at_ms(entry), at_ms(entry)


def _bad_time(first_ms: int, last_ms: int, utc_ms: int) -> str:
    if first_ms < FIRST_MS:
        return f"time {first_ms} ms is before 2020: check the clock of the unit's computer"
    if last_ms > utc_ms + FUTURE_LIMIT_MS:
        ahead_h = (last_ms - utc_ms) / 3_600_000
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
    return ""


def at_ms(entry: AnyEntry) -> int:
    """Wall time of an entry in ms since 1970, rounded down."""
    return int(entry.at_utc.timestamp() * 1000 // 1)
