"""Journals of invented plates, and what a reader who knows no facts file says of them."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from platelink.contract.facts import Asked
from platelink.facts.ask import Facts
from platelink.facts.both import Both
from platelink.facts.build import facts_beside, facts_of
from platelink.ledger.database import Database
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent, SampleBlock
from platelink.simulated.invented import Shop

UNIT = "unit-1"
UUID = "6b5fd8a0-0000-4000-8000-000000000001"
T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def journal_at(path: Path, uuid: str = UUID) -> Journal:
    return Journal.open(path, unit=UNIT, new_uuid=uuid, ballast_bytes=64 << 10)


def made_at(path: Path, plates: int = 12, seed: int = 1, *, samples: bool = True) -> Path:
    """A journal of so many plates, some lone exposures and new lamps among them."""
    with journal_at(path) as journal:
        shop = Shop(journal, T0, seed)
        shop.plates(plates // 2, samples=samples)
        shop.event(None, "lamps changed", who="A. Example", why="weak", burn_h=900.0)
        shop.calibration = 2
        shop.exposure("lone-1", "film", None, "B. Example", "strip", samples=samples)
        shop.plates(plates - plates // 2, samples=samples)
    return path


@contextmanager
def asking(path: Path, facts: Path | None = None) -> Iterator[Facts]:
    with (
        JournalReader.open(path) as journal,
        facts_of(journal, facts or facts_beside(path)) as db,
    ):
        yield Facts(db, journal)


def names(path: Path, **asked: Any) -> list[str]:
    """What is answered, newest first."""
    with asking(path) as facts:
        answer = Both(facts).pieces(Asked(**{"limit": 1000} | asked))
        assert not answer.more and not answer.behind
        return [piece.name for piece in answer.made]


TABLES = ("made", "steps", "tags", "spans", "stretches", "days", "texts", "cursor", "unread")


def content(path: Path) -> dict[str, list[Any]]:
    """All that a facts file holds."""
    from platelink.facts.schema import FACTS

    db = Database(path, FACTS, read_only=True)
    try:
        return {table: sorted(db.rows(f"SELECT * FROM {table}"), key=repr) for table in TABLES}
    finally:
        db.close()


# --- the oracle: everything anew from the journal, by loops ---------------------------------


class Oracle:
    """Answers by looking at every run and every sample."""

    def __init__(self, path: Path) -> None:
        with JournalReader.open(path) as journal:
            self.runs = list(reversed(journal.runs(limit=100_000)))
            self.events = {r.start.run_id: journal.events(r.start.run_id) for r in self.runs}
            self.unit_events: list[RunEvent] = journal.unit_events(limit=100_000)
            self.samples = {
                r.start.run_id: journal.samples(r.start.run_id) for r in self.runs if r.end
            }
        ids = {r.start.run_id for r in self.runs if r.start.run_kind == "plate"}
        self.whole = [
            r for r in self.runs
            if r.start.run_kind == "plate" or r.start.plate not in ids
        ]  # fmt: skip

    def parts(self, whole: Any) -> list[Any]:
        if whole.start.run_kind != "plate":
            return [whole]
        plate = whole.start.run_id
        return [r for r in self.runs if r.start.plate == plate and r is not whole]

    def names(self, true: Any) -> list[str]:
        """Of which it is true, newest first."""
        found = [w for w in self.whole if true(w)]
        found.sort(key=lambda w: -int(w.start.id.rpartition("-")[2]))
        return [w.start.plate or w.start.run_id for w in found]

    def longest_s(self, whole: Any, column: str, side: str, level: float) -> float:
        return max(
            (brute_longest_s(self.samples[p.start.run_id], column, side, level)
             for p in self.parts(whole) if p.start.run_id in self.samples),
            default=0.0,
        )  # fmt: skip


def brute_longest_s(samples: SampleBlock, column: str, side: str, level: float) -> float:
    """Sample by sample, as docs/ask.md says it."""
    lit = samples.values.get("counting")
    if column not in samples.values or (lit is None) != (column == "oven_c"):
        return 0.0
    at, values = samples.at_utc_ms.tolist(), samples.values[column].tolist()
    lit = None if lit is None else lit.tolist()
    apart = [b - a for a, b in itertools.pairwise(at)]
    usual = float(np.median(apart)) if apart else 0.0
    best = running = 0.0
    for i, value in enumerate(values):
        counts = value == value and (lit is None or lit[i] > 0.0)
        on = counts and (value < level if side == "below" else value > level)
        if i and apart[i - 1] > 3 * usual:
            running = 0.0  # nothing is said of a gap
        held = min(apart[i], 3 * usual) if i < len(apart) else usual
        running = running + held / 1000.0 if on else 0.0
        best = max(best, running)
    return best
