"""Which entries of which journals a recorder holds, as ranges in its own journal.

An entry counts only with the site and unit of its topic: what one unit says of its ids changes
nothing for another. Ranges stay small however long they are kept; only what nobody can need is
forgotten.
"""

from __future__ import annotations

from collections import Counter

from platelink.ledger.database import Database
from platelink.publish.ranges import Ranges

SOURCES_KEPT = 16
"""Journals of one unit: it has one, and seldom a new one."""
RANGES_KEPT = 1000
"""Of one journal. An honest one has one range, and some more while something is missing."""
RANGES_TOLD = 200
"""Of one journal, to publishers: the holes between the others follow when these are filled."""


class Holdings:
    """See the file's first line. The caller sees to transactions."""

    def __init__(self, database: Database) -> None:
        self._db = database

    def take(self, site: str, unit: str, entry_id: str, *, utc_ms: int) -> bool:
        """Hold an entry from now on; False where it is held already."""
        name, number = split_id(entry_id)
        source = self._source(f"{site}/{unit}/{name}")
        query = "SELECT first, last FROM held WHERE source = ? AND first <= ? ORDER BY first DESC"
        before = self._db.rows(f"{query} LIMIT 1", (source, number))
        if before and before[0][1] >= number:
            return False
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
        return True

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


def split_id(entry_id: str) -> tuple[str, int]:
    """Journal and number of an entry's id "<journal>-<number>"; any other id is a journal of its
    own with one entry."""
    source, _, number = entry_id.rpartition("-")
    if source and number.isascii() and number.isdigit() and len(number) <= 15:
        return source, int(number)
    return entry_id, 0
