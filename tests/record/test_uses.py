"""What maintenance is counted by: runs of the record, and what it tells of lamps."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.stored import Use
from platelink.record.uses import EVER, resets, uses_since
from record.make import event, journal_at, later, start


def exposure(journal: Journal, run_id: str, t: float, **end: Any) -> None:
    journal.append(start(journal, run_id, later(t)))
    journal.end_run(run_id, later(t + 30), "complete", "done", **end)


def plate(journal: Journal, name: str, t: float, wash: str, area_cm2: float | None) -> None:
    request = {"kind": "plate", "area_cm2": area_cm2}
    journal.append(start(journal, name, later(t), step="plate", plate=name, request=request))
    steps = [{"name": "film", "kind": "expose", "state": "complete"},
             {"name": "wash", "kind": "wash", "state": wash}]  # fmt: skip
    journal.end_run(name, later(t + 60), "complete", "done", data={"steps": steps})


def bake(journal: Journal, run_id: str, t: float) -> None:
    journal.append(start(journal, run_id, later(t), step="dry", request={"kind": "bake"}))
    journal.end_run(run_id, later(t + 90), "complete", "done")


def test_runs_are_counted_by_what_they_used(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        exposure(journal, "r1", 0, light_s=25.0)
        exposure(journal, "r2", 100, light_s=0.0)  # refused before light
        exposure(journal, "r3", 200)  # cut short: how long it gave light is not on record
        plate(journal, "P-1", 300, "complete", 600.0)
        plate(journal, "P-2", 400, "waiting", 600.0)
        plate(journal, "P-3", 500, "aborted", None)
        bake(journal, "b1", 600)
        journal.append(start(journal, "open", later(700)))
    with JournalReader.open(path) as reader:
        assert uses_since(reader, EVER) == [
            Use(later(30), exposure=True, light_s=25.0),
            Use(later(130), exposure=False, light_s=0.0),
            Use(later(230), exposure=True, light_s=None),
            Use(later(360), plate=True, washed_cm2=600.0),
            Use(later(460), plate=True, washed_cm2=0.0),
            Use(later(560), plate=True, washed_cm2=None),
        ]
        assert [use.at_utc for use in uses_since(reader, later(460))] == [later(460), later(560)]


def test_lamps_and_sensor_start_over_with_what_the_record_tells(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    told = [("lamps changed", {"burn_h": 0.0}), ("lamps cleaned", {"part": "sensor"}),
            ("lamps cleaned", {"part": "lamps"}), ("lamps cleaned", {"part": "both"})]  # fmt: skip
    with journal_at(path) as journal:
        for t, (name, more) in enumerate(told):
            data = {"who": "Otto", "why": "", **more}
            journal.append(event(journal, None, name=name, data=data, at=later(t)))
    with JournalReader.open(path) as reader:
        assert resets(reader, "lamp change") == [later(0)]
        assert resets(reader, "sensor cleaning") == [later(1), later(3)]
        assert resets(reader, "lamp cleaning") == [later(2), later(3)]
        assert resets(reader, "done") == []
