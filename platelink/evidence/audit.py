"""Whether journal, stores and log of seals are still what they were. Reads, writes nothing."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

from platelink.events.event import EventName
from platelink.evidence.cosign import Cosigned, cosigned_by
from platelink.evidence.keys import Verifier
from platelink.evidence.log import Leaf, SealLog
from platelink.evidence.merkle import Edge
from platelink.evidence.note import Note, read_checkpoint
from platelink.evidence.seal import RECORD, manifest_of, read_manifest, read_seal, sum_of
from platelink.evidence.sources import STORES, JournalRecords, Record, store_records
from platelink.evidence.stamp import stamped_at
from platelink.evidence.stamped import Stamps
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.ledger.readable import WRONG
from platelink.record.errors import JournalError
from platelink.record.reader import JournalReader
from platelink.record.stored import Removed

_TOLD = 3
"""Differences of one record that are told."""


@dataclass(slots=True)
class Audit:
    """What was found. ``problems`` is empty where all of it holds."""

    problems: list[str] = field(default_factory=list)
    notices: list[str] = field(default_factory=list)
    leaves: int = 0
    records: int = 0
    """Seals whose record was made again and compared."""
    waiting: int = 0
    """Records that have closed and are not sealed yet."""
    head: Note | None = None
    cosigned: list[Cosigned] = field(default_factory=list)
    """Which other units cosigned the head, and when."""
    stamped: list[tuple[int, datetime]] = field(default_factory=list)
    """Of each time-stamped checkpoint its leaves, and when: by size. Empty where not looked at."""


def audit_log(
    log: SealLog, *, heads: Sequence[Note] = (), key: Verifier | None = None,
    others: Sequence[Verifier] = (), tsa: bytes | None = None,
) -> Audit:  # fmt: skip
    """Whether the log is one that only grew: its keys, its checkpoints, and those that others
    hold. ``key``, and ``others`` of the logs of other units, have come from elsewhere; so have the
    certificates (PEM) of the authority that stamped checkpoints, ``tsa``."""
    found = Audit()
    try:
        found.problems += _log_problems(log, heads, key)
        _look_at_stamps(log, tsa, found)
        found.head = log.head()
        found.cosigned = cosigned_by(found.head, others) if found.head is not None else []
    except (EvidenceError, StoreError, *WRONG) as error:
        found.problems.append(f"{log.path}: {error}")
    found.leaves = log.size()
    return found


def _log_problems(log: SealLog, held: Sequence[Note], key: Verifier | None) -> Iterator[str]:
    keys, own = log.keys(), log.heads()
    if key is not None and key not in keys:
        names = ", ".join(one.id.hex() for one in keys)
        yield f"the log is signed by other keys ({names}) than yours, {key.name} ({key.id.hex()})"
    roots, edge, newest = {0: Edge().root()}, Edge(), ""
    for place, data in enumerate(log.leaf_data()):
        try:
            seal = read_seal(data)
        except EvidenceError as error:
            yield f"leaf {place}: {error}"
            continue
        if seal.sealed_utc < newest:
            yield f"leaf {place} says it was sealed at {seal.sealed_utc}, before the one before it"
        newest = max(newest, seal.sealed_utc)
        edge.add(seal.leaf)
        roots[edge.size] = edge.root()
    yield from _chain(own, keys, roots)
    if own and read_checkpoint(own[-1]).size != edge.size:
        yield f"{edge.size} leaves are there, the newest checkpoint is of another size"
    for note in held:
        yield from _held(note, str(log.origin()), keys, roots)


def _look_at_stamps(log: SealLog, tsa: bytes | None, found: Audit) -> None:
    """Each stamped checkpoint is one of the log's, and, where the authority is known, stamped."""
    count = 0
    for one in Stamps(log.database).all():
        count += 1
        own = log.head_of(one.size)
        if own is None or own.text != one.note.text:
            found.problems.append(
                f"a checkpoint of {one.size} leaves was time-stamped that this log does not have"
            )
        elif tsa is not None:
            try:
                found.stamped.append((one.size, stamped_at(one.answer, one.note.data, tsa)))
            except EvidenceError as error:
                found.problems.append(f"the time stamp of {one.size} leaves: {error}")
    if count and tsa is None:
        found.notices.append(
            f"{count} time stamps were not looked at: give the authority's certificate with --tsa"
        )


def _chain(
    own: Sequence[Note], keys: Sequence[Verifier], roots: Mapping[int, bytes]
) -> Iterator[str]:
    """The log's own checkpoints, and how one key followed another."""
    signers: list[Verifier] = []
    for note in own:
        by, head = note.signed_by(keys), read_checkpoint(note)
        if not by or (signers and not set(signers) & set(by)):
            yield f"the checkpoint of {head.size} leaves is not signed by the key before"
        signers = by or signers
        yield from _fits(roots, head.size, head.root, "")
    for number, one in enumerate(keys[1:], start=1):
        if not any(keys[number - 1] in (by := n.signed_by(keys)) and one in by for n in own):
            yield f"key {one.id.hex()} was never signed for by the key before it"


