"""Copies as they are read: whose a file is, how whole it is, which plates are in it."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from platelink.fleet.copies import files_of, units_of
from platelink.fleet.copy import held_in, is_copy, waiting_in
from platelink.fleet.keep import CHECKPOINT
from platelink.publish.holdings import split_id
from platelink.publish.ranges import Ranges, common, holes
from platelink.publish.teller import Unit
from platelink.record.errors import JournalDamaged, JournalError
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord

SHOWN = 5
"""Ranges that are named."""


@dataclass(frozen=True, slots=True)
class Unread:
    """What lies among the copies and cannot be read: its plates are in no list."""

    path: Path
    why: str


class NoCopyError(Exception):
    """There is no such copy; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Whole:
    """How whole a copy is."""

    path: Path
    unit: Unit
    journal: str
    entries: int
    """That came."""
    newest: int
    """The highest number that came."""
    newest_utc: datetime | None
    missing: Ranges
    """Numbers below that one that have not come."""

    @property
    def text(self) -> str:
        """In a sentence."""
        made = "" if self.newest_utc is None else f" of {self.newest_utc:%Y-%m-%d %H:%M} UTC"
        told = f"{self.entries} entries of {'/'.join(self.unit)}, up to number {self.newest}{made}"
        gaps = missing_text(self.missing)
        return f"{told}; {gaps}" if gaps else f"{told}, none missing below it"


def missing_text(missing: Ranges) -> str:
    """The numbers that have not come; empty where all have."""
    if not missing:
        return ""
    named = ", ".join(f"{a}" if a == b else f"{a} to {b}" for a, b in missing[:SHOWN])
    more = f" and {len(missing) - SHOWN} more gaps" if len(missing) > SHOWN else ""
    count = sum(last - first + 1 for first, last in missing)
    return f"{count} have not come, and the unit is asked for them: {named}{more}"


def unit_of(folder: Path, wanted: str) -> Unit:
    """The unit of this name, or "<site>/<unit>"; NoCopyError where it is none, or not one."""
    units = units_of(folder)
    found = [unit for unit in units if wanted in (unit[1], "/".join(unit))]
    if len(found) == 1:
        return found[0]
    names = ", ".join("/".join(unit) for unit in (found or units)[:20])
    shut = "".join(f"; {one.path}: {one.why}" for one in hidden(folder))
    if found:
        raise NoCopyError(f"'{wanted}' is a unit of several sites: {names}; type one of these")
    if not units:
        raise NoCopyError(f"no copy of any unit is in {folder}: start 'platelink fleet keep'{shut}")
    raise NoCopyError(f"no copy of a unit '{wanted}' is in {folder}; there are: {names}{shut}")


def hidden(folder: Path) -> list[Unread]:
    """The folder, its sites and their units, as far as they may not be looked into."""
    found: list[Unread] = []
    level = [folder]
    for _ in range(3):
        below: list[Path] = []
        for one in level:
            try:
                below += [entry for entry in one.iterdir() if entry.is_dir()]
            except FileNotFoundError:
                continue
            except OSError as fault:
                found.append(Unread(one, f"it cannot be looked into ({fault.strerror})"))
        level = below
    return found


def opened(
    folder: Path, unit: Unit, unread: dict[Path, Unread] | None = None
) -> Iterator[JournalReader]:
    """Copies of its journals, the one written last first; a file that cannot be read is left out,
    and named in ``unread``. Each is open until the next is asked for."""
    for path in reversed(files_of(folder, *unit)):
        try:
            reader = JournalReader.open(path, unit=unit[1])
        except JournalError as fault:
            _note(unread, path, str(fault))
            continue
        with reader:
            if is_copy(reader):
                yield reader
            else:
                _note(unread, path, "it is no copy of a journal; move it away")


def _note(unread: dict[Path, Unread] | None, path: Path, why: str) -> None:
    if unread is not None:
        unread[path] = Unread(path, why)


def whole_of(reader: JournalReader, unit: Unit) -> Whole:
    """How whole this copy is."""
    held = held_in(reader)
    return Whole(
        path=reader.path,
        unit=unit,
        journal=reader.uuid,
        entries=sum(last - first + 1 for first, last in held),
        newest=held[-1][1] if held else 0,
        newest_utc=reader.last_at_utc(),
        missing=holes(held),
    )


def doubts_of(reader: JournalReader, run: RunRecord) -> list[str]:
    """What must be said with a run that is read from a copy."""
    missing = holes(held_in(reader))
    first = reader.number_of(run.start.id)
    last = reader.number_of(run.end.id) if run.end else reader.last_number()
    found = []
    if gaps := missing_text(common(missing, ((first, last),))):
        found.append(f"of its entries {gaps}")
    contradict, removed = waiting_in(reader, run.start.run_id)
    if contradict:
        found.append(f"{contradict} entries contradict it and are no part of what is shown")
    if removed:
        found.append(
            f"its samples were removed at the unit before they came here ({removed} blocks)"
        )
    return found


def seal_text(folder: Path, unit: Unit) -> str:
    """That a copy is not compared with a seal, and what is known of the unit's log."""
    told = (
        "not compared: seals are not published; the unit itself compares (platelink verify), and "
        "so does whoever has a bundle of it"
    )
    with suppress(OSError, UnicodeDecodeError, IndexError, ValueError):
        note = (folder.joinpath(*unit) / CHECKPOINT).read_text("utf-8").split("\n")
        return f"{told}; its log of seals had {int(note[1])} leaves when it last spoke"
    return told


def plates_of(
    folder: Path, unit: Unit, limit: int, unread: dict[Path, Unread] | None = None
) -> list[RunRecord]:
    """The newest plates of a unit, newest first; a copy that is damaged has none, and is named in
    ``unread``."""
    found: list[RunRecord] = []
    for reader in opened(folder, unit, unread):
        try:
            found += reader.runs(limit=limit, step="plate")
        except JournalDamaged as fault:
            _note(unread, reader.path, str(fault))
    return sorted(found, key=lambda run: run.start.at_utc, reverse=True)[:limit]


def whole_of_all(folder: Path, unit: Unit, unread: dict[Path, Unread] | None = None) -> list[Whole]:
    """Of each of its copies, the one written last first."""
    found = []
    for reader in opened(folder, unit, unread):
        try:
            found.append(whole_of(reader, unit))
        except JournalDamaged as fault:
            _note(unread, reader.path, str(fault))
    return found


def others_of(folder: Path, unit: Unit, run: RunRecord) -> list[tuple[Path, RunRecord]]:
    """Runs of the same name in other journals of this unit: one that begins its journal anew may
    give its names again."""
    journal = journal_of(run)
    found = []
    for reader in opened(folder, unit):
        if reader.uuid == journal:
            continue
        with suppress(JournalDamaged):
            if (other := reader.run(run.start.run_id)) is not None:
                found.append((reader.path, other))
    return found


def journal_of(run: RunRecord) -> str:
    """The journal that a run stands in."""
    return split_id(run.start.id)[0]
