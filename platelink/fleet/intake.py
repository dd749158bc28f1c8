"""Is a message from the broker an entry of a unit's journal? Decides and says why not.

Times are taken as they are: a copy repeats what the unit wrote, whatever its clock showed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from platelink.fleet.told import EARLIEST, LATEST
from platelink.publish.holdings import split_id
from platelink.publish.intake import PAYLOAD_LIMIT
from platelink.publish.payloads import read_entry
from platelink.publish.topics import parse
from platelink.runs import AnyEntry, RunSamples

_JOURNAL = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}")
"""It becomes the name of a file."""


@dataclass(frozen=True, slots=True)
class Whose:
    """The journal of a unit."""

    site: str
    unit: str
    journal: str


@dataclass(frozen=True, slots=True)
class Good:
    """An entry, and where it belongs."""

    whose: Whose
    entry: AnyEntry


def judge(topic: str, payload: bytes) -> Good | str:
    """The entry of a message, or why it is none."""
    address = parse(topic)
    if address is None or address.kind == "status":
        return "not the topic of an entry"
    if len(payload) > PAYLOAD_LIMIT:
        return f"{len(payload)} bytes, limit {PAYLOAD_LIMIT}"
    try:
        entry = read_entry(payload)
    except (ValueError, RecursionError) as fault:
        return f"no entry: {fault!s:.120}"
    claimed = (entry.unit, entry.run_id, entry.kind)
    if claimed != (address.unit, address.run_id, address.kind):
        return f"says unit, run, kind {claimed!s:.200}"
    journal, number = split_id(entry.id)
    if number < 1 or not _JOURNAL.fullmatch(journal):
        return f"its id {entry.id:.80} is no number of a journal"
    wrong = _wrong(entry)
    return wrong or Good(Whose(address.site, address.unit, journal), entry)


def _wrong(entry: AnyEntry) -> str:
    if not EARLIEST <= entry.at_utc < LATEST:
        return f"its time {entry.at_utc} cannot be"
    if not isinstance(entry, RunSamples):
        return ""
    columns = {"at_utc_ms": entry.at_utc_ms} | entry.values
    lengths = {name: len(column) for name, column in columns.items()}
    for name, length in lengths.items():
        if length != len(entry.ticks):
            return f"column {name:.64} has {length} values, ticks has {len(entry.ticks)}"
    return ""