def _held(
    note: Note, origin: str, keys: Sequence[Verifier], roots: Mapping[int, bytes]
) -> Iterator[str]:
    """A checkpoint that others have."""
    head = read_checkpoint(note)
    if head.origin != origin:
        yield f"the checkpoint held elsewhere is of another log, {head.origin}"
    elif not note.signed_by(keys):
        yield f"the checkpoint held elsewhere, of {head.size} leaves, is not signed by this log"
    else:
        yield from _fits(roots, head.size, head.root, " held elsewhere")


def _fits(roots: Mapping[int, bytes], size: int, root: bytes, held: str) -> Iterator[str]:
    if size not in roots:
        yield f"leaves are gone: the checkpoint{held} is of {size}, there are {max(roots)}"
    elif roots[size] != root:
        yield (
            f"a leaf among the first {size} was changed, inserted or removed: the checkpoint{held} "
            f"has another root"
        )


def audit_records(
    log: SealLog, reader: JournalReader, stores: Mapping[str, Path], *,
    leaves: Sequence[Leaf] | None = None, found: Audit | None = None,
) -> Audit:  # fmt: skip
    """Whether each sealed record is what it was: the given leaves, or all, and then whether
    anything stands in the journal that was never sealed."""
    found = found or Audit()
    places = _Places(reader, stores)
    try:
        looked = log.leaves() if leaves is None else leaves
    except (EvidenceError, StoreError, *WRONG) as error:
        found.problems.append(f"{log.path}: {error}")
        return found
    elsewhere: dict[str, int] = {}
    for leaf in looked:
        if places.uuid_of(leaf.source) is None and leaf.source not in STORES:
            elsewhere[leaf.source] = elsewhere.get(leaf.source, 0) + 1
            continue
        found.records += 1
        gone: list[Removed] = []
        problems = list(_record_problems(places, leaf, log, gone))
        found.problems += problems
        found.notices += dict.fromkeys(
            f"{leaf.seal.kind} {leaf.seal.name}: {one.text if problems else one.compared}"
            for one in gone
        )
    if leaves is None:
        found.problems += places.faults()
        found.waiting, unsealed = places.unsealed(log)
        found.problems += unsealed
    for uuid, count in elsewhere.items():
        text = f"{count} sealed records are of journal {uuid}, not of this one"
        (found.notices if uuid in places.before else found.problems).append(text)
    return found


def journals_of(reader: JournalReader) -> set[str]:
    """The id of a journal, and of those that it tells to have been before it."""
    return _Places(reader, {}).before | {reader.uuid}


class _Places:
    """Where sealed records are to be found now."""

    def __init__(self, reader: JournalReader, stores: Mapping[str, Path]) -> None:
        self.reader, self.stores = reader, stores
        self.before: set[str] = set()
        """Journals that this one tells to have been before it."""
        self._restored: set[str] = set()
        rows = reader.rows(
            "SELECT json_extract(body, '$.data.journal'), json_extract(body, '$.data.entries'), "
            "number FROM entries WHERE run_id IS NULL "
            "AND kind = 'event' AND json_extract(body, '$.name') = ?",
            str(EventName.JOURNAL_BEGUN_ANEW),
        )
        for uuid, entries, number in rows:
            self.before.add(str(uuid))
            if entries == number - 1:  # restored: they are in this file
                self._restored.add(str(uuid))

    def uuid_of(self, source: str) -> str | None:
        """The id under which the journal holds these records; None where it does not."""
        return source if source == self.reader.uuid or source in self._restored else None

    def record(self, leaf: Leaf) -> Record:
        """The record as it is now; errors as ``JournalRecords.record``."""
        kind, name, source = leaf.seal.kind, leaf.seal.name, leaf.source
        if source in STORES:
            path, unit = self.stores[source], leaf.seal.unit
            for record in store_records(source, path, unit, after=leaf.last - 1, name=name):
                return record
            raise LookupError(f"{path} has no {kind} {name}")
        return JournalRecords(self.reader, source).record(kind, name, leaf.first, leaf.last)

    def faults(self) -> Iterator[str]:
        """What the journal's own tables do not agree in."""
        missing = self.reader.missing_numbers(1, self.reader.last_number())
        if missing:
            yield f"{missing} entries of the journal are gone"
        rows = self.reader.rows(
            "SELECT r.run_id FROM runs r JOIN entries e USING (number) WHERE e.run_id <> r.run_id "
            "OR e.at_ms <> r.started_ms OR json_extract(e.body, '$.operator') IS NOT r.operator "
            "OR json_extract(e.body, '$.plate') IS NOT r.plate "
            "OR json_extract(e.body, '$.step') IS NOT r.step"
        )
        for (run_id,) in rows:
            yield (
                f"run {run_id}: the list of runs tells another plate, step, operator or time than "
                "its start"
            )

    def unsealed(self, log: SealLog) -> tuple[int, list[str]]:
        """How many records wait for their seal, and those that were passed over."""
        records = JournalRecords(self.reader)
        passed, waiting, problems = log.newest_last(records.uuid), 0, []
        for number, closed in records.closed(0, self.reader.last_number()):
            if closed is None or log.has(records.uuid, *closed):
                continue
            if number > passed:
                waiting += 1
            else:
                problems.append(f"{closed[0]} {closed[1]} was never sealed: it was put in later")
        return waiting, problems


