"""A copy of what is sound in a damaged file of any kind."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import NamedTuple, TypeVar

from platelink.alerts.schema import ALERTS
from platelink.alerts.store import AlertsStore
from platelink.calibrations.made import made_of
from platelink.calibrations.schema import CALIBRATIONS
from platelink.calibrations.store import CalibrationStore
from platelink.experiments.made import made_of as experiment_of
from platelink.experiments.schema import EXPERIMENTS
from platelink.experiments.store import ExperimentStore
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreError, StoreRefused
from platelink.ledger.kind import Kind
from platelink.ledger.log import EntryLog
from platelink.ledger.readable import WRONG
from platelink.ledger.salvage import Salvaged, salvage, tables_in
from platelink.people.log import PeopleLog
from platelink.people.schema import PEOPLE
from platelink.people.store import People
from platelink.publish.recorder_schema import RECORDER
from platelink.recipe.log import Log
from platelink.recipe.schema import RECIPES
from platelink.recipe.store import RecipeStore
from platelink.record import facts
from platelink.record.chunk import unpack
from platelink.record.errors import JournalDamaged
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL

_Entry = TypeVar("_Entry")


class Repaired(NamedTuple):
    """What was made."""

    kind: str
    target: Path
    found: Salvaged


def repair(source: Path, target: Path | None = None) -> Repaired:
    """Copy what is sound into ``target``, beside the file unless one is given. ``StoreRefused``
    says why nothing was made."""
    if not source.is_file():
        raise StoreRefused(f"{source} is no file; name the damaged one")
    there = tables_in(source)
    for kind, marks, prune in _KINDS:
        if marks <= there:
            made = target or source.with_name(source.name + ".repaired")
            return Repaired(kind.name, made, salvage(source, made, kind, prune))
    raise StoreRefused(
        f"{source} is no file of platelink, or its schema is damaged: nothing can be found in it; "
        "restore a backup"
    )


Count = dict[str, int]


def _unreadable(
    database: Database, table: str, key: str, check: Callable[[Row], object], columns: str
) -> Count:
    """Take out rows that ``check`` cannot understand."""
    bad = []
    for row in database.rows(f"SELECT {key}, {columns} FROM {table}"):  # noqa: S608 -- our own text
        try:
            check(row[1:])
        except (StoreError, JournalDamaged, ValueError, TypeError, LookupError):
            bad.append((row[0],))
    database.execute_each(f"DELETE FROM {table} WHERE {key} = ?", bad)  # noqa: S608
    return {table: len(bad)}


def _gone(database: Database, wheres: Iterable[tuple[str, str]]) -> Count:
    """Take out what leads nowhere by now."""
    lost: Count = {}
    for table, where in wheres:
        ((count,),) = database.rows(f"SELECT count(*) FROM {table} WHERE {where}")  # noqa: S608
        database.execute(f"DELETE FROM {table} WHERE {where}")  # noqa: S608
        lost[table] = lost.get(table, 0) + int(count)
    return lost


def _added(*counts: Count) -> Count:
    total: Count = {}
    for count in counts:
        for table, lost in count.items():
            total[table] = total.get(table, 0) + lost
    return total


def _journal(database: Database) -> Count:
    """A run whose start is lost is left out whole: nothing tells what its samples are of."""
    reader = JournalReader(database)
    bad = _unreadable(
        database, "entries", "number", lambda row: reader.entry_of(*row),
        "number, kind, run_id, at_ms, body",
    )  # fmt: skip
    chunks = _unreadable(database, "chunks", "run_id", lambda row: unpack(*row), "body")
    kept = _unreadable(database, "kept", "name", lambda row: reader.kept_of(*row),
                       "name, at_ms, value")  # fmt: skip
    ((runs, ends),) = database.rows("SELECT (SELECT count(*) FROM runs), count(*) FROM ends")
    for table in ("ends", "runs"):  # both follow from the entries
        database.execute(f"DELETE FROM {table}")  # noqa: S608
    for number, run_id, at_ms, body in database.rows(
        "SELECT number, run_id, at_ms, body FROM entries WHERE kind = 'start' ORDER BY number"
    ):
        start = json.loads(body)
        database.execute(
            "INSERT OR IGNORE INTO runs (run_id, number, started_ms, step, plate, operator) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (run_id, number, at_ms, start["step"], start.get("plate"), start.get("operator")),
        )
    headless = "run_id IS NOT NULL AND run_id NOT IN (SELECT run_id FROM runs)"
    lost = _gone(database, (
        ("entries", headless), ("chunks", headless),
        ("blocks", "number NOT IN (SELECT number FROM entries)"),
        ("removed", "number NOT IN (SELECT number FROM entries)"),
    ))  # fmt: skip
    database.execute(
        "INSERT OR IGNORE INTO ends (run_id, number, state) SELECT run_id, number, "
        "json_extract(body, '$.state') FROM entries WHERE kind = 'end' ORDER BY number"
    )
    database.execute("DELETE FROM facts")
    for fill in facts.FILL:
        database.execute(fill)
    ((runs_now, ends_now),) = database.rows(
        "SELECT (SELECT count(*) FROM runs), count(*) FROM ends"
    )
    return _added(bad, chunks, kept, lost, {"runs": runs - runs_now, "ends": ends - ends_now})


def _people(database: Database) -> Count:
    """Everybody signs in anew; whoever's hash is lost needs a new secret of a lead."""
    log = PeopleLog(database)
    bad = _unreadable(database, "entries", "number", lambda row: log.entries.after(row[0] - 1, 1),
                      "number")  # fmt: skip
    lost = _gone(database, (
        ("entries", "key <> '' AND key NOT IN (SELECT key FROM entries WHERE act = 'added')"),
        ("hashes", "key NOT IN (SELECT key FROM entries)"),
        ("sign_ins", "1"),
    ))  # fmt: skip
    database.execute("DELETE FROM unnamed")
    database.execute("INSERT INTO unnamed VALUES (0, NULL)")
    lost |= {"sign_ins": 0}
    while True:
        try:
            People.of(database).log.people()
            return _added(bad, lost)
        except StoreError as error:
            number = str(error).partition(": entry ")[2].partition(" ")[0]
            if not number.isdecimal():
                raise
            lost = _added(lost, _gone(database, (("entries", f"number = {number}"),)))


