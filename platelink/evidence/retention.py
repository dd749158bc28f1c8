"""Which record's samples may be removed next: the rule, and everything that speaks against it.

Age is told by the journal's own order, not by a clock: time between two runs counts for a few days
at most, and time before a later one not at all. A clock that is a year ahead adds those few days.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from platelink.events.event import EventName, read
from platelink.events.security import SamplesRemoved
from platelink.evidence.log import Leaf, SealLog
from platelink.evidence.seal import manifest_of, sum_of
from platelink.evidence.sources import JournalRecords
from platelink.record.backed_up import BackedUp
from platelink.record.reader import JournalReader

FLOOR_DAYS = 90
"""No rule removes younger samples."""
NEWEST_KEPT = 200
"""Runs that keep theirs however old: what is learned from recent runs is learned from these."""
CREDIT_DAYS = 4.0
"""A weekend with a holiday: the longest time without a run that counts as time."""
_DAY_MS = 86_400_000.0


def ages_days(begun_ms: Sequence[int]) -> npt.NDArray[np.float64]:
    """How old each run is by the runs that were begun after it; times in the journal's order, which
    a clock that was set makes no order of times."""
    times = np.asarray(begun_ms, np.float64)
    latest = np.maximum.accumulate(times)
    passed = np.diff(latest, prepend=latest[:1])
    credit = np.cumsum(np.minimum(passed, CREDIT_DAYS * _DAY_MS)) / _DAY_MS
    return credit[-1:] - credit


@dataclass(frozen=True, slots=True)
class Untold:
    """A removal that an entry tells of, and that is not done yet."""

    number: int
    told: SamplesRemoved


def unfinished(reader: JournalReader, after: int) -> list[Untold]:
    """Removals told after this entry of which samples are still there."""
    rows = reader.rows(
        "SELECT number, body FROM entries WHERE number > ? AND +run_id IS NULL "
        "AND +kind = 'event' AND json_extract(body, '$.name') = ? ORDER BY number",
        after, EventName.SAMPLES_REMOVED,
    )  # fmt: skip
    found = []
    for number, _ in rows:
        for row in reader.outbox_after(number - 1, 1):
            event = row.entry
            assert event.kind == "event"
            told = read(SamplesRemoved, event.name, event.data)
            if told is not None and any(_packed(reader, run_id) for run_id in told.runs):
                found.append(Untold(number, told))
    return found


def may_go(reader: JournalReader, log: SealLog, one: Untold) -> bool | None:
    """Whether the samples may be taken away now: their removal is sealed, and the record is what
    was sealed. None: not yet."""
    if not log.has(reader.uuid, "note", f"entry {one.number}"):
        return None
    records = JournalRecords(reader)
    leaf = _leaf(records, log, one.told.of_run)
    return (
        leaf is not None
        and leaf.seal.manifest_sha256 == one.told.manifest_sha256
        and _intact(records, leaf)
    )


class Chooser:
    """Looks for the next record whose samples are to be removed, oldest first."""

    def __init__(self, days: int) -> None:
        self._days = max(days, FLOOR_DAYS)
        self.fault = ""
        """Why samples that are old enough are not removed; empty where none are."""

    def next(
        self, reader: JournalReader, log: SealLog, backup: BackedUp | None, *, sent: int | None
    ) -> SamplesRemoved | None:
        """What is to be told before it is done; None where there is nothing. ``sent`` is up to
        where entries are published, None where nobody publishes."""
        self.fault = ""
        records = JournalRecords(reader)
        for run_id, aged in self._old(reader):
            leaf = _leaf(records, log, records.of_run(run_id)[1])
            if leaf is None:
                self.fault = f"samples of {run_id} are kept: it is not sealed"
                continue
            if leaf.last > aged:
                return None  # the record's last run is younger than the rule
            if backup is None or backup.journal != reader.uuid or backup.number < leaf.last:
                self.fault = (
                    f"samples of {leaf.seal.name} and later ones are kept: no backup has them; "
                    "platelink backup"
                )
                return None
            if sent is not None and sent < leaf.last:
                self.fault = f"samples of {leaf.seal.name} are kept: they are not published yet"
                return None
            runs = [one for one in _runs_of(leaf, records) if _packed(reader, one)]
            if not _intact(records, leaf):
                self.fault = f"samples of {leaf.seal.name} are kept: it is not what was sealed"
                continue
            return SamplesRemoved(
                of_run=leaf.seal.name, runs=tuple(runs),
                samples=sum(len(reader.samples(one)) for one in runs), days=self._days,
                manifest_sha256=leaf.seal.manifest_sha256, backup_utc=backup.made_utc,
            )  # fmt: skip
        return None

    def _old(self, reader: JournalReader) -> Iterator[tuple[str, int]]:
        """Packed runs that are old enough, oldest first; each with the number up to which all
        entries are."""
        rows = reader.rows("SELECT number, started_ms FROM runs ORDER BY number")
        if len(rows) <= NEWEST_KEPT:
            return
        ages = ages_days([begun for _, begun in rows])
        enough = min(int((ages >= self._days).sum()), len(rows) - NEWEST_KEPT)
        young = rows[enough][0]
        packed = reader.rows(
            "SELECT run_id FROM runs WHERE number < ? AND EXISTS (SELECT 1 FROM chunks "
            "WHERE chunks.run_id = runs.run_id) ORDER BY number", young,
        )  # fmt: skip
        for (run_id,) in packed:
            if _packed(reader, run_id):
                yield str(run_id), young - 1


def _runs_of(leaf: Leaf, records: JournalRecords) -> list[str]:
    return [leaf.seal.name] if leaf.seal.kind == "exposure" else records.runs(leaf.seal.name)


def _packed(reader: JournalReader, run_id: str) -> bool:
    """All its samples are one chunk."""
    sql = (
        "SELECT EXISTS (SELECT 1 FROM chunks WHERE run_id = ?), EXISTS (SELECT 1 FROM blocks "
        "JOIN entries USING (number) WHERE run_id = ?)"
    )
    return reader.rows(sql, run_id, run_id) == [(1, 0)]


def _leaf(records: JournalRecords, log: SealLog, name: str) -> Leaf | None:
    """Its seal in this journal."""
    leaf = log.find(("plate", "exposure"), name)
    return leaf if leaf is not None and leaf.source == records.uuid else None


def _intact(records: JournalRecords, leaf: Leaf) -> bool:
    """The record is, byte for byte, what was sealed."""
    now = records.record(leaf.seal.kind, leaf.seal.name)
    return (
        not now.gone and manifest_of(now.files) == leaf.manifest
        and sum_of(leaf.manifest) == leaf.seal.manifest_sha256
    )  # fmt: skip
