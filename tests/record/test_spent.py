"""What plates took, and how they ended, of a journal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from platelink.cli import main
from platelink.events.steps import PlateCorrected, StageEnded
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.spent import spent_plates
from record.make import T0, event, journal_at, later, start


def plate(journal: Journal, name: str, t: float, *, lights: list[Any], **end: Any) -> None:
    request = {"kind": "plate", "area_cm2": 600.0}
    journal.append(start(journal, name, later(t), step="plate", plate=name, request=request))
    for n, light_s in enumerate(lights):
        run = f"{name}-{n}"
        journal.append(start(journal, run, later(t + 1), plate=name))
        journal.end_run(run, later(t + 30), "complete", "done", light_s=light_s)
    stage = StageEnded("soak", 60.0, 75.0, 0.0, 0.0, "late", "Otto", None, None, None)
    told = event(journal, name, name=stage.name, data=stage.data(), at=later(t + 40))
    journal.append(told)
    journal.append(told.model_copy(update={"id": journal.next_id()}))
    journal.end_run(name, later(t + 60), **{"state": "complete", "reason": "done"} | end)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        plate(journal, "P-1", 0, lights=[30.0, 20.0], data={"judgement": "good"})
        plate(journal, "P-2", 100, lights=[30.0, None], data={"judgement": "good"})
        plate(journal, "P-3", 200, lights=[], state="aborted", reason="torn")
        journal.append(start(journal, "free", later(300)))
        journal.end_run("free", later(330), "complete", "done", light_s=12.0)
        journal.append(start(journal, "P-4", later(400), step="plate", plate="P-4"))
        wrong = PlateCorrected("P-2", "verdict", "good", "reject", "Ada", "dots are gone")
        journal.append(event(journal, None, name=wrong.name, data=wrong.data(), at=later(500)))
    return path


def test_plates_that_ended_are_told_as_they_were_corrected(path: Path) -> None:
    with JournalReader.open(path) as reader:
        plates, outside_s = spent_plates(reader, T0, later(1000))
        assert [(p.plate, p.verdict, p.complete, p.light_s, p.hand_s) for p in plates] == [
            ("P-1", "good", True, 50.0, 150.0), ("P-2", "reject", True, None, 150.0),
            ("P-3", "", False, 0, 150.0),
        ]  # fmt: skip
        assert outside_s == 12.0
        early, _ = spent_plates(reader, T0, later(100))
        assert [p.plate for p in early] == ["P-1"]


def test_the_command_says_what_is_not_known(path: Path) -> None:
    said = CliRunner().invoke(
        main, ["cost", "--journal", str(path), "--since", "2026-03-01", "--until", "2026-03-03"]
    )
    assert said.exit_code == 0, said.output
    assert "3 plates ended; 1 good, 2 scrap, 0 judged by nobody" in said.output
    assert "scrap 66.7 % of those decided (20.8 to 93.9 %, 95 %)" in said.output
    assert "what a good plate cost is not known: nothing of it has a price" in said.output
    assert "not known  light of 1 of 3 plates is not on record" in said.output
