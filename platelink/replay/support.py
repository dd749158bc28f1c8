"""All that is needed to make one plate again somewhere else: its tapes and its entries, as a folder
with a journal. Names of people, jobs and lots can be left out.

It is no evidence: numbers of entries are new ones; with names left out texts are others, and the
checks of states are left out with them.
"""

from __future__ import annotations

import hashlib
import json
import lzma
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from platelink.events.event import EventName
from platelink.events.unit import InputsTaped
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord
from platelink.replay.play import tapes_of
from platelink.runs import AnyEntry, RunEvent, RunSamples
from platelink.tape import columns
from platelink.tape.files import COLUMNS, HEAD, MAGIC, Tape, folder_of, part_path, section, sections
from platelink.tape.inputs import Kind, Record

JOURNAL = "journal.sqlite"
_AT_ONCE = 500
_PEOPLE = ("who", "operator", "approved_by", "by", "made_by", "author")
_KINDS = {**dict.fromkeys(_PEOPLE, "person"), "job": "job", "lot": "lot", "note": "note"}
"""Under these keys stand names, and what stands in their place."""


def _named(value: Any, found: dict[str, str]) -> None:
    """Adds every name in a plain value, with what stands in its place."""
    if isinstance(value, dict):
        for key, inner in value.items():
            kind = _KINDS.get(key)
            if kind and isinstance(inner, str) and inner.strip() and inner not in found:
                number = 1 + sum(one.startswith(kind) for one in found.values())
                found[inner] = f"{kind}-{number}"
            _named(inner, found)
    elif isinstance(value, list):
        for inner in value:
            _named(inner, found)


def _replacing(names: Mapping[str, str]) -> Callable[[Any], Any]:
    """What puts other names for these, wherever they stand as words, longest first."""
    if not names:
        return lambda value: value
    longest = sorted(names, key=len, reverse=True)
    pattern = re.compile("|".join(rf"(?<!\w){re.escape(name)}(?!\w)" for name in longest))

    def replaced(value: Any) -> Any:
        if isinstance(value, str):
            return pattern.sub(lambda match: names[match[0]], value)
        if isinstance(value, list):
            return [replaced(one) for one in value]
        if isinstance(value, dict):
            return {
                key: replaced({"calibrations": inner["calibrations"]}) | {
                    k: v for k, v in inner.items() if k != "calibrations"
                }
                if key == "conditions" and isinstance(inner, dict) and "calibrations" in inner
                else replaced(inner)
                for key, inner in value.items()
            }  # fmt: skip
        return value

    return replaced


def _entries(reader: JournalReader, first: int, last: int) -> Iterator[tuple[int, AnyEntry]]:
    """With these numbers, both included."""
    at = first - 1
    while at < last:
        rows = reader.outbox_after(at, min(_AT_ONCE, last - at))
        if not rows:
            return
        yield from rows
        at = rows[-1].number


def write(
    run: RunRecord, reader: JournalReader, there: Sequence[Tape], to: Path, *, names: bool = True
) -> dict[str, str]:
    """Write the folder; ``names`` False: without them. What stands in their place is returned.
    TapeError as of ``play_plate``; OSError as the system has it."""
    sealed, wanted = tapes_of(run, reader, there)
    own = {run.start.run_id, *(part.start.run_id for part in reader.parts(run.start.run_id))}
    begin = min(reader.number_of(one.start.id) for one in (run, *reader.parts(run.start.run_id)))
    heads = [_head(tape) for tape in wanted]
    first = min(begin, heads[0]["entries"] + 1)
    last = reader.number_of(run.end.id) if run.end is not None else reader.last_number()
    entries = [
        (number, entry) for number, entry in _entries(reader, first, last)
        if entry.run_id is None or entry.run_id in own
    ]  # fmt: skip
    taken = [_cut(tape, sealed.inputs if tape.name == sealed.tape else None) for tape in wanted]
    found: dict[str, str] = {}
    if not names:
        for plain in _plain(entries, heads, taken):
            _named(plain, found)
    replaced = _replacing(found)
    to.mkdir()
    for tape, head, records in zip(wanted, heads, taken, strict=True):
        head["entries"] = sum(number <= head["entries"] for number, _ in _without_blocks(entries))
        told = {name: replaced(head[name]) for name in ("held", "told")}
        body = [
            _renamed(record, replaced) for record in records
            if not found or record.kind is not Kind.KEPT  # a check of words that are others now
        ]  # fmt: skip
        if tape.name == sealed.tape:
            digest = hashlib.sha256(b"".join(record.pack() for record in body)).hexdigest()
            taped = InputsTaped(tape.name, len(body), digest)
        _write_tape(folder_of(to / JOURNAL), tape.name, head | told, body)
    with Journal.open(
        to / JOURNAL, unit=reader.unit, new_uuid=reader.uuid, ballast_bytes=4096
    ) as journal:
        _write_entries(journal, reader, entries, replaced, taped.data())
    return found


def _plain(
    entries: Iterable[tuple[int, AnyEntry]], heads: Sequence[dict[str, Any]],
    taken: Iterable[Iterable[Record]],
) -> Iterator[Any]:  # fmt: skip
    for _, entry in entries:
        if not isinstance(entry, RunSamples):
            yield entry.model_dump(mode="json")
    for head in heads:
        yield [head["held"], head["told"]]
    for records in taken:
        for record in records:
            if record.kind is Kind.CALL:
                yield json.loads(record.body)


def _without_blocks(entries: Iterable[tuple[int, AnyEntry]]) -> Iterator[tuple[int, AnyEntry]]:
    """A run's samples are written as one block, where its first one stands."""
    seen: set[str] = set()
    for number, entry in entries:
        if isinstance(entry, RunSamples):
            if entry.run_id in seen:
                continue
            seen.add(entry.run_id)
        yield number, entry


def _head(tape: Tape) -> dict[str, Any]:
    tape.beginning()  # or it says why it cannot be read
    head = next(body for kind, body in sections(tape.parts[0]) if kind == HEAD)
    plain: dict[str, Any] = json.loads(lzma.decompress(head))
    return plain


def _cut(tape: Tape, inputs: int | None) -> list[Record]:
    return [r for n, r in enumerate(tape.records()) if inputs is None or n < inputs]


def _renamed(record: Record, replaced: Callable[[Any], Any]) -> Record:
    if record.kind is not Kind.CALL:
        return record
    body = json.dumps(replaced(json.loads(record.body)), separators=(",", ":"))
    return record._replace(body=body.encode())


def _write_tape(folder: Path, name: str, head: dict[str, Any], body: Sequence[Record]) -> None:
    folder.mkdir(exist_ok=True)
    data = MAGIC + section(HEAD, lzma.compress(json.dumps(head).encode()))
    if body:
        data += section(COLUMNS, columns.pack(body))
    part_path(folder, name, 0).write_bytes(data)


def _write_entries(
    journal: Journal, reader: JournalReader, entries: Iterable[tuple[int, AnyEntry]],
    replaced: Callable[[Any], Any], sealed: dict[str, Any],
) -> None:  # fmt: skip
    for _, entry in _without_blocks(entries):
        if isinstance(entry, RunSamples):
            journal.append_samples(entry.run_id, reader.samples(entry.run_id), entry.at_utc)
            continue
        plain = replaced(entry.model_dump(mode="json")) | {"id": journal.next_id()}
        if isinstance(entry, RunEvent) and entry.name == EventName.INPUTS_TAPED:
            plain["data"] = sealed
        journal.append(type(entry).model_validate(plain))
