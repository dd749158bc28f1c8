"""Commands on plates: a whole one, what is asked before light, what cannot be."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from cli_unit import CommandUnit, command_unit
from click.shell_completion import ShellComplete

from platelink.cli import main
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CALIBRATION_OVERDUE, JOURNAL_CANNOT_WRITE
from platelink.recipe import example

RECIPE = "plate-a-fine"
NO_LOT = ("--accept", "no lot")
BEFORE_LIGHT = "UV light comes on for 340.0 mJ/cm², once the vacuum holds between 56.0 and 89.0 kPa"


@pytest.fixture
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CommandUnit]:
    """A unit with an approved recipe."""
    with command_unit(tmp_path, monkeypatch) as unit:
        Path("a.toml").write_text(example.text(RECIPE))
        unit.said("recipe", "add", "a.toml")
        unit.said("recipe", "approve", f"{RECIPE}@1", "--why", "tested")
        yield unit


@pytest.fixture
def plate(unit: CommandUnit) -> CommandUnit:
    """The same with plate P-1 at its film exposure."""
    unit.said("plate", "make", RECIPE, "--plate", "P-1", *NO_LOT)
    unit.said("plate", "done")
    return unit


def now(unit: CommandUnit) -> Any:
    return unit.told("plate", "show")["now"]["now"]


VALUES = ("--point", "large area=31 um", "--point", "fine line=0.95 mil", "--check", "dots=yes")


def lead_through(unit: CommandUnit) -> None:
    """What a patient person types until the inspection."""
    while "inspect" not in (step := now(unit)):
        if (water := step.get("water")) and water["water_c"] is None:
            assert "band 21.0 to 27.0" in unit.said("plate", "begin", "--yes", "P-1", code=2)
            text = unit.said("plate", "measure", "--water", "75.2 degF")
            assert "water 24.0 °C (entered by" in text and "waits for" not in text
        ready = [act for act in ("begin", "done") if act in step["acts"]]
        stage = step.get("stage") or {"planned_s": None}
        if ready == ["begin"]:
            unit.said("plate", "begin", "--yes", "--step", step["name"])
        elif ready and (stage["planned_s"] is None or stage["due"]):
            unit.said("plate", "done", "P-1", "--step", step["name"])
        else:
            unit.daemon.pass_time(20.0)


def test_a_whole_plate_from_the_command_line(unit: CommandUnit) -> None:
    came = ("--stock", "example-stock-a", "--area", "1 m2", "--received", "2026-05-01")
    unit.said("lot", "add", "L-17", *came)
    made = ("--lot", "L-17", "--area", "600 cm2", "--job", "J-1", "--note", "a try")
    out = unit.said("plate", "make", RECIPE, "--plate", "P-1", *made)
    assert "plate P-1 of plate-a-fine@1 has been started" in out
    assert "notice  screen example-screen-fine is not recorded" in out
    assert "CAUTION  Work under yellow light only." in out
    assert "acts now: done" in out
    assert unit.told("lot", "show", "L-17")["area_left_cm2"] == 9400.0
    lead_through(unit)
    assert "measure  large area: 28 to 33 µm" in unit.said("plate", "show", "P-1")
    unit.daemon.tell(Condition(CALIBRATION_OVERDUE, True, 2.0))
    unit.said("alarm", "acknowledge", "--all")
    end = unit.told("plate", "measure", *VALUES, "--check", "fine lines=no", "--note", "by the rim")
    assert (end["state"], end["judgement"], end["defects"]) == ("complete", "reject", ["line-lost"])

    listed = unit.said("plate", "list").splitlines()
    assert "complete" in listed[1] and "reject line-lost" in listed[1]
    story = unit.said("plate", "show", "P-1")
    assert story == unit.said("show", "P-1", "--journal", "journal.sqlite")
    for part in (
        "verdict  reject line-lost", "lot      L-17", "job      J-1", "area     600 cm²",
        "\nSTEPS\n", "\nEXPOSURES\n", "\nBAKES\n", "\nSTAGES\n", "\nINSPECTION\n",
        "\nDEVIATIONS\n  screen example-screen-fine is not recorded", "\nPEOPLE\n", "\nEVENTS\n",
        "fine lines  NO      Are the finest lines open and whole?", "note    by the rim",
        "28 to 33 µm", "14:00 of 14:00", "soak: 40 of 25 s, late",
        "\nALARMS MEANWHILE\n", "calibration overdue  unacknowledged", "measured, acknowledged",
    ):  # fmt: skip
        assert part in story, story
    runs = unit.told("runs")["runs"]
    kinds = [(r["kind"], r["step"]) for r in reversed(runs)]
    assert kinds == [
        ("plate", "plate"), ("expose", "film"), ("expose", "screen"), ("bake", "dry"),
        ("expose", "hardening"),
    ]  # fmt: skip
    assert "14.0 min in band, air mean 5" in unit.said("runs", "--step", "dry")
    assert len(unit.told("show", "P-1")["parts"]) == 4
    bake = unit.said("show", runs[1]["run_id"])
    assert "\nBAKE\n  in band" in bake and "oven air, °C" in bake and "DOSE" not in bake
    assert unit.said("plate", "list", "--state", "in flight").startswith("none found")


@pytest.mark.parametrize(
    ("typed", "incomplete", "offered"),
    [
        (["plate", "hold"], "P", ["P-1"]),
        (["plate", "show"], "", ["P-1"]),
        (["plate", "hold"], "x", []),
        (["plate", "make"], "pl", [RECIPE]),
        (["plate", "make", RECIPE, "--lot"], "A", ["A-17"]),
        (["recipe", "approve"], "", [f"{RECIPE}@1"]),
        (["recipe", "diff", f"{RECIPE}@1"], "p", [f"{RECIPE}@1"]),
        (["alarm", "acknowledge"], "", []),
        (["lot", "use"], "", ["A-17"]),
        (["lot", "add"], "", []),
        (["screen", "use"], "", []),
        (["show"], "la", ["last"]),
        (["--config", "none.toml", "show"], "", []),
    ],
)
def test_names_are_completed(
    plate: CommandUnit, typed: list[str], incomplete: str, offered: list[str]
) -> None:
    plate.said("lot", "add", "A-17", "--stock", "PX-1", "--area", "1 m2")
    plate.daemon.tell(Condition(JOURNAL_CANNOT_WRITE, True))  # its name has spaces
    shell = ShellComplete(main, {}, "platelink", "_PLATELINK_COMPLETE")
    assert [item.value for item in shell.get_completions(typed, incomplete)] == offered


def test_light_is_asked_for(plate: CommandUnit, monkeypatch: pytest.MonkeyPatch) -> None:
    refused = plate.said("plate", "begin", code=2)
    assert BEFORE_LIGHT in refused and "CAUTION  UV injures eyes" in refused
    assert "--yes" in refused
    monkeypatch.setattr("platelink.cli.acts.terminal", lambda: True)
    assert "not begun" in plate.said("plate", "begin", input="n\n", code=1)
    assert now(plate)["state"] == "ready"
    assert "running" in plate.said("plate", "begin", input="y\n")
    plate.daemon.pass_time(30.0)
    assert "film, exposure: running" in plate.said("plate", "show")
    plate.said("plate", "hold", "--reason", "a look")
    plate.daemon.pass_time(5.0)
    assert now(plate)["state"] == "held"
    again = plate.said("plate", "restart", input="n\n", code=1)
    assert "that are left of 340.0 mJ/cm²" in again
    plate.said("plate", "restart", "--yes")
    assert "begin" not in now(plate)["acts"]


def test_an_overdue_calibration_is_accepted_when_asked(plate: CommandUnit) -> None:
    plate.said("plate", "begin", "--yes")
    assert not plate.daemon.accepted
    plate.daemon.pass_time(20.0)
    plate.said("plate", "hold")
    plate.daemon.pass_time(5.0)
    plate.said("plate", "restart", "--yes", "--accept-overdue")
    assert plate.daemon.accepted


def test_a_plate_is_ended_and_a_step_left_out(plate: CommandUnit) -> None:
    assert "to skip film, give a reason" in plate.said("plate", "skip", code=2)
    assert "step 3 of 8  screen" in plate.said("plate", "skip", "--reason", "a test")
    plate.said("plate", "make", RECIPE, "--plate", "P-2", *NO_LOT)
    ended = plate.said("plate", "stop", "P-1")
    assert ended.startswith("plate P-1 has ended, stopped: no reason was given\n")
    assert plate.told("plate", "abort", "--reason", "fell")["reason"] == "fell"
    states = [line.split()[:2] for line in plate.said("plate", "list").splitlines()[1:]]
    assert sorted(states) == [["P-1", "stopped"], ["P-2", "aborted"]]
    assert "film skipped: a test" in plate.said("show", "P-1")


def test_which_plate_is_meant(plate: CommandUnit) -> None:
    assert plate.said("plate", "show", "P").startswith("plate P-1: ")  # its beginning
    plate.said("plate", "make", RECIPE, "--plate", "P-2", *NO_LOT)
    for act in ("show", "done", "hold"):
        assert "say which plate: P-1, P-2" in plate.said("plate", act, code=2)
    assert "plate P-9 is not in progress; in progress: P-1, P-2" in plate.said(
        "plate", "done", "P-9", code=2
    )
    assert "no run in" in plate.said("plate", "show", "X-1", code=2)
    assert "P-1 is already in progress" in plate.said(
        "plate", "make", RECIPE, "--plate", "P-1", *NO_LOT, code=2
    )
    assert "there is no recipe" in plate.said("plate", "make", "plate-x", code=2)


def test_what_stands_against_the_lot_is_read_before_the_plate_and_on_record_after_it(
    unit: CommandUnit, monkeypatch: pytest.MonkeyPatch
) -> None:
    came = ("--area", "400 cm2", "--received", "2026-05-01")
    unit.said("lot", "add", "L-9", "--stock", "example-stock-b", *came)
    make = ("plate", "make", RECIPE, "--plate", "P-1", "--lot", "L-9", "--area", "600 cm2")
    told = unit.said(*make, code=2)
    foreign = "lot L-9 is example-stock-b, the recipe is for example-stock-a; take another lot"
    short = "lot L-9 has 400 cm² left, 600 cm² are needed; count it, or take another"
    assert foreign in told and short in told
    assert '--accept "wrong stock" --accept "not enough area"' in told
    assert unit.said("plate", "list").startswith("none yet")
    # one of them accepted, the other is still asked
    assert short in unit.said(*make, "--accept", "wrong stock", code=2)
    monkeypatch.setattr("platelink.cli.plate.terminal", lambda: True)
    assert "not made" in unit.said(*make, code=1, input="n\n")
    unit.said(*make, input="y\n")
    deviations = unit.told("plate", "show", "P-1")["now"]["deviations_told"]
    assert deviations[:2] == [foreign, short]


def test_without_a_plate_it_is_said_how_to_begin(unit: CommandUnit) -> None:
    assert "platelink plate make RECIPE" in unit.said("plate", "done", code=2)
    assert "platelink plate list" in unit.said("plate", "show", code=2)
    assert "start one: platelink plate make" in unit.said("plate", "list")


def test_an_act_is_for_the_step_that_was_seen(plate: CommandUnit) -> None:
    assert "the plate is at film now" in plate.said("plate", "done", "--step", "identify", code=2)
    assert "it has: identify, film" in plate.said("plate", "done", "--step", "fim", code=2)
    assert "possible: begin" in plate.said("plate", "done", code=2)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], '--point "large area=31 um" --point "fine line=31 um" --check "dots=yes"'),
        (["--point", "large area 31 um"], 'write it as --point "name=31 um"'),
        (["--point", "large area=31"], "the unit is missing"),
        (["--point", "x=1 um", "--point", "x=2 um"], "x is given twice"),
        (["--check", "dots=maybe"], "answer yes or no, not 'maybe'"),
        ([*VALUES], "fine lines is missing"),
        ([*VALUES, "--check", "fine lines=yes", "--point", "rim=1 um"], "rim is not asked for"),
    ],
)
def test_values_that_cannot_be(unit: CommandUnit, arguments: list[str], words: str) -> None:
    at_inspection(unit)
    assert words in unit.said("plate", "measure", *arguments, code=2)
    assert "measure" in now(unit)["acts"]


def at_inspection(unit: CommandUnit) -> None:
    unit.said("plate", "make", RECIPE, "--plate", "P-1", *NO_LOT)
    while now(unit)["kind"] != "inspect":
        unit.said("plate", "skip", "--reason", "a test")


def test_values_are_asked_for(unit: CommandUnit, monkeypatch: pytest.MonkeyPatch) -> None:
    at_inspection(unit)
    monkeypatch.setattr("platelink.cli.acts.terminal", lambda: True)
    typed = "31 parsecs\n31\n0.95 mil\ny\nyes\n\n"
    out = unit.said("plate", "measure", input=typed)
    assert "large area, The middle of the largest image.: depth in µm, 28 to 33 µm" in out
    assert "unit 'parsecs' is not known here" in out
    assert "plate P-1 has ended, complete: good" in out
    points = unit.told("show", "P-1")["events"][-3]["data"]["points_um"]
    assert points == {"large area": 31.0, "fine line": pytest.approx(24.13)}
