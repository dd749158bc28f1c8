"""Whether a facts file is whole: what has no checksum must follow from what has one."""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

from platelink.facts.derive import Json, sum_of
from platelink.facts.rows import FOUND_BY, followed, made_rows, steps_of
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreUnusable
from platelink.ledger.private import handed
from platelink.ledger.readable import WRONG

ALWAYS_BYTES = 4 << 20
"""A file no larger is looked at whole whenever it is asked."""
_PAGE = 500


def faults(db: Database) -> list[str]:
    """What is wrong with a file opened to write; empty when all of it is what was written."""
    try:
        found = [str(row[0]) for row in db.rows("PRAGMA integrity_check")]
        if found != ["ok"]:
            return found
        db.execute("INSERT INTO texts (texts) VALUES ('integrity-check')")
        return [*_cursor(db), *_follows(db), *_days(db)]
    except (StoreUnusable, *WRONG) as error:
        return [str(error)]


def cursor_sum(row: Row) -> int:
    """The checksum of the cursor's row."""
    return sum_of(*row)


def _cursor(db: Database) -> Iterator[str]:
    rows = db.rows("SELECT uuid, unit, number, entry, lamps, sum FROM cursor")
    if len(rows) > 1 or any(cursor_sum(row[:-1]) != row[-1] for row in rows):
        yield "the cursor is not what was written"


def _follows(db: Database) -> Iterator[str]:
    """Sums over all rows of each table, in any order, beside those that follow from the facts."""
    wanted = dict.fromkeys(FOUND_BY, (0, 0))
    steps = 0
    for number, name, facts in _everything(db):
        of_it = [(place, one) for place, one, _ in steps_of(db, number)]
        steps += len(of_it)
        for table, row in followed(number, name, facts, of_it):
            wanted[table] = _added(wanted[table], row)
    if db.rows("SELECT count(*) FROM steps") != [(steps,)]:
        yield "steps of nothing made"
    for table, columns in FOUND_BY.items():
        there = (0, 0)
        for row in db.each(f"SELECT {columns} FROM {table}"):  # noqa: S608 -- our own names
            there = _added(there, row)
        if there != wanted[table]:
            yield f"{table}: {there[1]} rows do not follow from the facts, of {wanted[table][1]}"


def _everything(db: Database) -> Iterator[tuple[int, str, Json]]:
    after = -1
    while page := made_rows(db, "number > ? ORDER BY number LIMIT ?", (after, _PAGE)):
        for number, name, *_, facts in page:
            yield number, name, facts
        after = page[-1][0]


def _added(to: tuple[int, int], row: Iterable[Any]) -> tuple[int, int]:
    return (to[0] + sum_of(*row)) % (1 << 64), to[1] + 1


def _days(db: Database) -> Iterator[str]:
    if db.rows("SELECT * FROM days ORDER BY day") != db.rows(DAYS.format("1") + " ORDER BY day"):
        yield "the days are not what was made"


DAYS = (
    "SELECT day, count(*), sum(json_extract(facts, '$.verdict') IS 'good'), "
    "sum(json_extract(facts, '$.verdict') IS 'reject'), max(off_pct) FROM made "
    "WHERE {} GROUP BY day"
)
"""Roll-ups of the days of which this is true."""


# --- what was there when it was last written ----------------------------------------------


def _seal_of(path: Path) -> Path:
    return path.with_name(path.name + ".seal")


def _stamp(path: Path) -> list[int]:
    found = path.stat()
    return [found.st_size, found.st_mtime_ns, found.st_ino]


def seal(path: Path) -> None:
    """Note what the file is like as its writer leaves it."""
    part = _seal_of(path).with_suffix(f".{os.getpid()}")
    try:
        with open(part, "w", encoding="ascii", opener=handed) as file:
            json.dump(_stamp(path), file)
        part.replace(_seal_of(path))
    finally:
        part.unlink(missing_ok=True)


def sealed(path: Path) -> bool:
    """True when nobody but its writer has written to the file; a disk may still have lost some."""
    try:
        return bool(json.loads(_seal_of(path).read_text("ascii")) == _stamp(path))
    except (OSError, ValueError):
        return False


def unseal(path: Path) -> None:
    """From now on it is being written."""
    _seal_of(path).unlink(missing_ok=True)
