"""Copies what is sound of a damaged file into a new one of the same kind. The damaged one is only
read, and nothing is invented: what cannot be read is left out and counted.
"""

from __future__ import annotations

import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path

from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreRefused
from platelink.ledger.kind import Kind

_HEAD: tuple[tuple[int, bytes, tuple[bytes, ...]], ...] = (
    (0, b"SQLite format 3\0", ()),
    (
        16,
        b"\x10\x00",
        (b"\x02\x00", b"\x04\x00", b"\x08\x00", b"\x20\x00", b"\x40\x00", b"\x80\x00"),
    ),
    (20, b"\x00\x40\x20\x20", ()),
    (44, b"\x00\x00\x00\x04", ()),
    (56, b"\x00\x00\x00\x01", ()),
)
"""What stands at a place of a file's head, or may (SQLite's file format, 1.3): magic, size of a
page, fractions, schema format, UTF-8."""
_MOST_PROBES = 1_000_000
"""Numbers tried one by one between two damaged places."""


@dataclass(slots=True)
class Salvaged:
    """What became of each table: rows copied, and rows known to be lost."""

    copied: dict[str, int] = field(default_factory=dict)
    lost: dict[str, int] = field(default_factory=dict)

    @property
    def whole(self) -> bool:
        """True when nothing is known to be lost."""
        return not any(self.lost.values())


Prune = Callable[[Database], dict[str, int]]
"""Takes out of the copy what cannot be understood; how many rows of each table."""


def salvage(source: Path, target: Path, kind: Kind, prune: Prune) -> Salvaged:
    """Copy; ``StoreRefused`` when the target is there, or nothing can be read of the source."""
    if target.exists():
        raise StoreRefused(f"{target} exists already; name another file with --to")
    try:
        found = _salvaged(source, target, kind, prune)
    except BaseException:
        target.unlink(missing_ok=True)
        raise
    if not any(found.copied.values()):
        target.unlink()
        raise StoreRefused(f"nothing in {source} can be read; restore a backup")
    return found


def _salvaged(source: Path, target: Path, kind: Kind, prune: Prune) -> Salvaged:
    found = Salvaged()
    with _opened(source, target.parent) as old, closing(_new(target, kind)) as new:
        triggers = new.rows("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'")
        new.execute("PRAGMA foreign_keys = OFF")
        with new.transaction():
            for name, _ in triggers:
                new.execute(f"DROP TRIGGER {name}")
            for table in _tables(new):
                _copy(old, new, table, found)
            for table, lost in prune(new).items():
                found.copied[table] -= lost
                found.lost[table] = max(0, found.lost[table] + lost)
            for _, sql in triggers:
                new.execute(sql)
    return found


def tables_in(source: Path) -> frozenset[str]:
    """Names of the tables that can be found in a file, damaged or not."""
    with tempfile.TemporaryDirectory() as folder, _opened(source, Path(folder)) as old:
        try:
            return frozenset(name for (name,) in old.execute("SELECT name FROM sqlite_master"))
        except (sqlite3.Error, UnicodeDecodeError):
            return frozenset()


def _new(target: Path, kind: Kind) -> Database:
    return Database(target, kind, read_only=False)


def _tables(new: Database) -> list[str]:
    rows = new.rows(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' "
        "ORDER BY rowid"
    )
    return [name for (name,) in rows]


@contextmanager
def _opened(source: Path, beside: Path) -> Iterator[sqlite3.Connection]:
    """A copy of the file with its log, its head put right where it cannot be as it is."""
    with tempfile.TemporaryDirectory(dir=beside, prefix=".salvage-") as folder:
        copy = Path(folder) / "copy"
        shutil.copyfile(source, copy)
        log = source.with_name(source.name + "-wal")
        if log.exists():
            shutil.copyfile(log, copy.with_name("copy-wal"))
        with copy.open("r+b") as file:
            head = file.read(100)
            for at, usual, others in _HEAD:
                if head[at : at + len(usual)] not in (usual, *others):
                    file.seek(at)
                    file.write(usual)
            if not set(head[18:20]) <= {1, 2}:
                file.seek(18)
                file.write(b"\x02\x02" if log.exists() else b"\x01\x01")
        connection = sqlite3.connect(copy, isolation_level=None)
        connection.text_factory = bytes
        try:
            # Lets SQLite open a file that is shorter than its head says.
            connection.execute("PRAGMA writable_schema = ON")
            connection.text_factory = str
            yield connection
        finally:
            connection.close()


def _copy(old: sqlite3.Connection, new: Database, table: str, found: Salvaged) -> None:
    found.copied[table] = found.lost[table] = 0
    info = new.rows(f"PRAGMA table_info({table})")
    with suppress(sqlite3.Error, UnicodeDecodeError):
        there = {row[1] for row in old.execute(f"PRAGMA table_info({table})")}
        info = [row for row in info if row[1] in there]
    columns = [row[1] for row in info]
    keys = [row[1] for row in sorted(info, key=lambda row: row[5]) if row[5]] or ["rowid"]
    new.execute(f"DELETE FROM {table}")  # noqa: S608 -- names of our own schema, here and below
    insert = f"INSERT INTO {table} ({', '.join(columns)}) VALUES ({', '.join('?' * len(columns))})"  # noqa: S608
    taken: set[Row] = set()
    for row in _rows(old, table, columns, keys):
        key = tuple(row[columns.index(k)] for k in keys) if keys != ["rowid"] else row
        if key in taken:
            continue
        taken.add(key)
        try:
            new.execute(insert, row)
            found.copied[table] += 1
        except Exception:  # of another type, or against what the schema asks: damaged
            found.lost[table] += 1
    with suppress(sqlite3.Error, UnicodeDecodeError):
        ((count,),) = old.execute(f"SELECT count(*) FROM {table}")  # noqa: S608
        found.lost[table] = max(found.lost[table], count - found.copied[table])


def _rows(
    old: sqlite3.Connection, table: str, columns: Sequence[str], keys: Sequence[str]
) -> Iterator[Row]:
    """Every row that can be reached: from the front, from the back, and between by number."""
    what = f"SELECT {', '.join(columns)} FROM {table}"  # noqa: S608
    edges: list[Row | None] = [None, None]
    for end, order in enumerate(("ASC", "DESC")):
        by = ", ".join(f"{key} {order}" for key in keys)
        cursor = old.cursor()
        try:
            for row in cursor.execute(f"{what} ORDER BY {by}"):
                edges[end] = row
                yield row
            return  # whole
        except (sqlite3.Error, UnicodeDecodeError):
            continue
    first, last = edges
    if len(keys) != 1 or keys[0] not in columns or first is None or last is None:
        return
    at = columns.index(keys[0])
    low, high = first[at], last[at]
    if not (isinstance(low, int) and isinstance(high, int)):
        return
    for number in range(low + 1, min(high, low + _MOST_PROBES)):
        with suppress(sqlite3.Error, UnicodeDecodeError):
            yield from old.execute(f"{what} WHERE {keys[0]} = ?", (number,)).fetchall()
