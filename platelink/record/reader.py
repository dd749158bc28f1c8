"""Reading the journal: runs, their events and samples, and the outbox.

Every process and thread that reads has a reader of its own; reading never holds up the writer.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable
from datetime import datetime
from pathlib import Path
from typing import Any, Literal, Self, Unpack

from platelink.codec import StoredBlock, row_of
from platelink.contract.runs import uncertain_in
from platelink.events.event import EventName, read
from platelink.events.unit import DoseCorrected
from platelink.ledger.by import from_ms, to_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.readable import unreadable
from platelink.record.again import limits_of
from platelink.record.check import LIMIT_PCT, CheckResult, check_removed, check_run
from platelink.record.chunk import unpack
from platelink.record.errors import JournalDamaged, NotAJournal
from platelink.record.removed import removed_of, told_samples
from platelink.record.rows import block_of, intact, rebuild, samples_of
from platelink.record.schema import JOURNAL
from platelink.record.search import Wanted, query
from platelink.record.snapshots import Snapshot
from platelink.record.stored import OpenRun, OutboxRow, RunRecord
from platelink.runs import (
    AnyEntry,
    EndState,
    RunChannels,
    RunEnd,
    RunEvent,
    RunStart,
    SampleBlock,
)

_MOST_PARTS = 1000
_EVER = (-(1 << 63), (1 << 63) - 1)
_COLUMNS = "number, kind, run_id, at_ms, body"


class JournalReader:
    """The reading half of a journal. Times are aware ``datetime``s, kept to the millisecond."""

    @classmethod
    def open(cls, path: Path | str, *, unit: str | None = None) -> Self:
        """Open a journal to read it, of this unit if one is given. JournalUnusable says why it
        cannot be."""
        database = Database(Path(path), JOURNAL, read_only=True)
        try:
            reader = cls(database)
            reader.must_be_of(unit)
            return reader
        except BaseException:
            database.close()
            raise

    def __init__(self, database: Database) -> None:
        self.take(database)

    def take(self, database: Database) -> None:
        """Read this one from now on."""
        self._db = database
        self._chunk: tuple[str, SampleBlock] | None = None
        self._file = database.path.stat()
        identity = database.rows("SELECT uuid, unit FROM journal")
        if not identity:
            raise NotAJournal(
                f"{database.path} does not exist yet; start the daemon: platelink serve"
            )
        self.uuid, self.unit = identity[0]
        self.has_facts = self._has_table("facts")
        # The bytes of an entry's samples while they lie by themselves.
        beside = "(SELECT b.body FROM blocks b WHERE b.number = entries.number)"
        self.has_chunks = self._has_table("chunks")
        self.chunk_sql = beside if self.has_chunks else "NULL"
        self.has_removed = self._has_table("removed")
        if not (isinstance(self.uuid, str) and isinstance(self.unit, str)):
            raise JournalDamaged(unreadable(database.path, "its name", ValueError("no text")))

    def must_be_of(self, unit: str | None) -> None:
        """NotAJournal when it is another unit's."""
        if unit not in (None, self.unit):
            raise NotAJournal(
                f"{self.path} is the journal of unit {self.unit!r}, not of {unit!r}; "
                "set another [journal] path for this unit"
            )

    @property
    def path(self) -> Path:
        """The journal's file."""
        return self._db.path

    def replaced(self) -> bool:
        """True when another file has taken its place since: what comes now is not in this one."""
        try:
            return not os.path.samestat(self.path.stat(), self._file)
        except OSError:
            return False  # on its way

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def rows(self, sql: str, *values: object) -> list[Row]:
        """Rows of a query, for what else in this package reads a journal."""
        return self._db.rows(sql, values)

    def _has_table(self, name: str) -> bool:
        """False in a file that no release since the table's invention has written to."""
        return bool(self._db.rows("SELECT 1 FROM sqlite_master WHERE name = ?", (name,)))

    # --- runs ------------------------------------------------------------------------------

    def run(self, run_id: str) -> RunRecord | None:
        """One run; None when there is no such run."""
        found = {e.kind: e for e in self._entries(run_id, "start", "channels", "end")}
        start, channels, end = found.get("start"), found.get("channels"), found.get("end")
        if not isinstance(start, RunStart):
            return None
        assert channels is None or isinstance(channels, RunChannels)
        assert end is None or isinstance(end, RunEnd)
        corrected = self._corrected(run_id) if end is not None and uncertain_in(end) else None
        known = self._facts(run_id, start.plate)
        after = [entry for n in known.pop("entry", ()) for entry in self._entry(int(n))]
        removed = removed_of(self, run_id) if end is not None else None
        return RunRecord(start, channels, end, corrected, known, tuple(after), removed)

    def _facts(self, run_id: str, plate: str | None) -> dict[str, tuple[str, ...]]:
        """What a list tells of a run beside its start and end; nothing in a file of a release
        without facts."""
        found: dict[str, tuple[str, ...]] = {}
        if self.has_facts:
            sql = (
                "SELECT name, value FROM facts WHERE run_id = ? AND name IN ('lot', 'film', "
                "'recipe', 'screen', 'verdict', 'job', 'alarm', 'entry') "
                "UNION SELECT name, value FROM facts WHERE run_id = ? "
                "AND name IN ('lot', 'film', 'recipe', 'screen') ORDER BY name, value"
            )
            for name, value in self._db.rows(sql, (run_id, plate)):
                found[name] = (*found.get(name, ()), str(value))
        return found

    def _entry(self, number: int) -> list[RunEvent]:
        rows = self._db.rows(f"SELECT {_COLUMNS} FROM entries WHERE number = ?", (number,))  # noqa: S608
        return [entry for entry in self._rebuild_all(rows) if isinstance(entry, RunEvent)]

    def _corrected(self, run_id: str) -> DoseCorrected | None:
        found = self.newest_unit_event(EventName.DOSE_CORRECTED, of_run=run_id)
        return read(DoseCorrected, found.name, found.data) if found is not None else None

    def runs(self, *, limit: int = 100, **wanted: Unpack[Wanted]) -> list[RunRecord]:
        """Newest first: runs that are wanted."""
        return [run for run_id in self.wanted(wanted, limit=limit) if (run := self.run(run_id))]

    def wanted(self, wanted: Wanted, *, limit: int) -> list[str]:
        """Their ids."""
        found = self._db.rows(*query(wanted, has_table=self.has_facts, limit=limit))
        return [run_id for (run_id,) in found]

    def run_ids_ended(self, state: EndState, *, limit: int) -> list[str]:
        """Ids of the runs with this end, the one written last first."""
        found = self._db.rows(
            "SELECT run_id FROM runs JOIN ends USING (run_id) WHERE state = ? "
            "ORDER BY runs.number DESC LIMIT ?",
            (state, limit),
        )
        return [run_id for (run_id,) in found]

    def parts(self, plate: str) -> list[RunRecord]:
        """Exposures and bakes of a plate, oldest first."""
        found = self.runs(plate=plate, limit=_MOST_PARTS)
        return [part for part in reversed(found) if part.start.run_id != plate]

    def run_ids(self, beginning: str, *, limit: int) -> list[str]:
        """Ids that begin with these characters, in order, at most ``limit``."""
        found = self._db.rows(
            "SELECT run_id FROM runs WHERE substr(run_id, 1, ?) = ? ORDER BY run_id LIMIT ?",
            (len(beginning), beginning, limit),
        )
        return [run_id for (run_id,) in found]

    def open_runs(self) -> list[OpenRun]:
        """Runs without an end, oldest first."""
        ids = self._db.rows(
            "SELECT run_id FROM runs LEFT JOIN ends USING (run_id) WHERE state IS NULL "
            "ORDER BY runs.number"
        )
        return [self.left(run_id) for (run_id,) in ids]

    def newest_exposure(self) -> RunRecord | None:
        """The run of light that was begun last, by the order of entries."""
        found = self._db.rows(
            "SELECT r.run_id FROM runs r JOIN entries e USING (number) WHERE "
            "coalesce(json_extract(e.body, '$.request.kind'), 'expose') = 'expose' "
            "ORDER BY number DESC LIMIT 1"
        )
        return self.run(found[0][0]) if found else None

    def left(self, run_id: str) -> OpenRun:
        """What is stored of a run, its end aside."""
        run = self.run(run_id)
        if run is None:
            raise JournalDamaged(
                unreadable(self.path, f"run {run_id!s:.40}", LookupError("its start is not there"))
            )
        first, last = self._block_at_edge(run_id, "ASC"), self._block_at_edge(run_id, "DESC")
        return OpenRun(
            start=run.start,
            channels=run.channels,
            samples=last.first_sample + len(last.block) if last else 0,
            events=self._count_events(run_id),
            first=row_of(first.block, 0) if first else None,
            last=row_of(last.block, -1) if last else None,
        )

    def _block_at_edge(self, run_id: str, order: Literal["ASC", "DESC"]) -> StoredBlock | None:
        rows = self._db.rows(
            f"SELECT number, run_id, body FROM entries WHERE number = (SELECT "  # noqa: S608 -- fixed words
            f"{'min' if order == 'ASC' else 'max'}(number) FROM entries "
            "WHERE run_id = ? AND kind = 'samples')",
            (run_id,),
        )
        return block_of(*rows[0], journal=self) if rows else None

    def _count_events(self, run_id: str) -> int:
        sql = "SELECT count(*) FROM entries WHERE run_id = ? AND kind = 'event'"
        return int(self._db.rows(sql, (run_id,))[0][0])

    # --- events and samples ----------------------------------------------------------------

    def events(self, run_id: str) -> list[RunEvent]:
        """All events of a run, in order."""
        return [e for e in self._entries(run_id, "event") if isinstance(e, RunEvent)]

    def unit_events(
        self, *, since: datetime | None = None, until: datetime | None = None, limit: int = 100
    ) -> list[RunEvent]:
        """Events outside runs, newest first, in ``since <= t < until``."""
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE run_id IS NULL AND kind = 'event' "  # noqa: S608
            "AND at_ms >= ? AND at_ms < ? ORDER BY at_ms DESC, number DESC LIMIT ?",
            (to_ms(since) if since else _EVER[0], to_ms(until) if until else _EVER[1], limit),
        )
        return [e for e in self._rebuild_all(rows) if isinstance(e, RunEvent)]

    def newest_unit_event(self, name: str, *, of_run: str | None = None) -> RunEvent | None:
        """The newest event of this name outside runs, of those that tell of one run if given."""
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE run_id IS NULL AND kind = 'event' "  # noqa: S608
            "AND json_extract(body, '$.name') = ? "
            "AND ? IN (json_extract(body, '$.data.of_run'), '') ORDER BY number DESC LIMIT 1",
            (name, of_run or ""),
        )
        return next((e for e in self._rebuild_all(rows) if isinstance(e, RunEvent)), None)

    def samples(self, run_id: str) -> SampleBlock:
        """All samples of a run, exact; JournalDamaged when one is missing."""
        rows = self._db.rows(
            f"SELECT number, body, {self.chunk_sql} FROM entries WHERE run_id = ? "  # noqa: S608
            "AND kind = 'samples' ORDER BY number",
            (run_id,),
        )
        return samples_of(run_id, rows, journal=self)

    def block(self, number: int) -> bytes | None:
        """The bytes of an entry's samples while they lie by themselves."""
        rows = self._db.rows("SELECT body FROM blocks WHERE number = ?", (number,))
        return rows[0][0] if rows else None

    def chunk(self, run_id: str) -> SampleBlock | None:
        """What a closed run's blocks are parts of, None where it was removed on purpose;
        JournalDamaged where it is gone or damaged. The last one is kept at hand."""
        if self._chunk is None or self._chunk[0] != run_id:
            rows = self._db.rows("SELECT body FROM chunks WHERE run_id = ?", (run_id,))
            if not rows and removed_of(self, run_id) is not None:
                return None
            with intact(self.path, f"the samples of run {run_id!s:.40}"):
                self._chunk = run_id, unpack(rows[0][0])
        return self._chunk[1]

    # --- the log ---------------------------------------------------------------------------

    def last_number(self) -> int:
        """Number of the newest entry; 0 in an empty journal."""
        return int(self._db.rows("SELECT coalesce(max(number), 0) FROM entries")[0][0])

    def last_at_utc(self) -> datetime | None:
        """Time of the newest entry; None in an empty journal."""
        rows = self._db.rows("SELECT at_ms FROM entries ORDER BY number DESC LIMIT 1")
        with intact(self.path, "the newest entry"):
            return from_ms(rows[0][0]) if rows else None

    def outbox_after(self, number: int, limit: int) -> list[OutboxRow]:
        """The next entries in order, at most ``limit``, after the one with this number."""
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE number > ? ORDER BY number LIMIT ?",  # noqa: S608
            (number, limit),
        )
        return [OutboxRow(row[0], e) for row, e in zip(rows, self._rebuild_all(rows), strict=True)]

    def missing_numbers(self, first: int, last: int) -> int:
        """How many entries are missing between two numbers, both included."""
        sql = "SELECT count(*) FROM entries WHERE number BETWEEN ? AND ?"
        return last - first + 1 - int(self._db.rows(sql, (first, last))[0][0])

    def number_of(self, entry_id: str) -> int:
        """Entry number within an id of this journal; ValueError for any other id."""
        uuid, _, number = entry_id.rpartition("-")
        if uuid != self.uuid or not number.isdecimal():
            raise ValueError(f"{entry_id} is not an entry of journal {self.uuid}")
        return int(number)

    def id_of(self, number: int) -> str:
        """The id of an entry number; ValueError for what is none."""
        if number < 1:
            raise ValueError(f"{number} is no number of an entry")
        return f"{self.uuid}-{number}"

    def faults(self) -> list[str]:
        """What a check of the whole file finds, as texts; slow on a large journal."""
        found = [str(row[0]) for row in self._db.rows("PRAGMA integrity_check")]
        found = [] if found == ["ok"] else found
        for row in self._db.rows("PRAGMA foreign_key_check"):
            found.append(f"dangling reference: {row}")
        missing = self.missing_numbers(1, self.last_number())
        return found + ([f"{missing} entries are missing"] if missing else [])

    def check(self, run_id: str, *, limit_pct: float = LIMIT_PCT) -> CheckResult | None:
        """Check one run; None when there is no such run."""
        run = self.run(run_id)
        if run is None:
            return None
        first = self.number_of(run.start.id)
        last = self.number_of(run.end.id) if run.end else self.last_number()
        missing = self.missing_numbers(first, last)
        if run.removed is not None:
            return check_removed(run, told_samples(self, run_id), self.events(run_id), missing)
        return check_run(
            run,
            self.samples(run_id),
            self.events(run_id),
            missing_entries=missing,
            limit_pct=limit_pct,
            contact=limits_of(run.start, self.run(run.start.plate or "")),
        )

    # --- beside the log --------------------------------------------------------------------

    def snapshots(self, told: Callable[[str], None] | None = None) -> dict[str, Snapshot]:
        """The kept state by name (``Journal.keep``); no part of the record. Where ``told`` is
        given it gets the reason why one cannot be read, and that one is left out.

        Empty on a file that no release since its invention has written to."""
        if not self._has_table("kept"):
            return {}
        rows = self._db.rows("SELECT name, at_ms, value FROM kept ORDER BY name")
        found: dict[str, Snapshot] = {}
        for name, at_ms, value in rows:
            try:
                found[name] = self.kept_of(name, at_ms, value)
            except JournalDamaged as error:
                if told is None:
                    raise
                told(str(error))
        return found

    # --- rows to entries -------------------------------------------------------------------

    def _entries(self, run_id: str, *kinds: str) -> list[AnyEntry]:
        marks = ", ".join("?" * len(kinds))
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE run_id = ? AND kind IN ({marks}) "  # noqa: S608
            "ORDER BY number",
            (run_id, *kinds),
        )
        return self._rebuild_all(rows)

    def entry_of(self, *row: Any) -> AnyEntry:
        """The entry of a row as it is stored."""
        return rebuild(*row, journal=self)

    def kept_of(self, name: object, at_ms: Any, value: Any) -> Snapshot:
        """Kept state of a row."""
        with intact(self.path, f"kept state {name!s:.60}"):
            return Snapshot(from_ms(at_ms), json.loads(value))

    def _rebuild_all(self, rows: Iterable[Row]) -> list[AnyEntry]:
        return [self.entry_of(*row) for row in rows]
