"""Samples removed by retention: what was known of them is kept, and what is gone is said."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from facts.shop import T0, asking, content, journal_at, made_at, names
from platelink.cli import main
from platelink.contract.facts import Asked
from platelink.facts.build import bring_up, facts_beside
from platelink.facts.sensor import Corrected, touched
from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.reader import JournalReader
from platelink.record.removed import remove
from platelink.simulated.invented import Shop

LOW = "vacuum below 85 kPa for 2 s"
PLATE = "P-000003"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return made_at(tmp_path / "journal.sqlite", 6)


def told_of_removal(journal: Journal, plate: str, runs: Sequence[str]) -> int:
    """The entry of it; its number."""
    Shop(journal, T0).event(
        None, "samples removed", of_run=plate, runs=list(runs), samples=1, days=1,
        manifest_sha256="0", backup_utc="2026-03-02T08:00:00Z",
    )  # fmt: skip
    return journal.reader.last_number()


def take_away(path: Path, plate: str = PLATE) -> list[str]:
    """The samples of all its runs, as retention does: the entry first. Nobody asks in between."""
    with journal_at(path) as journal:
        packer = Packer(journal.beside)
        while packer.step():
            pass
        runs = [
            run_id for (run_id,) in journal.reader.rows(
                "SELECT run_id FROM runs WHERE plate = ? AND run_id <> plate", plate
            )
        ]  # fmt: skip
        number = told_of_removal(journal, plate, runs)
        remove(journal.beside, journal.reader.uuid, number, runs)
    return runs


def facts_of_plate(path: Path, plate: str = PLATE) -> dict[str, Any]:
    with asking(path) as facts:
        found = facts.opened(plate)
        asked = facts.pieces(Asked(where=[LOW], limit=1000))
    mine = [one for one in asked.made if one.name == plate]
    return {
        "steps": found.steps, "facts": found.facts,
        "found": [(one.longest_s, one.at_least) for one in mine], "gone": asked.courses_removed,
    }  # fmt: skip


def run(*words: object) -> str:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    return result.output


def test_what_was_known_is_kept_when_the_file_is_only_followed(path: Path) -> None:
    before = facts_of_plate(path)
    assert before["steps"][0]["curves"] and before["found"] and not before["gone"]
    assert take_away(path)
    after = facts_of_plate(path)
    assert after == before
    # Whatever is said of the plate later on has all of it told again.
    with journal_at(path) as journal:
        Shop(journal, T0).event(
            None, "plate noted", plate=PLATE, of_run=PLATE, who="A. Example", words="lifted edge"
        )
    noted = facts_of_plate(path)
    assert noted["steps"] == before["steps"] and noted["found"] == before["found"]
    with JournalReader.open(path) as journal:
        assert bring_up(journal, facts_beside(path), whole=True).anew == ""


def test_what_a_rebuild_cannot_know_any_more_is_said(path: Path) -> None:
    before = facts_of_plate(path)
    others = [name for name in names(path, where=[LOW]) if name != PLATE]
    take_away(path)
    assert others and PLATE in names(path, where=[LOW])
    with JournalReader.open(path) as journal:
        bring_up(journal, facts_beside(path), anew=True)
    after = facts_of_plate(path)
    assert after["found"] == [] and after["gone"] == 1
    assert after["facts"]["courses_removed"] == ["film", "screen", "dry", "hardening"]
    for was, now in zip(before["steps"], after["steps"], strict=True):
        assert not now.get("curves") and "vacuum_min" not in now
        assert {k: v for k, v in was.items() if k in now and k != "curves"} == {
            k: v for k, v in now.items() if k != "curves"
        }
    assert names(path, where=[LOW]) == others  # the others are found as before
    said = run("ask", "plates", "--where", LOW, "--journal", path)
    assert "of 1 plate or run nothing is known that --where could find" in said
    assert "--where" not in run("ask", "plates", "--journal", path)
    told = run("ask", "plate", PLATE, "--journal", path)
    assert "courses_removed" in told and "film; screen; dry; hardening" in told
    # Followed again it is said as before, and the file is whole.
    with journal_at(path) as journal:
        Shop(journal, T0).event(
            None, "plate noted", plate=PLATE, of_run=PLATE, who="A. Example", words="lifted edge"
        )
    assert facts_of_plate(path)["gone"] == 1
    kept = content(facts_beside(path))
    with JournalReader.open(path) as journal:
        bring_up(journal, facts_beside(path), anew=True)
    assert content(facts_beside(path)) == kept


def test_what_nobody_asked_about_before_is_not_made_up(path: Path) -> None:
    """The first to ask comes after the removal: nothing was known that could be kept."""
    take_away(path)
    with asking(path) as facts:
        answer = facts.pieces(Asked(where=[LOW], limit=1000))
        assert answer.courses_removed == 1 and not answer.unread
        assert facts.pieces(Asked(limit=1000)).courses_removed == 0


def test_the_index_says_what_is_gone(path: Path) -> None:
    run("index", "--journal", path)
    take_away(path)
    assert "removed" not in run("index", "--journal", path)
    said = run("index", "--anew", "--journal", path)
    assert "of 1 plate or run nothing is known that --where could find" in said
    told = json.loads(run("index", "--json", "--journal", path))
    assert told["courses_removed"] == 1


def test_no_dose_is_stated_again_of_samples_that_are_gone(path: Path) -> None:
    run_ids = take_away(path)
    with asking(path) as facts:
        answer = touched(
            facts, "light 0", datetime(2026, 1, 1, tzinfo=UTC), None,
            corrected=Corrected(factor=1.02), limit=1000,
        )  # fmt: skip
    gone = [one for one in answer.doses if one.run_id in run_ids]
    assert len(gone) == 3 and len(answer.doses) > 3
    for one in gone:
        assert one.again_mj_cm2 is None and one.corrected_mj_cm2 is None
        assert one.why.startswith("samples removed on 2026-") and one.recorded_mj_cm2
        assert "seal" not in one.why  # nobody has looked
    assert all(one.why == "" for one in answer.doses if one.run_id not in run_ids)
