"""The folder of copies: one file for each journal of each unit, ``<site>/<unit>/<journal>.sqlite``.

A unit that begins its journal anew gets a new file; the one before stays.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from platelink.fleet.copy import Copy
from platelink.fleet.intake import Good, Whose
from platelink.publish.ranges import Ranges
from platelink.publish.teller import Unit
from platelink.publish.topics import check_name
from platelink.record.errors import JournalDamaged, JournalError, NotAJournal

SUFFIX = ".sqlite"
MOST_UNITS, MOST_JOURNALS = 5000, 50
"""More than these somebody made up."""
MOST_OPEN = 200


@dataclass(frozen=True, slots=True)
class Refusal:
    """A message that is not kept, and why."""

    whose: Whose
    entry_id: str
    reason: str


def files_of(folder: Path, site: str, unit: str) -> list[Path]:
    """Copies of a unit's journals, the one written last at the end."""
    found = (folder / check_name("site", site) / check_name("unit", unit)).glob(f"*{SUFFIX}")
    return sorted(found, key=lambda path: (_written(path), path.name))


def _written(path: Path) -> int:
    """Of the file or its log; a log that is empty was made by somebody who only read."""
    found = path.stat().st_mtime_ns
    with suppress(FileNotFoundError):
        log = path.with_name(path.name + "-wal").stat()
        found = max(found, log.st_mtime_ns if log.st_size else 0)
    return found


def units_of(folder: Path) -> list[Unit]:
    """Site and unit of everything that is there."""
    found = {(one.parent.parent.name, one.parent.name) for one in folder.glob(f"*/*/*{SUFFIX}")}
    return sorted(found)


class Copies:
    """The writing half, of one process."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._open: OrderedDict[Whose, Copy] = OrderedDict()
        self._units = set(units_of(folder))

    def take(self, messages: Sequence[Good]) -> list[Refusal]:
        """Keep them; all that is not refused is on disk when this returns. JournalError: not all
        was kept, and all must come again."""
        refused: list[Refusal] = []
        groups: dict[Whose, list[Good]] = {}
        for message in messages:
            groups.setdefault(message.whose, []).append(message)
        for whose, group in groups.items():
            try:
                copy = self._copy(whose)
                for entry, reason in copy.take([one.entry for one in group]):
                    refused.append(Refusal(whose, entry.id, reason))
            except (NotAJournal, JournalDamaged, ValueError) as fault:  # one file stops no other
                refused += [Refusal(whose, one.entry.id, str(fault)) for one in group]
        return refused

    def _copy(self, whose: Whose) -> Copy:
        if (found := self._open.get(whose)) is not None:
            self._open.move_to_end(whose)
            return found
        folder = self.folder / whose.site / whose.unit
        path = folder / f"{whose.journal}{SUFFIX}"
        if not path.exists():
            self._room_for(whose, folder)
        try:
            folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as fault:
            raise JournalError(f"{folder} cannot be made ({fault.strerror})") from fault
        found = Copy(path, site=whose.site, unit=whose.unit, journal=whose.journal)
        self._units.add((whose.site, whose.unit))
        self._open[whose] = found
        if len(self._open) > MOST_OPEN:
            self._open.popitem(last=False)[1].close()
        return found

    def _room_for(self, whose: Whose, folder: Path) -> None:
        if (whose.site, whose.unit) not in self._units and len(self._units) >= MOST_UNITS:
            raise ValueError(f"more than {MOST_UNITS} units")
        if len(list(folder.glob(f"*{SUFFIX}"))) >= MOST_JOURNALS:
            raise ValueError(
                f"more than {MOST_JOURNALS} journals of one unit: move old ones out of {folder}"
            )

    def units(self) -> set[Unit]:
        """Site and unit of everything held."""
        return set(self._units)

    def held(self, unit: Unit) -> dict[str, Ranges]:
        """What is held of a unit, by journal."""
        return {journal: copy.held for journal, copy in self._of(unit)}

    def missing(self, unit: Unit) -> dict[str, Ranges]:
        """Numbers that have not come, below the newest one, by journal."""
        return {name: copy.missing for name, copy in self._of(unit) if copy.missing}

    def _of(self, unit: Unit) -> Iterator[tuple[str, Copy]]:
        for path in files_of(self.folder, *unit):
            with suppress(NotAJournal, JournalDamaged):  # its entries are refused, which is shown
                yield path.stem, self._copy(Whose(*unit, path.stem))

    def close(self) -> None:
        """Close all files."""
        while self._open:
            self._open.popitem()[1].close()
