"""The journal: what happened, in order, once and for good.

An append-only SQLite log with one writer. Every entry is committed when ``append`` returns, so a
killed process loses none of them; the disk itself is waited for only in ``checkpoint``, from
another thread, so a power cut loses at most what came since its last call.
What may be lost: ``docs/record.md``.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Self

from pydantic import JsonValue

from platelink.codec import encode
from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.ledger.database import Checkpoint, Database
from platelink.ledger.lock import WriterLock
from platelink.record import slots
from platelink.record.anew import Anew, Pair, opened, opened_for, remove, set_aside
from platelink.record.ballast import BALLAST_BYTES, Ballast
from platelink.record.chunk import stub_of
from platelink.record.errors import JournalDamaged, JournalFull, JournalRefused, NotAJournal
from platelink.record.known import Known, Mark, known
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL
from platelink.record.sentinel import Sentinel
from platelink.record.snapshots import to_text
from platelink.runs import EndState, RunChannels, RunEnd, RunEvent, RunStart, SampleBlock

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


class Journal:
    """The writing half; ``reader`` sees what it wrote. All calls but ``checkpoint`` come from one
    thread."""

    def __init__(self, pair: Pair, *, ballast: Ballast, lock: WriterLock) -> None:
        self._db, self._syncer = pair.writes, pair.syncs
        self.reader = JournalReader(self._db)
        self._sentinel = Sentinel(self._db.path)
        self._lock = lock
        self._ballast = ballast
        self._swap = threading.Lock()
        self.damage = ""
        """What is known to be wrong: nothing is to be written until the journal is begun anew."""
        self._anew: Anew | None = None
        self._next = self.reader.last_number() + 1
        self._open = {run.start.run_id: known(run) for run in self.reader.open_runs()}
        kept = self._db.rows("SELECT name, at_ms, value FROM kept")
        self._kept: dict[str, tuple[int, str]] = {name: (at, text) for name, at, text in kept}
        self._people = self.reader.newest_unit_event(EventName.PEOPLE_ENTERED) is not None
        self._together = False

    @classmethod
    def open(
        cls, path: Path | str, *, unit: str, new_uuid: str, ballast_bytes: int = BALLAST_BYTES
    ) -> Self:
        """Open the journal of a unit; ``new_uuid`` is to identify it by if it does not exist yet.
        JournalUnusable says why it cannot be."""
        path = Path(path)
        lock = WriterLock(path, JOURNAL)
        ballast = Ballast(path, ballast_bytes)
        pair: Pair | None = None
        try:
            pair = opened_for(path, unit, new_uuid, ballast)
            with pair.writes.translated():
                ballast.ensure()
            journal = cls(pair, ballast=ballast, lock=lock)
            journal.reader.must_be_of(unit)
            return journal
        except BaseException:
            if pair is not None:
                pair.close()
            lock.release()
            raise

    def close(self) -> None:
        """Close the file and let another writer in. No ``checkpoint`` may be running."""
        self._close_files()
        self._lock.release()

    def _close_files(self) -> None:
        self._syncer.close()
        self._db.close()
        self._sentinel.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- appending -------------------------------------------------------------------------

    def next_id(self) -> str:
        """The id the next entry must carry."""
        return self.reader.id_of(self._next)

    def free_slot(self, kind: str, at_ms: int, beside: Collection[int | None]) -> int | None:
        """``slots.first_free``, for a run that begins now."""
        return slots.first_free(kind, at_ms, self._open.values(), self._kept, beside=beside)

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
            self._open[entry.run_id].channels = entry
        elif isinstance(entry, RunEvent):
            self._people |= entry.name == EventName.PEOPLE_ENTERED
            if entry.run_id is not None:
                self._open[entry.run_id].events += 1
        self._next += 1

    def append_samples(self, run_id: str, block: SampleBlock, at_utc: datetime) -> None:
        """Commit a block of samples; an empty one writes nothing. Errors as ``append``."""
        run = self._find(run_id)
        if not len(block):
            return
        columns = run.fits(run_id, block)
        stub, body = stub_of(run.samples, len(block)), encode(block, run.samples)
        row = (self._next, "samples", run_id, to_ms(at_utc), stub)
        self._write(lambda: self._insert_block(row, body))
        run.samples += len(block)
        run.last_ticks, run.last_ms = int(block.ticks[-1]), int(block.at_utc_ms[-1])
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
            unit=self.reader.unit,
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

    def spend_ballast(self) -> None:
        """Let what waits have the space set aside, whether a run is open or not: there will be no
        later."""
        with suppress(OSError):  # then it stays unwritten, which the writer tells
            self._ballast.release()

    def ensure_ballast(self) -> bool:
        """Set aside the space that lets a run on a full disk end; False while there is no room."""
        with self._db.translated():
            return self._ballast.ensure()

    def checkpoint(
        self, *, quiet: bool = False, wal_limit_bytes: int = WAL_LIMIT_BYTES
    ) -> Checkpoint:
        """Make everything appended so far durable. Waits for the disk: call it once a second from
        one thread that is not the appending one.

        The write-ahead log is moved into the file in ``quiet`` times (no run is open) or when it is
        longer than its limit, because the writer waits for one page each time it begins anew."""
        with self.beside() as database:
            try:
                found = database.checkpoint(backfill=False)
                if quiet or found.wal_bytes > wal_limit_bytes:
                    found = database.checkpoint(backfill=True)
                    self._sentinel.grown()
            except (JournalDamaged, NotAJournal) as error:
                self.damage = str(error)
                raise
            return found

    @contextmanager
    def beside(self) -> Iterator[Database]:
        """The connection of those who work beside the appending thread: one at a time, shortly."""
        with self._swap:
            yield self._syncer

    # --- damage ----------------------------------------------------------------------------

    def must_be_whole(self) -> None:
        """JournalDamaged: the files are not what was written; what was committed last may be in
        none of them."""
        fault = self.damage or self._sentinel.look()
        if fault:
            raise JournalDamaged(fault)

    def mark(self) -> Mark:
        """Where the journal is: to go back to where a commit came to nothing."""
        return self._next, {i: replace(run) for i, run in self._open.items()}, dict(self._kept)

    def begin_anew(self, mark: Mark, why: str, *, new_uuid: str) -> Anew:
        """Set the damaged files aside and go on in a fresh journal at the same place: with the
        starts of open runs and the kept state as they were at ``mark``, and nothing else.
        JournalError: it cannot be now; it can be tried again."""
        entries, runs, kept = mark
        path, unit = self._db.path, self.reader.unit
        self.damage = why
        with self._swap:
            if self._anew is None:
                with self._db.translated():
                    aside = set_aside(path)
                before = self.reader.uuid, entries - 1, tuple(runs), self._people
                self._anew = Anew(aside, why, *before)
            else:  # what the try before this one left
                remove(path)
            self._close_files()
            self._db, self._syncer = opened(path, unit, new_uuid)
            self._sentinel = Sentinel(path)
            self.reader.take(self._db)
        self._next, self._open, self._kept = 1, {}, {}
        try:
            with self._db.transaction():
                for run in runs.values():
                    self.append(run.start.model_copy(update={"id": self.next_id()}))
                    if run.channels is not None:
                        self.append(run.channels.model_copy(update={"id": self.next_id()}))
                for name, (at_ms, text) in kept.items():
                    self._keep({name: text}, at_ms)
        except BaseException:
            self._next, self._open, self._kept = mark
            raise
        done, self._anew, self.damage, self._people = self._anew, None, "", False
        return done

    # --- what is allowed -------------------------------------------------------------------

    def _check(self, entry: Appendable) -> None:
        if entry.id != self.next_id():
            raise JournalRefused(f"entry id {entry.id}, the next one is {self.next_id()}")
        unit = self.reader.unit
        if entry.unit != unit:
            raise JournalRefused(f"entry of unit {entry.unit!r} in the journal of {unit!r}")
        match entry:
            case RunStart():
                if self._db.rows("SELECT 1 FROM runs WHERE run_id = ?", (entry.run_id,)):
                    raise JournalRefused(f"run {entry.run_id} has begun already")
            case RunChannels():
                if self._find(entry.run_id).channels is not None:
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

    def _find(self, run_id: str) -> Known:
        run = self._open.get(run_id)
        if run is None:
            known = self._db.rows("SELECT 1 FROM runs WHERE run_id = ?", (run_id,))
            raise JournalRefused(f"run {run_id} {'has ended' if known else 'never began'}")
        return run

    # --- writing ---------------------------------------------------------------------------

    def _begin(self, start: RunStart, row: tuple[object, ...]) -> None:
        if not self.ensure_ballast():
            raise JournalFull(
                f"no run can begin: less than {self._ballast.size / 1e6:.1f} MB free for "
                f"{self._db.path}; free disk space, nothing recorded is lost"
            )
        with self._db.transaction():
            self._db.execute(
                "INSERT INTO runs (run_id, number, started_ms, step, plate, operator) "
                "VALUES (?, ?, ?, ?, ?, ?)",
                (start.run_id, row[0], row[3], start.step, start.plate, start.operator),
            )
            self._db.execute(_INSERT, row)
        self._open[start.run_id] = Known(start)

    def _insert_end(self, end: RunEnd, row: tuple[object, ...]) -> None:
        with self._db.transaction():
            self._db.execute(_INSERT, row)
            self._db.execute(
                "INSERT INTO ends (run_id, number, state) VALUES (?, ?, ?)",
                (end.run_id, row[0], end.state),
            )
            self._keep(slots.after(self._open[end.run_id], self._kept), to_ms(end.at_utc))

    def _insert_block(self, row: tuple[object, ...], body: bytes) -> None:
        with self._db.transaction():
            self._db.execute(_INSERT, row)
            self._db.execute("INSERT INTO blocks (number, body) VALUES (?, ?)", (row[0], body))

    def _keep(self, texts: Mapping[str, str | None], at_ms: int) -> None:
        with self._db.transaction():
            for name, text in texts.items():
                if text is None:
                    self._db.execute("DELETE FROM kept WHERE name = ?", (name,))
                    self._kept.pop(name, None)
                else:
                    self._db.execute(_KEEP, (name, at_ms, text))
                    self._kept[name] = at_ms, text

    def _all_or_nothing(self, writes: Sequence[Callable[[], object]]) -> None:
        before = self.mark()
        self._together = True
        try:
            with self._db.transaction():
                for write in writes:
                    write()
        except BaseException:
            self._next, self._open, self._kept = before
            raise
        finally:
            self._together = False

    def _write(self, write: Callable[[], None]) -> None:
        """Write; on a full disk a run that is open may use the space set aside for it."""
        try:
            write()
        except JournalFull:
            # Within ``together`` all of it has to be written again, not this alone.
            if self._together or not self._open or not self._ballast.release():
                raise
            write()
