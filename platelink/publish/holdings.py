"""Which entries of which journals a recorder holds, as ranges in its own journal.

Nearly every entry is the one after the newest: the newest range of a journal grows in memory, and
``settle`` writes it down with the transaction.

An entry counts only with the site and unit of its topic: what one unit says of its ids changes
nothing for another. Ranges stay small however long they are kept; only what nobody can need is
forgotten.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from platelink.ledger.database import Database
from platelink.publish.ranges import Ranges

SOURCES_KEPT = 16
"""Journals of one unit: it has one, and seldom a new one."""
RANGES_KEPT = 1000
"""Of one journal. An honest one has one range, and some more while something is missing."""
RANGES_TOLD = 200
"""Of one journal, to publishers: the holes between the others follow when these are filled."""


@dataclass(slots=True)
class _Newest:
    """The newest range of a journal; before the first entry an empty one."""

    source: int
    first: int
    last: int
    written: bool = True


class Holdings:
    """See the file's first line. The caller sees to transactions."""

    def __init__(self, database: Database) -> None:
        self._db = database
        self._newest: dict[str, _Newest] = {}

    def settle(self, *, utc_ms: int) -> None:
        """Write down what only memory knows."""
        for newest in self._newest.values():
            self._write_down(newest, utc_ms)

    def mistrust(self) -> None:
        """Forget what memory knows: a transaction has failed."""
        self._newest.clear()

    def holds(self, site: str, unit: str, entry_id: str) -> bool:
        """An entry that was taken."""
        name, number = split_id(entry_id)
        newest = self._of_source(_key(site, unit, name))
        if number > newest.last:
            return False
        if number >= newest.first:
            return True
        query = "SELECT last FROM held WHERE source = ? AND first <= ? ORDER BY first DESC LIMIT 1"
        before = self._db.rows(query, (newest.source, number))
        return bool(before) and before[0][0] >= number

    def take(self, site: str, unit: str, entry_id: str, *, utc_ms: int) -> None:
        """Hold an entry, not held yet, from now on."""
        name, number = split_id(entry_id)
        key = _key(site, unit, name)
        newest = self._of_source(key)
        if number == newest.last + 1 and newest.first >= 0:
            newest.last, newest.written = number, False
            return
        self._write_down(newest, utc_ms)
        del self._newest[key]
        self._take(newest.source, number, utc_ms)

    def _of_source(self, key: str) -> _Newest:
        if (newest := self._newest.get(key)) is None:
            source = self._source(key)
            query = "SELECT first, last FROM held WHERE source = ? ORDER BY first DESC LIMIT 1"
            ((first, last),) = self._db.rows(query, (source,)) or [(-1, -2)]
            newest = self._newest[key] = _Newest(source, first, last)
        return newest

    def _write_down(self, newest: _Newest, utc_ms: int) -> None:
        if not newest.written:
            self._db.execute(
                "UPDATE held SET last = ?, at_ms = ? WHERE source = ? AND first = ?",
                (newest.last, utc_ms, newest.source, newest.first),
            )
            newest.written = True

    def _take(self, source: int, number: int, utc_ms: int) -> None:
        query = "SELECT first, last FROM held WHERE source = ? AND first <= ? ORDER BY first DESC"
        before = self._db.rows(f"{query} LIMIT 1", (source, number))
        first = before[0][0] if before and before[0][1] == number - 1 else number
        after = self._db.rows(
            "SELECT last FROM held WHERE source = ? AND first = ?", (source, number + 1)
        )
        last = after[0][0] if after else number
        if after:
            self._db.execute(
                "DELETE FROM held WHERE source = ? AND first = ?", (source, number + 1)
            )
        self._db.execute(
            "INSERT OR REPLACE INTO held VALUES (?, ?, ?, ?)", (source, first, last, utc_ms)
        )

    def units(self) -> set[tuple[str, str]]:
        """Site and unit of everything held."""
        names = self._db.rows("SELECT name FROM source")
        return {(site, unit) for (name,) in names for site, unit in [name.split("/", 2)[:2]]}

    def of(self, site: str, unit: str) -> dict[str, Ranges]:
        """What is held of a unit, by journal: the lowest ranges, where there are very many."""
        start = f"{site}/{unit}/"
        rows = self._db.rows(
            "SELECT name, first, last FROM source JOIN held ON source = id "
            "WHERE name >= ? AND name < ? ORDER BY name, first",
            (start, f"{site}/{unit}0"),  # '0' follows '/'
        )
        found: dict[str, list[tuple[int, int]]] = {}
        for name, first, last in rows:
            ranges = found.setdefault(name[len(start) :], [])
            if len(ranges) < RANGES_TOLD:
                ranges.append((first, last))
        return {journal: tuple(ranges) for journal, ranges in found.items()}

    def forget(self) -> None:
        """Drop the oldest of what is more than any unit needs. A duplicate of something forgotten
        is sent to the store again, which is harmless."""
        self.mistrust()
        crowded = self._db.rows(
            "SELECT source FROM held GROUP BY source HAVING count(*) > ?", (RANGES_KEPT,)
        )
        for (source,) in crowded:
            self._db.execute(
                "DELETE FROM held WHERE source = ? AND first NOT IN (SELECT first FROM held "
                "WHERE source = ? ORDER BY at_ms DESC, first DESC LIMIT ?)",
                (source, source, RANGES_KEPT),
            )
        sources = self._db.rows(
            "SELECT id, name FROM source ORDER BY "
            "(SELECT max(at_ms) FROM held WHERE source = id) DESC, id DESC"
        )
        seen: Counter[tuple[str, ...]] = Counter()
        for source, name in sources:
            unit = tuple(str(name).split("/")[:2])
            seen[unit] += 1
            if seen[unit] > SOURCES_KEPT:
                self._db.execute("DELETE FROM held WHERE source = ?", (source,))
                self._db.execute("DELETE FROM source WHERE id = ?", (source,))

    def _source(self, name: str) -> int:
        found = self._db.rows("SELECT id FROM source WHERE name = ?", (name,))
        if not found:
            found = self._db.rows("INSERT INTO source(name) VALUES (?) RETURNING id", (name,))
        number: int = found[0][0]
        return number


def _key(site: str, unit: str, journal: str) -> str:
    return f"{site}/{unit}/{journal}"


def split_id(entry_id: str) -> tuple[str, int]:
    """Journal and number of an entry's id "<journal>-<number>"; any other id is a journal of its
    own with one entry."""
    source, _, number = entry_id.rpartition("-")
    if source and number.isascii() and number.isdigit() and len(number) <= 15:
        return source, int(number)
    return entry_id, 0
