"""How much a plate takes of the disk, by the own journal, and when the disk will be full."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from platelink.config.model import Config
from platelink.doctor.findings import FREE_WRONG_BYTES, Finding, fault
from platelink.evidence.beside import log_path
from platelink.evidence.log import SealLog
from platelink.evidence.retention import Chooser, ages_days
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.publish.cursor import CursorFile
from platelink.record.backed_up import last_backup
from platelink.record.errors import JournalError, JournalMissing
from platelink.record.reader import JournalReader

WINDOW_DAYS = 28.0
"""What was made in the last weeks tells what will be."""
LEAST_DAYS = 7.0
"""A rate of less time is none."""
NOTICE_DAYS, WRONG_DAYS = 180.0, 30.0
_HEAD_BYTES, _INDEX_BYTES = 31, 41
"""What an entry takes beside its body: in its own page; in the index of runs and in the facts.
Both, and the next, measured on packed plates by SQLite's own statistics (dbstat)."""
_PAGES_FULL = 0.83


@dataclass(frozen=True, slots=True)
class Growth:
    """What the last weeks took."""

    made: int
    """Plates, and exposures without one."""
    days: float
    """Time that they were made in, by the order of the journal: a clock that was set adds little.
    """
    bytes_each: float
    reusable: int
    """Bytes within the file that the next entries take first."""

    def left_days(self, free: int) -> float | None:
        """Until no run can begin any more; None where there is no rate to tell it by."""
        if self.days < LEAST_DAYS or not self.made:
            return None
        room = max(0, free - FREE_WRONG_BYTES + self.reusable)
        return room / (self.made * self.bytes_each / self.days)


def growth_of(reader: JournalReader) -> Growth | None:
    """None while nothing was made."""
    rows = reader.rows(
        "SELECT r.number, r.started_ms, r.plate IS NULL OR r.plate = r.run_id "
        "OR NOT EXISTS (SELECT 1 FROM runs p WHERE p.run_id = r.plate) FROM runs r ORDER BY number"
    )
    if not rows:
        return None
    ages = ages_days([started for _, started, _ in rows])
    recent = [row for row, age in zip(rows, ages, strict=True) if age <= WINDOW_DAYS]
    first, made = int(recent[0][0]), sum(bool(whole) for _, _, whole in recent)
    page = _pragma(reader, "page_size")
    ((entries, told),) = reader.rows(
        "SELECT count(*), total(length(CAST(body AS BLOB))) FROM entries WHERE number >= ?", first
    )
    taken = (entries * _HEAD_BYTES + told) / _PAGES_FULL + entries * _INDEX_BYTES
    ((blocks,),) = reader.rows("SELECT total(length(body)) FROM blocks WHERE number >= ?", first)
    ((chunks,),) = reader.rows(
        # a long one loses half a page at its end
        "SELECT total(length(body) + min(? / 2, length(body) / 4)) FROM chunks "
        "JOIN runs USING (run_id) WHERE runs.number >= ?", page, first,
    )  # fmt: skip
    taken += blocks / _PAGES_FULL + chunks
    beside = sum(_size(path) for path in (log_path(reader.path),
                 reader.path.with_suffix(".facts.sqlite")))  # fmt: skip
    taken += beside * entries / reader.last_number()
    span = float(ages[len(rows) - len(recent)])
    return Growth(made, span, taken / max(made, 1), page * _pragma(reader, "freelist_count"))


def _pragma(reader: JournalReader, name: str) -> int:
    return int(reader.rows(f"PRAGMA {name}")[0][0])


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def growth(
    path: Path, *, free_at: Callable[[Path], int] = lambda place: shutil.disk_usage(place).free
) -> Finding:
    """What a plate takes, and how long the disk lasts at the rate of the last weeks."""
    try:
        with JournalReader.open(path) as reader:
            found = growth_of(reader)
        free = free_at(path.absolute().parent)
    except JournalMissing:
        found, free = None, 0
    except JournalError as error:
        return fault("growth", error)
    except OSError as error:
        return Finding("growth", "unknown", f"{path.parent}: {error.strerror}")
    if found is None or not found.made:
        return Finding("growth", "ok", "nothing was made yet")
    each = (
        f"{found.bytes_each / 1e3:.0f} kB a plate or exposure, {found.made} in the last "
        f"{found.days:.0f} days"
    )
    left = found.left_days(free)
    if left is None:
        return Finding("growth", "ok", f"{each}: too short a time for a forecast")
    # More than a century is no forecast.
    lasts = f"{left:.0f} days" if left < 36_500 else "more than 100 years"
    enough = left >= NOTICE_DAYS
    return Finding(
        "growth", "ok" if enough else "notice" if left >= WRONG_DAYS else "wrong",
        f"{each}: {found.made * found.bytes_each / found.days / 1e6:.2f} MB a day; the disk lasts "
        f"{lasts} at this rate",
        f"{NOTICE_DAYS:.0f} days",
        "" if enough else "free disk space, move the journal to a larger disk, or let old samples "
        "go: [journal] keep_samples_days, docs/evidence.md",
    )  # fmt: skip


def kept_samples(config: Config) -> Iterator[Finding]:
    """What the rule for old samples waits for; nothing where there is none."""
    days, path = config.journal.keep_samples_days, config.journal.path
    if days is None or not path.exists() or not log_path(path).exists():
        return
    chooser = Chooser(days)
    sent = CursorFile(path.with_suffix(".cursor")).load().number
    try:
        with (
            JournalReader.open(path) as reader,
            SealLog.open(log_path(path), read_only=True) as log,
        ):
            chooser.next(
                reader, log, last_backup(path), sent=None if config.broker is None else sent
            )
    except (JournalError, StoreError, EvidenceError, LookupError) as error:
        yield fault("samples", error)
        return
    if chooser.fault:
        measured, _, advice = chooser.fault.partition("; ")
        yield Finding("samples", "notice", measured, f"kept for {days} days", advice)
    else:
        yield Finding("samples", "ok", f"older ones than {days} days are let go")
