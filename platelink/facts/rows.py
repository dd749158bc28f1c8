"""The rows of the facts file, written and taken away: what finds a plate follows from its facts."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Any

from platelink.facts.derive import (
    COURSE_REMOVED,
    Json,
    Made,
    StepFacts,
    spans_of,
    sum_of,
    tags_of,
    text,
    text_of,
)
from platelink.facts.ladder import Span
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreUnusable
from platelink.ledger.kind import Fault

FOUND_BY = {
    "tags": "kind, value, number",
    "spans": "quantity, number, place, low, high, longest_s",
    "stretches": "quantity, side, rung, number, place, longest_s",
    "texts": "rowid, text",
}
"""Tables that follow from the facts, and their columns."""
_KEYS = {"tags": 3, "spans": 3, "stretches": 5, "texts": 1}


def made_row(made: Made) -> Row:
    """With its checksum."""
    row = (made.number, made.name, made.began_ms, made.day, made.off_pct, text(made.facts))
    return (*row, sum_of(*row))


def step_rows(made: Made) -> Iterator[Row]:
    """With their checksums."""
    for place, step in enumerate(made.steps):
        row = (made.number, place, text(step.facts), step.curve)
        yield (*row, sum_of(*row))


def followed(
    number: int, name: str, facts: Json, steps: Iterable[tuple[int, Json]]
) -> Iterator[tuple[str, Row]]:
    """Table and row of all that follows from the facts of one made."""
    yield "texts", (number, text_of(name, facts))
    # As the table has it: letters of ASCII are the same value, large or small.
    once = {(kind, value.encode().lower()): (kind, value) for kind, value in tags_of(facts)}
    yield from (("tags", (*tag, number)) for tag in once.values())
    for place, step in steps:
        for quantity, span in spans_of(step).items():
            yield from _span(number, place, quantity, span)


def _span(number: int, place: int, quantity: str, span: Span) -> Iterator[tuple[str, Row]]:
    yield "spans", (quantity, number, place, span.low, span.high, span.longest_s)
    for side, rung, seconds in span.rungs:
        yield "stretches", (quantity, side, rung, number, place, seconds)


def _with_known(db: Database, made: Made) -> Made:
    """Of steps whose samples were removed since, what was known of their course. Where nothing was,
    the facts say so."""
    if not any(step.removed for step in made.steps):
        return made
    known = {facts.get("run_id"): (facts, curve) for _, facts, curve in steps_of(db, made.number)}
    steps, gone = [], []
    for step in made.steps:
        was, curve = known.get(step.facts["run_id"], ({}, None)) if step.removed else ({}, None)
        if curve is not None:
            steps.append(StepFacts(step.facts | {"spans": was["spans"]}, curve))
            continue
        steps.append(step)
        gone += [step.facts["step"]] if step.removed else []
    facts = made.facts | ({"courses_removed": gone} if gone else {})
    return replace(made, facts=facts, steps=tuple(steps))


def write(db: Database, made: Sequence[Made]) -> None:
    """Enter them, in the place of what is there of them; within a transaction."""
    made = [_with_known(db, one) for one in made]
    take_away(db, [number for one in made for number in (one.number, *one.parts)])
    db.execute_each("INSERT INTO made VALUES (?, ?, ?, ?, ?, ?, ?)", map(made_row, made))
    db.execute_each(
        "INSERT INTO steps VALUES (?, ?, ?, ?, ?)", (row for one in made for row in step_rows(one))
    )
    rows: dict[str, list[Row]] = {table: [] for table in FOUND_BY}
    for one in made:
        steps = [(place, step.facts) for place, step in enumerate(one.steps)]
        for table, row in followed(one.number, one.name, one.facts, steps):
            rows[table].append(row)
    for table, columns in FOUND_BY.items():
        marks = ", ".join("?" * len(columns.split(", ")))
        db.execute_each(f"INSERT INTO {table} ({columns}) VALUES ({marks})", sorted(rows[table]))  # noqa: S608 -- our own names


def take_away(db: Database, numbers: Sequence[int]) -> None:
    """All that is there of them."""
    gone: dict[str, list[Row]] = {table: [] for table in FOUND_BY}
    ((newest,),) = db.rows("SELECT coalesce(max(number), 0) FROM made")
    # A file that is only followed knows nothing so new: none is looked for one by one.
    known = [n for n in numbers if n <= newest]
    there = [n for n in known if db.rows("SELECT 1 FROM made WHERE number = ?", (n,))]
    for number in there:
        (row,) = made_rows(db, "number = ?", (number,))
        steps = [(place, facts) for place, facts, _ in steps_of(db, number)]
        for table, one in followed(number, row[1], row[5], steps):
            gone[table].append(one[: _KEYS[table]])
    for table, keys in gone.items():
        columns = FOUND_BY[table].split(", ")[: _KEYS[table]]
        where = " AND ".join(f"{column} = ?" for column in columns)
        db.execute_each(f"DELETE FROM {table} WHERE {where}", keys)  # noqa: S608 -- our own names
    for table in ("made", "steps"):
        db.execute_each(f"DELETE FROM {table} WHERE number = ?", ((n,) for n in there))  # noqa: S608


def courses_removed(db: Database) -> int:
    """Of how many nothing is known that a threshold could find."""
    sql = "SELECT count(*) FROM tags WHERE kind = ? AND value = ?"
    return int(db.rows(sql, COURSE_REMOVED)[0][0])


# --- read, and doubted --------------------------------------------------------------------


def made_rows(
    db: Database, where: str, values: Sequence[object], tables: str = "made"
) -> list[tuple[Any, ...]]:
    """Rows of ``made`` as number, name, began_ms, day, off_pct, facts; StoreUnusable when one is
    not what was written. ``tables``: with others that are joined to it."""
    rows = db.rows(
        "SELECT made.number, made.name, made.began_ms, made.day, made.off_pct, made.facts, "  # noqa: S608 -- our own text
        f"made.sum FROM {tables} WHERE {where}",
        values,
    )
    return [(*row[:5], _facts(db, row, 5)) for row in rows]


def steps_of(db: Database, number: int) -> list[tuple[int, Json, bytes | None]]:
    """Steps of one made as place, facts, curve; StoreUnusable as above."""
    rows = db.rows(
        "SELECT number, place, facts, curve, sum FROM steps WHERE number = ? ORDER BY place",
        (number,),
    )
    return [(row[1], _facts(db, row, 2), row[3]) for row in rows]


def _facts(db: Database, row: Row, at: int) -> Json:
    if sum_of(*row[:-1]) != row[-1]:
        raise db.kind.error(Fault.DAMAGED, db.path, f"the checksum of {row[0]!r:.20} differs")
    found = json.loads(row[at])
    if not isinstance(found, dict):
        raise StoreUnusable(f"{db.path}: facts of {row[0]} are no object")
    return found
