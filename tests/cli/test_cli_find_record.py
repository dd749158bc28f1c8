"""Experiments in the record, from the command line: begun, read, corrected, concluded, shown."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from cli_runs import GOOD, MINIMAL, OPEN, make_journal, run

from platelink.cli.typed_reading import LISTED, TEXTS, pairs_of
from platelink.finding.experiments import KINDS
from platelink.finding.readings import READINGS


@pytest.fixture
def config(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A unit without a daemon, with runs on record."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL, "utf-8")
    make_journal(tmp_path / "journal.sqlite")
    return path


def said(*arguments: str, code: int = 0, **more: Any) -> str:
    done = run("find", *arguments, **more)
    assert done.exit_code == code, done.output
    return done.stdout + done.stderr


def test_from_begin_to_the_result(config: Path) -> None:
    assert "none yet; start with: platelink find begin wedge" in said("list")
    begun = said("begin", "wedge", "hold_step=5")
    assert "UV light injures" in begun and "platelink find read wedge-1" in begun
    assert said("read", "wedge-1", "dose_mj_cm2=312 mJ/cm2", "held=4", "washed=5") == (
        "wedge-1: 1 reading\n"
    )
    # the run gives the dose that the record has, and its beginning is enough
    said("read", "wedge-1", f"run={GOOD[:12]}", "held=4", "washed=6")
    # reading by reading; one that the service refuses is asked for once more, none is lost
    typed = "\ny\n20260303\n4\n6\n371 mJ/cm2\n\n5\n6\n\nn\n"
    asked = said("read", "wedge-1", input=typed)
    assert "2 readings so far" in asked and "has no whole dose" in asked and "once more" in asked
    assert "recorded: 3 readings" in asked and "platelink find conclude wedge-1" in asked
    said("run", "wedge-1", OPEN)
    told = said("conclude", "wedge-1")
    assert "mJ/cm² holds" in told and "over the wedge, step 5" in told
    shown = said("show", "wedge-1")
    assert "experiment wedge-1: concluded" in shown and f"run        {OPEN}" in shown
    assert f"2: run {GOOD}, held 4, washed 6, dose of the run 340.0 mJ/cm²" in shown
    assert "of readings 1, 2, 3, fit wedge 1, platelink" in shown
    row = said("list").splitlines()[1]
    assert row.startswith("wedge-1") and "concluded" in row and "holds" in row


def test_what_is_corrected_stays_on_record_and_is_concluded_again(config: Path) -> None:
    said("begin", "wedge")
    said("read", "wedge-1", "dose_mj_cm2=312", "held=4", "washed=5")
    said("read", "wedge-1", "dose_mj_cm2=340", "held=3", "washed=5")
    said("conclude", "wedge-1")
    said("correct", "wedge-1", "2", "held=4", "--why", "misread")
    after = json.loads(said("show", "wedge-1", "--json"))
    assert after["stage"] == "reading"
    assert after["reading"][1]["typed"] == {"dose_mj_cm2": 340, "held": 4, "washed": 5}
    assert after["history"][2]["body"]["typed"]["held"] == 3
    assert "entered since: conclude it again" in said("show", "wedge-1")
    said("leave", "wedge-1", "1", "--why", "the film slipped")
    assert "1: dose_mj_cm2 312, held 4, washed 5; left out: the film slipped" in said(
        "show", "wedge-1"
    )
    said("change", "wedge-1", "hold_step=4", "--why", "asked for")
    again = json.loads(said("conclude", "wedge-1", "--json"))
    assert again["conclusion"]["readings"] == [2] and again["stage"] == "concluded"
    said("discard", "wedge-1", "--why", "another stock")
    assert json.loads(said("list", "--json"))["experiments"][0]["stage"] == "dropped"
    assert "is discarded" in said("conclude", "wedge-1", code=2)


def test_cannot_tell_is_said_with_what_to_try_and_by_the_exit_code(config: Path) -> None:
    assert "target_um: is missing" in said("begin", "depth", code=2)
    said("begin", "depth", "target_um=27")
    told = said("conclude", "depth-1", code=1)
    assert told.startswith("cannot tell: 0 patches make no curve")
    assert "next: expose a strip of eight patches" in told
    said("read", "depth-1", "dose_mj_cm2=230", "plate=1", "lot=K-9", "points_um=27 28,27.5")
    patches = json.loads(said("show", "depth-1", "--json"))["reading"]
    assert patches[0]["typed"]["points_um"] == [27, 28, 27.5]
    assert "there is no experiment 'depth-2'" in said("read", "depth-2", "held=4", code=2)
    refused = said("read", "depth-1", "dose_mj_cm2=230", "plate=1", "lot=K-9",
                   "points_um=27000", code=2)  # fmt: skip
    assert "points_um[0] = 27000: must be at most 1000" in refused


def test_runs_are_named_and_taken_off_with_a_reason(config: Path) -> None:
    said("begin", "bed")
    said("run", "bed-1", GOOD[:12])
    assert json.loads(said("show", "bed-1", "--json"))["runs"] == [GOOD]
    assert "say why" in said("run", "bed-1", GOOD, "--off", code=2)
    said("run", "bed-1", GOOD, "--off", "--why", "another bed")
    assert json.loads(said("show", "bed-1", "--json"))["runs"] == []


def test_keys_that_are_texts_or_lists_are_those_of_the_models() -> None:
    fields = [
        item for kind in KINDS for model in (KINDS[kind], READINGS[kind])
        for item in model.model_fields.items() if item[0] not in ("format", "kind", "reading")
    ]  # fmt: skip
    assert {name for name, one in fields if "tuple" in str(one.annotation)} == LISTED
    assert {name for name, one in fields if "str" in str(one.annotation)} == TEXTS


def test_values_are_typed_once_each() -> None:
    assert pairs_of(["held=5", "lot=9", "points_um=1, 2.5", "run="]) == {
        "held": 5, "lot": "9", "points_um": [1, 2.5], "run": None,
    }  # fmt: skip


@pytest.mark.parametrize("typed", [("held",), ("=5",), ("held=5", "held=6")])
def test_values_that_are_none_are_refused(typed: tuple[str, ...], config: Path) -> None:
    said("begin", "wedge")
    assert "KEY=VALUE" in said("read", "wedge-1", *typed, code=2).replace("NAME=", "KEY=")