def _recipes(database: Database) -> Count:
    log, store = Log(database), RecipeStore(database)
    bad = _unreadable(database, "entries", "number", lambda row: log.entries.after(row[0] - 1, 1),
                      "number")  # fmt: skip
    lost = _gone(database, (
        ("revisions", "number NOT IN (SELECT number FROM entries)"),
        ("things", "number NOT IN (SELECT number FROM entries)"),
        ("moves", "number NOT IN (SELECT number FROM entries)"),
    ))  # fmt: skip
    content = _unreadable(
        database, "revisions", "number", lambda row: store.content_of(*row), "recipe, hash, content"
    )
    return _added(bad, lost, content, _gone(database, (
        ("moves", "(recipe, revision) NOT IN (SELECT recipe, revision FROM revisions)"),
    )))  # fmt: skip


def _calibrations(database: Database) -> Count:
    log = CalibrationStore(database).entries
    return _whole(database, log, "calibrations", ("sensor", "revision"), made_of)


def _experiments(database: Database) -> Count:
    log = ExperimentStore(database).entries
    return _whole(database, log, "experiments", ("kind", "nth"), experiment_of)


def _whole(
    database: Database, log: EntryLog[_Entry], table: str, names: tuple[str, str],
    make: Callable[[tuple[_Entry, ...]], object],
) -> Count:  # fmt: skip
    """Of a store whose things are made of their entries, each named by two columns of ``table``:
    one of which any entry is lost is left out whole, what is left would be another."""
    bad = _unreadable(database, "entries", "number", lambda row: log.after(row[0] - 1, 1), "number")
    both, each = ", ".join(names), " AND ".join(f"{name} = ?" for name in names)
    lost = _gone(database, (
        (table, "number NOT IN (SELECT number FROM entries WHERE act = 'begun')"),
        ("entries", f"({both}) NOT IN (SELECT {both} FROM {table})"),  # noqa: S608 -- our names
    ))  # fmt: skip
    broken = []
    for one in database.rows(f"SELECT {both} FROM {table}"):  # noqa: S608 -- as above
        found = log.where(each, one)
        try:
            make(found)
        except WRONG:
            broken.append(one)
            lost = _added(lost, {"entries": len(found), table: 1})
    for where in ("entries", table):
        database.execute_each(f"DELETE FROM {where} WHERE {each}", broken)  # noqa: S608 -- as above
    return _added(bad, lost)


def _alerts(database: Database) -> Count:
    store = AlertsStore(database, None)
    return _unreadable(database, "occurrences", "key", store.occurrence_of, "key, body")


def _recorder(_: Database) -> Count:
    return {}


_KINDS: tuple[tuple[Kind, frozenset[str], Callable[[Database], Count]], ...] = (
    (JOURNAL, frozenset({"entries", "runs", "ends"}), _journal),
    (PEOPLE, frozenset({"entries", "hashes"}), _people),
    (RECIPES, frozenset({"entries", "revisions"}), _recipes),
    (CALIBRATIONS, frozenset({"entries", "calibrations"}), _calibrations),
    (EXPERIMENTS, frozenset({"entries", "experiments"}), _experiments),
    (ALERTS, frozenset({"occurrences", "items"}), _alerts),
    (RECORDER, frozenset({"source", "series", "row"}), _recorder),
)
"""Kinds by tables that each has."""
