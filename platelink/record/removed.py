"""Samples that were removed on purpose: what the journal tells of it, and the removal itself."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Protocol

from platelink.events.event import read
from platelink.events.security import SamplesRemoved
from platelink.ledger.by import from_ms
from platelink.ledger.database import Database, Row
from platelink.record.chunk import span_of
from platelink.record.errors import JournalRefused
from platelink.record.rows import intact
from platelink.record.stored import Removed


class Of(Protocol):
    """The journal."""

    @property
    def path(self) -> Path: ...

    has_removed: bool

    def rows(self, sql: str, *values: object) -> list[Row]: ...


def removed_of(journal: Of, run_id: str) -> Removed | None:
    """What the journal tells of the removal of a run's samples; None where nothing was removed."""
    if not journal.has_removed:
        return None
    rows = journal.rows(
        "SELECT number, at_ms, body FROM removed JOIN entries USING (number) "
        "WHERE removed.run_id = ?",
        run_id,
    )
    for number, at_ms, body in rows:
        with intact(journal.path, f"entry {number}"):
            stored = json.loads(body)
            told = read(SamplesRemoved, stored["name"], stored["data"])
            if told is not None and run_id in told.runs:
                return Removed(number, from_ms(at_ms), told.days, told.manifest_sha256)
    return None


def told_samples(journal: Of, run_id: str) -> int:
    """How many samples the entries of a packed run say that it has."""
    sql = "SELECT body FROM entries WHERE run_id = ? AND kind = 'samples'"
    with intact(journal.path, f"the samples of run {run_id!s:.40}"):
        return sum(span_of(body)[1] for (body,) in journal.rows(sql, run_id))


def remove(
    beside: Callable[[], AbstractContextManager[Database]], uuid: str, number: int,
    runs: Iterable[str],
) -> None:  # fmt: skip
    """Take away the samples of these runs of journal ``uuid``, as the entry of this number tells:
    all of them or, after a crash, none, and it is done again. ``JournalRefused`` where no such
    entry is there."""
    with beside() as database, database.transaction():
        if database.rows("SELECT uuid FROM journal") != [(uuid,)]:
            raise JournalRefused("another journal has taken its place")
        for run_id in runs:
            if database.rows("SELECT 1 FROM chunks WHERE run_id = ?", (run_id,)):
                database.execute("INSERT INTO removed VALUES (?, ?)", (run_id, number))
                database.execute("DELETE FROM chunks WHERE run_id = ?", (run_id,))
