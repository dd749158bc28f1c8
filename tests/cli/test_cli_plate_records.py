"""Filters, whole plates checked and exported, notes, corrections, trends: the commands' words."""

import json
from pathlib import Path

from cli_runs import run
from record.make import later, start
from record.test_search import put, shop_journal

from platelink.events.steps import PlateCorrected, PlateNoted
from platelink.record.journal import Journal


def corrected(path: Path) -> Path:
    shop_journal(path)
    with Journal.open(path, unit="unit-1", new_uuid="x", ballast_bytes=4096) as journal:
        put(journal, None, PlateCorrected("P-1", "lot", "L-0", "L-9", "Ada", "wrong label"), 5000)
        put(journal, None, PlateCorrected("P-1", "depth large area", 42.5, 24.5, "Ada", "x"), 5001)
        put(journal, None, PlateNoted("P-1", "scratch at the edge", "Otto"), 5002)
    return path


def test_runs_has_the_filters(tmp_path: Path) -> None:
    path = corrected(tmp_path / "journal.sqlite")

    def ids(*options: str) -> list[str]:
        found = run("runs", "--journal", path, "--json", *options)
        assert found.exit_code == 0, found.output
        return [one["run_id"] for one in json.loads(found.output)["runs"]]

    assert ids("--lot", "L-9") == ["run-1", "P-1"]
    assert ids("--recipe", "plate-a@2", "--step", "plate") == ["P-3"]
    assert ids("--alarm", "high") == ["run-2", "P-2"]
    assert ids("--verdict", "reject", "--person", "Ärna") == ["run-3", "P-3"]
    assert ids("--screen", "screen-9", "--since", "2026-03-03") == []
    assert "contact lost" in run("runs", "--journal", path, "--alarm", "high").output


def test_show_has_what_was_recorded_beside_what_is_right(tmp_path: Path) -> None:
    path = corrected(tmp_path / "journal.sqlite")
    told = run("show", "P-1", "--journal", path).output
    for words in (
        "L-9, corrected by Ada; recorded: L-0", "24.5 µm (recorded: 42.5)", "22 to 27 µm",
        "Ada: lot is L-9, not L-0; wrong label", "Otto: scratch at the edge",
    ):  # fmt: skip
        assert words in told, told
    story = json.loads(run("show", "P-1", "--journal", path, "--json").output)
    assert story["run"]["lot"] == "L-9" and story["start"]["request"]["lot"] == "L-0"


def test_a_plate_is_checked_with_its_exposures(tmp_path: Path) -> None:
    path = corrected(tmp_path / "journal.sqlite")
    found = run("check", "P-1", "--journal", path, "--json")
    told = json.loads(found.output)
    assert [one["run_id"] for one in told["runs"]] == ["P-1", "run-1"]
    # an exposure that claims a dose without any sample is not confirmed, so its plate is not
    assert (found.exit_code, told["ok"], told["failed"]) == (1, False, 1)


def test_a_plate_is_exported_with_its_exposures(tmp_path: Path) -> None:
    path, folder = corrected(tmp_path / "journal.sqlite"), tmp_path / "out"
    found = run("export", "P-1", "--journal", path, "-o", folder)
    assert found.exit_code == 0, found.output
    assert sorted(p.name for p in folder.iterdir()) == ["plate.json", "run-1.csv"]
    whole = json.loads((folder / "plate.json").read_text())
    assert [event["name"] for event in whole["after"]] == [
        "plate corrected", "plate corrected", "plate noted",
    ]  # fmt: skip
    text = run("export", "P-1", "--journal", path, "--format", "json").output
    assert [part["start"]["run_id"] for part in json.loads(text)["parts"]] == ["run-1"]
    assert run("export", "P-1", "--journal", path, "-o", "-").exit_code == 2
    assert run("export", "run-1", "--journal", path, "-o", folder).exit_code == 1  # a folder


def test_trends_are_told_by_day(tmp_path: Path) -> None:
    path = corrected(tmp_path / "journal.sqlite")
    told = run("trends", "--journal", path, "--since", "2026-01-01").output
    for words in (
        "PULL-DOWN, time constant, s", "DEPTH, plate-a: large area, µm; limits 22 to 27 µm; 1 "
        "corrected", "CHANGED", "recipe: plate-a@2", "version: software 0.1.0",
    ):  # fmt: skip
        assert words in told, told
    assert "no such runs" in run("trends", "--journal", path, "--lot", "none").output


def test_a_plate_without_an_exposure_is_checked_open_and_over(tmp_path: Path) -> None:
    path = corrected(tmp_path / "journal.sqlite")
    with Journal.open(path, unit="unit-1", new_uuid="x", ballast_bytes=4096) as journal:
        journal.append(
            start(journal, "P-9", later(9000), step="plate", plate="P-9", request={"kind": "plate"})
        )
        told = run("check", "P-9", "--journal", path)
        assert (told.exit_code, told.stderr) == (1, "")
        assert "NOT confirmed" in told.output and "has no end yet" in told.output
        journal.end_run("P-9", later(9001), "aborted", "by request")
    told = run("check", "P-9", "--journal", path)
    assert (told.exit_code, told.stderr) == (0, "")
    assert "in which no light is counted" in told.output and "in band" not in told.output
