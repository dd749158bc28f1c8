"""A unit's journal with plates, samples and corrections, and its entries as they are published."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from cli.cli_runs import add_run, samples
from record.test_search import put, shop_journal

from platelink.events.steps import PlateCorrected, PlateNoted
from platelink.fleet.intake import Good, Whose
from platelink.publish.holdings import split_id
from platelink.publish.payloads import read_entry
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import AnyEntry

SITE, UNIT = "invented-shop", "unit-1"


def unit_journal(path: Path) -> Path:
    """Plates, an exposure with its samples, one that has not ended, corrections of one plate."""
    shop_journal(path)
    with Journal.open(path, unit=UNIT, new_uuid="x", ballast_bytes=4096) as journal:
        put(journal, None, PlateCorrected("P-1", "lot", "L-0", "L-9", "Ada", "wrong label"), 5000)
        add_run(journal, "20260302-070000-aaaa", samples())
        put(journal, None, PlateCorrected("P-1", "lot", "L-9", "L-7", "Ada", "again"), 5001)
        put(journal, None, PlateNoted("P-1", "scratch at the edge", "Otto"), 5002)
        add_run(journal, "20260302-080000-bbbb", samples(), begun_s=86_400.0, ended=False)
    return path


def published(path: Path) -> list[AnyEntry]:
    """Its entries as the publisher sends them."""
    with JournalReader.open(path) as reader:
        return [row.entry for row in reader.outbox_after(0, 10_000)]


def good(entry: AnyEntry, site: str = SITE) -> Good:
    return Good(Whose(site, entry.unit, split_id(entry.id)[0]), entry)


def contents(path: Path) -> dict[str, Any]:
    """All that two files must have alike: entries as published, what runs are found by, samples."""
    with JournalReader.open(path) as reader:
        runs = reader.rows("SELECT run_id FROM runs ORDER BY run_id")
        return {
            "entries": [row.entry for row in reader.outbox_after(0, 10_000)],
            "bodies": reader.rows("SELECT number, kind, run_id, at_ms, body FROM entries"),
            "facts": reader.rows("SELECT * FROM facts ORDER BY run_id, name, value"),
            "runs": [reader.run(run_id) for (run_id,) in runs],
            "events": [reader.events(run_id) for (run_id,) in runs],
            "samples": [
                {name: column.tobytes() for name, column in reader.samples(run_id).values.items()}
                for (run_id,) in runs
            ],
        }


def begun_anew(entries: list[AnyEntry], journal: str) -> list[AnyEntry]:
    """The same runs, of the same names, in another journal of the unit, a quarter of a year later;
    their jobs are others."""
    later = []
    for entry in entries:
        text = entry.model_copy(update={"id": f"{journal}-{split_id(entry.id)[1]}"})
        said = text.model_dump_json().replace("2026-03-", "2026-06-").replace("Größe", "Later")
        later.append(read_entry(said.encode()))
    return later
