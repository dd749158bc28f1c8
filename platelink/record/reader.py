"""Reading the journal: runs, their events and samples, and the outbox.

Every process and thread that reads has a reader of its own; reading never holds up the writer.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import MappingProxyType
from typing import Literal, NamedTuple, Self

import numpy as np

from platelink.record.codec import StoredBlock, decode, join, row_of
from platelink.record.database import Database, Row
from platelink.record.errors import JournalDamaged, NotAJournal
from platelink.record.kept import Kept
from platelink.runs import (
    AnyEntry,
    EndState,
    RunChannels,
    RunEnd,
    RunEvent,
    RunSamples,
    RunStart,
    SampleBlock,
)

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_MODELS: Mapping[str, type[RunStart | RunChannels | RunEvent | RunEnd]] = MappingProxyType(
    {"start": RunStart, "channels": RunChannels, "event": RunEvent, "end": RunEnd}
)
WITHOUT_LIGHT = ("plate", "bake")
"""Kinds of run in which no light is counted."""
_EVER = (-(1 << 63), (1 << 63) - 1)
_COLUMNS = "number, kind, run_id, at_ms, body"


def to_ms(at_utc: datetime) -> int:
    """Whole milliseconds since 1970 of an aware time."""
    return (at_utc - _EPOCH) // _MS


def from_ms(at_ms: int) -> datetime:
    """The time of whole milliseconds since 1970."""
    return _EPOCH + at_ms * _MS


def kind_of(start: RunStart) -> str:
    """What was asked for: "expose" unless the request names another ``kind``."""
    kind = start.request.get("kind")
    return kind if isinstance(kind, str) else "expose"


class OutboxRow(NamedTuple):
    """An entry and its number, which is a reader's cursor."""

    number: int
    entry: AnyEntry


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run without its events and samples; ``end`` is None while it is open."""

    start: RunStart
    channels: RunChannels | None
    end: RunEnd | None


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run without an end, and what is stored of it."""

    start: RunStart
    channels: RunChannels | None
    samples: int
    events: int
    first: SampleBlock | None
    """The first sample, as a block of one."""
    last: SampleBlock | None
    """The newest sample, as a block of one."""

    @property
    def kind(self) -> str:
        """See ``kind_of``: what is left of a plate or a bake is resumed, not closed as light."""
        return kind_of(self.start)