def _record_problems(
    places: _Places, leaf: Leaf, log: SealLog, gone: list[Removed]
) -> Iterator[str]:
    seal = leaf.seal
    what = f"{seal.kind} {seal.name}, sealed {seal.sealed_utc},"
    if sum_of(leaf.manifest) != seal.manifest_sha256:
        yield f"{what}: the manifest kept in the log was changed"
        return
    sums = read_manifest(leaf.manifest)
    try:
        now = places.record(leaf)
    except (JournalError, StoreError, LookupError, OSError, ValueError) as error:
        yield f"{what} cannot be made again: {error}"
        return
    gone += now.gone.values()
    if manifest_of(now.files) == leaf.manifest:
        return
    removed = {path: one for path, one in now.gone.items() if path in sums}
    yield from _removed_wrongly(places, leaf, log, removed)
    kept = leaf.record if sum_of(leaf.record) == sums.get(RECORD) else b""
    for path in sorted((sums.keys() - removed.keys()) | now.files.keys()):
        if path not in now.files:
            yield f"{what} had samples that are gone: {path}"
        elif path not in sums:
            yield f"{what} had no {path}: samples were put in"
        elif sums[path] != sum_of(now.files[path]):
            if path == RECORD and kept:
                yield f"{what} was changed: {_told(json.loads(kept), json.loads(now.files[path]))}"
            else:
                yield f"{what} was changed: {path} is not what was sealed"


def _removed_wrongly(
    places: _Places, leaf: Leaf, log: SealLog, removed: Mapping[str, Removed]
) -> Iterator[str]:
    """Removals that are none by the rule. Samples are removed once the entry that tells of it is
    sealed; only a log begun anew may not have come to it yet."""
    uuid = places.reader.uuid
    for path, one in removed.items():
        entry = f"entry {one.number}"
        if one.manifest_sha256 != leaf.seal.manifest_sha256:
            yield f"{path} is gone, and {entry} notes the removal of another record"
        elif one.number <= log.newest_last(uuid) and not log.has(uuid, "note", entry):
            yield f"{path} is gone, and the note of its removal, {entry}, was never sealed"


def _told(old: Any, new: Any) -> str:
    found = list(differences(old, new))
    more = f"; and {len(found) - _TOLD} more" if len(found) > _TOLD else ""
    return "; ".join(found[:_TOLD]) + more


def differences(old: Any, new: Any, place: str = "") -> Iterator[str]:
    """Where two JSON values differ, in words."""
    if isinstance(old, dict) and isinstance(new, dict):
        for name in [*old, *(n for n in new if n not in old)]:
            inner = f"{place}, {name}" if place else str(name)
            if name not in new:
                yield f"{inner} is gone, it was {_short(old[name])}"
            elif name not in old:
                yield f"{inner} was put in: {_short(new[name])}"
            else:
                yield from differences(old[name], new[name], inner)
    elif isinstance(old, list) and isinstance(new, list):
        yield from _listed(old, new, place)
    elif old != new or type(old) is not type(new):
        yield f"{place} was {_short(old)}, is {_short(new)}"


def _listed(old: list[Any], new: list[Any], place: str) -> Iterator[str]:
    """Entries are told by their ids, others by their place."""
    ids, now = [_id(one) for one in old], [_id(one) for one in new]
    if all(ids) and all(now) and len(set(ids)) == len(ids) and len(old) != len(new):
        for one, entry in zip(ids, old, strict=True):
            if one not in now:
                yield f"{place}: {_short(entry.get('name', 'one'))} ({one}) is gone"
        for one, entry in zip(now, new, strict=True):
            if one not in ids:
                yield f"{place}: {_short(entry.get('name', 'one'))} ({one}) was put in"
        return
    for index, (one, other) in enumerate(zip(old, new, strict=False)):
        yield from differences(one, other, f"{place} {index}")
    if len(old) != len(new):
        yield f"{place} had {len(old)}, has {len(new)}"


def _id(value: Any) -> object:
    return value.get("id") if isinstance(value, dict) else None


def _short(value: Any) -> str:
    text = json.dumps(value, ensure_ascii=False)
    return text if len(text) <= 60 else text[:57] + "..."
