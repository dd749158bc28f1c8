"""The journal: what happened, in order, once and for good.

An append-only SQLite log with one writer. Every entry is committed when ``append`` returns, so a
killed process loses none of them; the disk itself is waited for only in ``checkpoint``, from
another thread, so a power cut loses at most what came since its last call.

``docs`` states the loss bound as: kill -9 loses at most the samples not yet appended (the
caller appends at least once a second), never an event, never a finished run; a power cut loses at
most the entries since the last ``checkpoint`` (called once a second).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Self

from pydantic import JsonValue

from platelink.record.beside import BALLAST_BYTES, Ballast, WriterLock
from platelink.record.codec import Columns, check_block, columns_of, encode
from platelink.record.database import Checkpoint, Database
from platelink.record.errors import (
    JournalError,
    JournalFull,
    JournalReadOnly,
    JournalRefused,
    NotAJournal,
)
from platelink.record.kept import to_text
from platelink.record.reader import JournalReader, OpenRun, OutboxRow, RunRecord, to_ms
from platelink.runs import EndState, RunChannels, RunEnd, RunEvent, RunStart, SampleBlock

__all__ = ["Checkpoint", "Journal", "JournalError", "OpenRun", "OutboxRow", "RunRecord"]

WAL_LIMIT_BYTES = 64 << 20
"""A log longer than this is moved into the file even while a run goes on: half an hour of a busy
run, so most runs never wait for it."""
_COLUMNS_OUT = {"id", "run_id", "unit", "at_utc", "kind"}
"""Fields that have columns of their own."""
_INSERT = "INSERT INTO entries (number, kind, run_id, at_ms, body) VALUES (?, ?, ?, ?, ?)"
_KEEP = (
    "INSERT INTO kept (name, at_ms, value) VALUES (?, ?, ?) ON CONFLICT (name) "
    "DO UPDATE SET at_ms = excluded.at_ms, value = excluded.value"
)

Appendable = RunStart | RunChannels | RunEvent | RunEnd


@dataclass(slots=True)
class _Open:
    """What the writer knows of a run without an end."""

    samples: int = 0
    events: int = 0
    last_ticks: int | None = None
    columns: Columns | None = None
    described: bool = False


class Journal(JournalReader):
    """See the file's first lines. All calls but ``checkpoint`` come from one thread."""

    def __init__(
        self,
        database: Database,
        *,
        ballast: Ballast,
        lock: WriterLock | None = None,
        syncer: Database | None = None,
    ) -> None:
        super().__init__(database)
        self._lock = lock
        self._syncer = syncer
        self._ballast = ballast
        self._next = self.last_number() + 1
        self._open: dict[str, _Open] = {}
        self._together = False
        if not database.read_only:
            self._open = {run.start.run_id: _known(run) for run in self.open_runs()}

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        unit: str | None = None,
        new_uuid: str | None = None,
        read_only: bool = False,
        ballast_bytes: int = BALLAST_BYTES,
    ) -> Self:
        """Open the journal of a unit.

        To write, give ``unit`` and the ``new_uuid`` to identify the journal by if it does not exist
        yet. A reader may give ``unit`` to be sure of it. JournalUnusable says why it cannot be."""
        path = Path(path)
        ballast = Ballast(path, ballast_bytes)
        if read_only:
            database = Database(path, read_only=True)
            try:
                journal = cls(database, ballast=ballast)
            except BaseException:
                database.close()
                raise
        else:
            if not unit or not new_uuid:
                raise ValueError("a journal is opened for writing with its unit and a new_uuid")
            journal = cls._open_to_write(path, unit, new_uuid, ballast)
        if unit not in (None, journal.unit):
            journal.close()
            raise NotAJournal(
                f"{path} is the journal of unit {journal.unit!r}, not of {unit!r}; "
                "configure another path for this unit"
            )
        return journal

    @classmethod
    def _open_to_write(cls, path: Path, unit: str, new_uuid: str, ballast: Ballast) -> Self:
        lock = WriterLock(path)
        opened: list[Database] = []
        try:
            opened.append(database := Database(path, read_only=False))
            if not database.rows("SELECT 1 FROM journal"):
                database.execute("INSERT INTO journal VALUES (1, ?, ?)", (new_uuid, unit))
            opened.append(syncer := Database(path, read_only=False, any_thread=True))
            with database.translated():
                ballast.ensure()
            return cls(database, ballast=ballast, lock=lock, syncer=syncer)
        except BaseException:
            for database in opened:
                database.close()
            lock.release()
            raise

    def close(self) -> None:
        """Close the file and let another writer in. No ``checkpoint`` may be running."""
        if self._syncer is not None:
            self._syncer.close()
        super().close()
        if self._lock is not None:
            self._lock.release()

    # --- appending -------------------------------------------------------------------------

    def next_id(self) -> str:
        """The id the next entry must carry."""
        return self.id_of(self._next)

    def append(self, entry: Appendable) -> None:
        """Commit one entry.

        JournalRefused: it contradicts what is recorded. JournalUnavailable: nothing was written,
        ``next_id`` is unchanged and the same entry can be appended later."""
        self._check(entry)
        row = (
            self._next,
            entry.kind,
            entry.run_id,
            to_ms(entry.at_utc),
            entry.model_dump_json(exclude=_COLUMNS_OUT),
        )
        match entry:
            case RunStart():
                self._begin(entry, row)
            case RunEnd():
                self._write(lambda: self._insert_end(entry, row))
                del self._open[entry.run_id]
            case _:
                self._write(lambda: self._db.execute(_INSERT, row))
        if isinstance(entry, RunChannels):
            self._open[entry.run_id].described = True
        elif isinstance(entry, RunEvent) and entry.run_id is not None:
            self._open[entry.run_id].events += 1
        self._next += 1

    def append_samples(self, run_id: str, block: SampleBlock, at_utc: datetime) -> None:
        """Commit a block of samples; an empty one writes nothing. Errors as ``append``."""
        run = self._find(run_id)
        if not len(block):
            return
        try:
            check_block(block)
        except ValueError as error:
            raise JournalRefused(f"samples of run {run_id}: {error}") from error
        columns = columns_of(block)
        if run.columns is not None and run.columns != columns:
            raise JournalRefused(
                f"samples of run {run_id} have columns {columns}, those before {run.columns}"
            )
        if run.last_ticks is not None and block.ticks[0] <= run.last_ticks:
            raise JournalRefused(
                f"samples of run {run_id} begin at tick {block.ticks[0]}, not after the last "
                f"stored one, {run.last_ticks}; end the run when the device has started anew"
            )
        row = (self._next, "samples", run_id, to_ms(at_utc), encode(block, run.samples))
        self._write(lambda: self._db.execute(_INSERT, row))
        run.samples += len(block)
        run.last_ticks = int(block.ticks[-1])
        run.columns = columns
        self._next += 1

    def end_run(
        self,
        run_id: str,
        at_utc: datetime,
        state: EndState,
        reason: str,
        *,
        dose_mj_cm2: float | None = None,
        device_dose_mj_cm2: float | None = None,
        light_s: float | None = None,
        gaps: int = 0,
        data: Mapping[str, JsonValue] | None = None,
    ) -> RunEnd:
        """Append the end of a run with the counts of what was stored; the end as recorded."""
        run = self._find(run_id)
        end = RunEnd(
            id=self.next_id(),
            run_id=run_id,
            unit=self.unit,
            at_utc=at_utc,
            state=state,
            reason=reason,
            dose_mj_cm2=dose_mj_cm2,
            device_dose_mj_cm2=device_dose_mj_cm2,
            light_s=light_s,
            samples=run.samples,
            events=run.events,
            gaps=gaps,
            data=dict(data or {}),
        )
        self.append(end)
        return end

    def keep(self, values: Mapping[str, JsonValue | None], at_utc: datetime) -> None:
        """Commit state to go on from after a crash, all names at once; None takes a name away.

        Not an entry: it has no number, is overwritten, never published, and no part of the
        evidence. Errors as ``append``."""
        self.keep_texts({name: to_text(name, value) for name, value in values.items()}, at_utc)

    def keep_texts(self, texts: Mapping[str, str | None], at_utc: datetime) -> None:
        """``keep`` for values that ``kept.to_text`` has made text of already."""
        if texts:
            self._write(lambda: self._keep(texts, to_ms(at_utc)))

    def together(self, writes: Sequence[Callable[[], object]]) -> None:
        """Call ``writes``, calls of this journal's own methods, as one commit.

        On any error nothing of them is written and ``next_id`` is as before. They are called a
        second time when only the space set aside lets them in, so they do nothing else."""
        self._write(lambda: self._all_or_nothing(writes))

    def ensure_ballast(self) -> bool:
        """Set aside the space that lets a run on a full disk end; False while there is no room."""
        self._must_write()
        with self._db.translated():
            return self._ballast.ensure()

    def checkpoint(
        self, *, quiet: bool = False, wal_limit_bytes: int = WAL_LIMIT_BYTES
    ) -> Checkpoint:
        """Make everything appended so far durable. Waits for the disk: call it once a second from
        one thread that is not the appending one.

        The write-ahead log is moved into the file in ``quiet`` times (no run is open) or when it is
        longer than its limit, because the writer waits for one page each time it begins anew."""
        if self._syncer is None:
            raise self._reading()
        found = self._syncer.checkpoint(backfill=False)
        if quiet or found.wal_bytes > wal_limit_bytes:
            return self._syncer.checkpoint(backfill=True)
        return found

    # --- what is allowed -------------------------------------------------------------------

    def _check(self, entry: Appendable) -> None:
        if entry.id != self.next_id():
            raise JournalRefused(f"entry id {entry.id}, the next one is {self.next_id()}")
        if entry.unit != self.unit:
            raise JournalRefused(f"entry of unit {entry.unit!r} in the journal of {self.unit!r}")
        match entry:
            case RunStart():
                if self._db.rows("SELECT 1 FROM runs WHERE run_id = ?", (entry.run_id,)):
                    raise JournalRefused(f"run {entry.run_id} has begun already")
            case RunChannels():
                if self._find(entry.run_id).described:
                    raise JournalRefused(
                        f"the channels of run {entry.run_id} are described already"
                    )
            case RunEvent():
                if entry.run_id is not None:
                    self._find(entry.run_id)
            case RunEnd():
                run = self._find(entry.run_id)
                if (entry.samples, entry.events) != (run.samples, run.events):
                    raise JournalRefused(
                        f"the end of run {entry.run_id} counts {entry.samples} samples and "
                        f"{entry.events} events, stored are {run.samples} and {run.events}"
                    )

    def _find(self, run_id: str) -> _Open:
        self._must_write()
        run = self._open.get(run_id)
        if run is None:
            known = self._db.rows("SELECT 1 FROM runs WHERE run_id = ?", (run_id,))
            raise JournalRefused(f"run {run_id} {'has ended' if known else 'never began'}")
        return run

    def _must_write(self) -> None:
        if self._db.read_only:
            raise self._reading()

    def _reading(self) -> JournalReadOnly:
        return JournalReadOnly(f"{self.path} was opened for reading; only the daemon writes to it")

    # --- writing ---------------------------------------------------------------------------

    def _begin(self, start: RunStart, row: tuple[object, ...]) -> None:
        self._must_write()
        if not self.ensure_ballast():
            raise JournalFull(
                f"no run may begin: less than {self._ballast.size / 1e6:.1f} MB free for "
                f"{self.path}; free disk space, nothing recorded so far is lost"
            )
        with self._db.transaction():
            self._db.execute(
                "INSERT INTO runs (run_id, number, started_ms, step, plate, operator) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (start.run_id, row[0], row[3], start.step, start.plate, start.operator),
            )
            self._db.execute(_INSERT, row)
        self._open[start.run_id] = _Open()

    def _insert_end(self, end: RunEnd, row: tuple[object, ...]) -> None:
        with self._db.transaction():
            self._db.execute(_INSERT, row)
            self._db.execute(
                "INSERT INTO ends (run_id, number, state) VALUES (?, ?, ?)",
                (end.run_id, row[0], end.state),
            )

    def _keep(self, texts: Mapping[str, str | None], at_ms: int) -> None:
        with self._db.transaction():
            for name, text in texts.items():
                if text is None:
                    self._db.execute("DELETE FROM kept WHERE name = ?", (name,))
                else:
                    self._db.execute(_KEEP, (name, at_ms, text))

    def _all_or_nothing(self, writes: Sequence[Callable[[], object]]) -> None:
        before = self._next, {run_id: replace(run) for run_id, run in self._open.items()}
        self._together = True
        try:
            with self._db.transaction():
                for write in writes:
                    write()
        except BaseException:
            self._next, self._open = before
            raise
        finally:
            self._together = False

    def _write(self, write: Callable[[], None]) -> None:
        """Write; on a full disk a run that is open may use the space set aside for it."""
        self._must_write()
        try:
            write()
        except JournalFull:
            # Within ``together`` all of it has to be written again, not this alone.
            if self._together or not self._open or not self._ballast.release():
                raise
            write()


def _known(run: OpenRun) -> _Open:
    return _Open(
        samples=run.samples,
        events=run.events,
        last_ticks=int(run.last.ticks[0]) if run.last else None,
        columns=columns_of(run.last) if run.last else None,
        described=run.channels is not None,
    )