class JournalReader:
    """The reading half of a journal. Times are aware ``datetime``s, kept to the millisecond."""

    def __init__(self, database: Database) -> None:
        self._db = database
        identity = database.rows("SELECT uuid, unit FROM journal")
        if not identity:
            raise NotAJournal(f"{database.path} was never begun; start the daemon on it")
        self.uuid: str = identity[0][0]
        self.unit: str = identity[0][1]

    @property
    def path(self) -> Path:
        """The journal's file."""
        return self._db.path

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    # --- runs ------------------------------------------------------------------------------

    def run(self, run_id: str) -> RunRecord | None:
        """One run; None when there is no such run."""
        found = {e.kind: e for e in self._entries(run_id, "start", "channels", "end")}
        start, channels, end = found.get("start"), found.get("channels"), found.get("end")
        if not isinstance(start, RunStart):
            return None
        assert channels is None or isinstance(channels, RunChannels)
        assert end is None or isinstance(end, RunEnd)
        return RunRecord(start, channels, end)

    def runs(
        self,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        step: str | None = None,
        state: EndState | Literal["open"] | None = None,
        plate: str | None = None,
        operator: str | None = None,
        limit: int = 100,
    ) -> list[RunRecord]:
        """Newest first: runs begun in ``since <= t < until`` of which every other given field is
        equal."""
        wanted: list[tuple[str, object]] = [
            ("r.started_ms >= ?", None if since is None else to_ms(since)),
            ("r.started_ms < ?", None if until is None else to_ms(until)),
            ("r.step = ?", step),
            ("r.plate = ?", plate),
            ("r.operator = ?", operator),
            ("e.state = ?", None if state == "open" else state),
        ]
        given = [(sql, value) for sql, value in wanted if value is not None]
        where = [sql for sql, _ in given] + (["e.state IS NULL"] if state == "open" else [])
        found = self._db.rows(
            f"SELECT r.run_id FROM runs r {'' if state in _ENDED else 'LEFT '}JOIN ends e "  # noqa: S608 -- only fixed text above is joined
            f"USING (run_id) WHERE {' AND '.join(where) or '1'} "
            "ORDER BY r.started_ms DESC, r.number DESC LIMIT ?",
            [*(value for _, value in given), limit],
        )
        return [run for (run_id,) in found if (run := self.run(run_id))]

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
        return [self._open_run(run_id) for (run_id,) in ids]

    def _open_run(self, run_id: str) -> OpenRun:
        run = self.run(run_id)
        assert run is not None
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
            f"SELECT number, body FROM entries WHERE number = (SELECT "  # noqa: S608 -- fixed words
            f"{'min' if order == 'ASC' else 'max'}(number) FROM entries "
            "WHERE run_id = ? AND kind = 'samples')",
            (run_id,),
        )
        return self._decode(*rows[0]) if rows else None

    def _count_events(self, run_id: str) -> int:
        count: int = self._db.rows(
            "SELECT count(*) FROM entries WHERE run_id = ? AND kind = 'event'", (run_id,)
        )[0][0]
        return count

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
            (
                _EVER[0] if since is None else to_ms(since),
                _EVER[1] if until is None else to_ms(until),
                limit,
            ),
        )
        return [e for e in self._rebuild_all(rows) if isinstance(e, RunEvent)]

    def samples(self, run_id: str) -> SampleBlock:
        """All samples of a run, exact; JournalDamaged when one is missing."""
        rows = self._db.rows(
            "SELECT number, body FROM entries WHERE run_id = ? AND kind = 'samples' "
            "ORDER BY number",
            (run_id,),
        )
        blocks, expected = [], 0
        for number, body in rows:
            stored = self._decode(number, body)
            if stored.first_sample != expected:
                raise JournalDamaged(
                    f"{self.path}: entry {number} begins at sample {stored.first_sample}, "
                    f"expected {expected}; restore a backup"
                )
            expected += len(stored.block)
            blocks.append(stored.block)
        return join(blocks)

    # --- the log ---------------------------------------------------------------------------

    def last_number(self) -> int:
        """Number of the newest entry; 0 in an empty journal."""
        number: int = self._db.rows("SELECT coalesce(max(number), 0) FROM entries")[0][0]
        return number

    def outbox_after(self, number: int, limit: int) -> list[OutboxRow]:
        """The next entries in order, at most ``limit``, after the one with this number."""
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE number > ? ORDER BY number LIMIT ?",  # noqa: S608
            (number, limit),
        )
        return [OutboxRow(row[0], e) for row, e in zip(rows, self._rebuild_all(rows), strict=True)]

    def missing_numbers(self, first: int, last: int) -> int:
        """How many entries are missing between two numbers, both included."""
        count: int = self._db.rows(
            "SELECT count(*) FROM entries WHERE number BETWEEN ? AND ?", (first, last)
        )[0][0]
        return last - first + 1 - count

    def number_of(self, entry_id: str) -> int:
        """Entry number within an id of this journal; ValueError for any other id."""
        uuid, _, number = entry_id.rpartition("-")
        if uuid != self.uuid or not number.isdecimal():
            raise ValueError(f"{entry_id} is not an entry of journal {self.uuid}")
        return int(number)

    def id_of(self, number: int) -> str:
        """The id of an entry number."""
        return f"{self.uuid}-{number}"

    def faults(self) -> list[str]:
        """What a check of the whole file finds, as texts; slow on a large journal."""
        missing = self.missing_numbers(1, self.last_number())
        return self._db.faults() + ([f"{missing} entries are missing"] if missing else [])

    # --- beside the log --------------------------------------------------------------------

    def kept(self) -> dict[str, Kept]:
        """The kept state by name (``Journal.keep``); no part of the record.

        Empty on a file that no release since its invention has written to."""
        if not self._db.rows("SELECT 1 FROM sqlite_master WHERE name = 'kept'"):
            return {}
        rows = self._db.rows("SELECT name, at_ms, value FROM kept ORDER BY name")
        try:
            return {name: Kept(from_ms(at_ms), json.loads(value)) for name, at_ms, value in rows}
        except ValueError as error:
            raise JournalDamaged(
                f"{self.path}: kept state cannot be read ({error}); restore a backup"
            ) from error

    # --- rows to entries -------------------------------------------------------------------

    def _entries(self, run_id: str, *kinds: str) -> list[AnyEntry]:
        marks = ", ".join("?" * len(kinds))
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE run_id = ? AND kind IN ({marks}) "  # noqa: S608
            "ORDER BY number",
            (run_id, *kinds),
        )
        return self._rebuild_all(rows)

    def _rebuild_all(self, rows: Iterable[Row]) -> list[AnyEntry]:
        return [self._rebuild(*row) for row in rows]

    def _rebuild(
        self, number: int, kind: str, run_id: str | None, at_ms: int, body: str | bytes
    ) -> AnyEntry:
        common: dict[str, object] = {
            "id": self.id_of(number),
            "run_id": run_id,
            "unit": self.unit,
            "at_utc": from_ms(at_ms),
        }
        if kind == "samples":
            assert isinstance(body, bytes)
            return _to_entry(self._decode(number, body), common)
        try:
            return _MODELS[kind].model_validate({**json.loads(body), **common})
        except ValueError as error:
            raise self._damaged(number, error) from error

    def _decode(self, number: int, body: bytes) -> StoredBlock:
        try:
            return decode(body)
        except ValueError as error:
            raise self._damaged(number, error) from error

    def _damaged(self, number: int, error: ValueError) -> JournalDamaged:
        return JournalDamaged(
            f"{self.path}: entry {number} cannot be read ({error}); restore a backup"
        )


_ENDED = ("complete", "stopped", "aborted", "interrupted")


def _to_entry(stored: StoredBlock, common: dict[str, object]) -> RunSamples:
    """The block as it is published: physical values only, None for what is not a number."""
    block = stored.block
    return RunSamples.model_validate(
        common
        | {
            "first_sample": stored.first_sample,
            "ticks": tuple(block.ticks.tolist()),
            "at_utc_ms": tuple(block.at_utc_ms.tolist()),
            "values": {name: _finite(column) for name, column in block.values.items()},
        }
    )


def _finite(column: np.typing.NDArray[np.float64]) -> tuple[float | None, ...]:
    good = np.isfinite(column)
    if good.all():
        return tuple(column.tolist())
    return tuple(x if ok else None for x, ok in zip(column.tolist(), good.tolist(), strict=True))
