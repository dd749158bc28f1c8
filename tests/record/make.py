"""Invented runs for the tests of the record."""

from __future__ import annotations

import sqlite3
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from platelink.record.journal import Journal
from platelink.runs import Channel, RunChannels, RunEvent, RunStart, SampleBlock

UNIT = "unit-1"
UUID = "6b5fd8a0-0000-4000-8000-000000000001"
T0 = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)


def journal_at(path: Path, **options: Any) -> Journal:
    options = {"ballast_bytes": 64 << 10} | options
    return Journal.open(path, unit=UNIT, new_uuid=UUID, **options)


def drop_packing(db: sqlite3.Connection) -> None:
    """Make the file one in which each entry has its own samples, as before."""
    ((sql,),) = db.execute("SELECT sql FROM sqlite_master WHERE name = 'entries_no_update'")
    db.execute("DROP TRIGGER entries_no_update")
    db.execute("UPDATE entries SET body = (SELECT blocks.body FROM blocks WHERE blocks.number = "
               "entries.number) WHERE kind = 'samples'")  # fmt: skip
    db.execute(sql)
    for table in ("removed", "blocks", "chunks"):
        db.execute(f"DROP TABLE {table}")


def drop_facts(db: sqlite3.Connection) -> None:
    """Make the file one that no release with facts has written to; its version is left alone."""
    drop_packing(db)
    triggers = "SELECT name FROM sqlite_master WHERE name LIKE 'facts%' AND type = 'trigger'"
    for (name,) in db.execute(triggers).fetchall():
        db.execute(f"DROP TRIGGER {name}")
    db.execute("DROP TABLE facts")


def common(journal: Any, at: datetime = T0) -> dict[str, Any]:
    """``journal``: a Journal or a JournalWriter."""
    return {"id": journal.next_id(), "unit": UNIT, "at_utc": at}


def start(journal: Any, run_id: str = "r1", at: datetime = T0, **fields: Any) -> RunStart:
    return RunStart(**common(journal, at), run_id=run_id, **{"step": "film"} | fields)


def channels(journal: Any, run_id: str = "r1") -> RunChannels:
    described = (
        Channel(name="irradiance_mw_cm2", unit="mW/cm²", sensor="head-1"),
        Channel(name="vacuum_kpa", unit="kPa"),
    )
    return RunChannels(**common(journal), run_id=run_id, channels=described)


def event(journal: Any, run_id: str | None = "r1", **fields: Any) -> RunEvent:
    at = fields.pop("at", T0)
    return RunEvent(**common(journal, at), run_id=run_id, **{"name": "noted"} | fields)


def block(n: int = 20, *, first: int = 0, period_ticks: int = 50) -> SampleBlock:
    """n samples of a steady lamp, the first with index ``first``."""
    index = np.arange(first, first + n)
    irradiance = 12.0 + 0.01 * np.sin(index)
    return SampleBlock(
        ticks=(1000 + index * period_ticks).astype(np.int64),
        at_utc_ms=(int(T0.timestamp() * 1000) + index * period_ticks).astype(np.int64),
        raw={
            "light_sum_0": (index * 30_000 + index % 7).astype(np.uint64),
            "light_count_0": (index * period_ticks).astype(np.uint64),
        },
        values={
            "irradiance_mw_cm2": irradiance,
            "vacuum_kpa": np.where(index % 5 == 4, np.nan, 80.0 + 0.1 * np.cos(index)),
        },
    )


def later(seconds: float) -> datetime:
    return T0 + timedelta(seconds=seconds)


def same(a: SampleBlock, b: SampleBlock) -> bool:
    """Equal to the bit, NaN payloads and order of columns included."""
    if list(a.raw) != list(b.raw) or list(a.values) != list(b.values):
        return False
    pairs = [(a.ticks, b.ticks), (a.at_utc_ms, b.at_utc_ms)]
    pairs += [(a.raw[k], b.raw[k]) for k in a.raw] + [(a.values[k], b.values[k]) for k in a.values]
    return all(x.dtype == y.dtype and x.tobytes() == y.tobytes() for x, y in pairs)
