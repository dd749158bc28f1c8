"""Commands on recipes, lots and screens: what they say, write and refuse.

No daemon runs here: the service within the command answers, and nobody is entered yet.
"""

from __future__ import annotations

import json
import os
import pwd
from pathlib import Path
from typing import Any

import pytest
from cli_runs import MINIMAL, run

from platelink.recipe import example
from platelink.recipe.load import load, loads

FINE = example.text("plate-a-fine")


@pytest.fixture
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A directory with a configuration and two versions of a recipe."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.delenv("PLATELINK_TOKEN", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    Path("platelink.toml").write_text(MINIMAL)
    Path("a.toml").write_text(FINE)
    Path("b.toml").write_text(FINE.replace('"340 mJ/cm2"', '"357 mJ/cm2"'))
    return tmp_path


def said(*arguments: object, code: int = 0) -> str:
    result = run(*arguments)
    assert result.exit_code == code, result.output
    return result.stdout if code == 0 else result.stderr


def told(*arguments: object) -> Any:
    return json.loads(said(*arguments, "--json"))


def add(file: str = "a.toml") -> Any:
    return told("recipe", "add", file)


# --- recipes -------------------------------------------------------------------------------


def test_a_recipe_from_example_to_approved(shop: Path) -> None:
    assert "added plate-a-fine@1, a draft" in said("recipe", "add", "a.toml")
    out = said("recipe", "add", "b.toml", "--why", "deeper")
    assert out.splitlines()[1:] == [
        "against plate-a-fine@1 (draft):",
        "  step film: dose 340 mJ/cm² → 357 mJ/cm² (+5 %)",
        "approve it with: platelink recipe approve plate-a-fine@2 --why REASON",
    ]
    why = ("--why", "tested")
    assert said("recipe", "approve", "plate-a-fine@1", *why) == "plate-a-fine@1 is approved\n"
    assert said("recipe", "approve", "plate-a-fine@2", *why) == "plate-a-fine@2 is approved\n"
    listed = told("recipe", "list", "--all")["recipes"]
    assert [(r["revision"], r["state"]) for r in listed] == [(1, "retired"), (2, "approved")]
    me = pwd.getpwuid(os.geteuid()).pw_name
    assert [(s["who"], s["why"]) for s in listed[1]["life"]] == [(me, "deeper"), (me, "tested")]
    assert len(said("recipe", "list").splitlines()) == 2
    assert "no plate can be made from it" in said("recipe", "retire", "plate-a-fine@2", *why)


def test_what_is_shown_can_be_added_again(shop: Path) -> None:
    add()
    shown = said("recipe", "show", "plate-a-fine")
    assert shown.startswith(f"# plate-a-fine@1, SHA-256 {load('a.toml').content_hash()}\n# draft ")
    assert loads(shown) == load("a.toml")
    whole = told("recipe", "show", "plate-a-fine@1")
    assert whole["content"] == load("a.toml").content()
    assert whole["hash"] == load("a.toml").content_hash()


def test_revisions_and_files_are_compared(shop: Path) -> None:
    add()
    assert said("recipe", "diff", "plate-a-fine", "a.toml") == "  no difference\n"
    change = {
        "step": "film",
        "kind": "changed",
        "text": "dose 340 mJ/cm² → 357 mJ/cm² (+5 %)",
    }
    assert told("recipe", "diff", "plate-a-fine@1", "b.toml") == {
        "same": False,
        "changes": [change],
    }
    (shop / "platelink.toml").unlink()
    assert run("recipe", "diff", "a.toml", "b.toml").exit_code == 0  # no store is needed


def test_a_file_is_checked_as_a_whole(shop: Path) -> None:
    good = run("recipe", "check", "a.toml", "--json")
    assert (good.exit_code, json.loads(good.stdout)["hash"]) == (0, load("a.toml").content_hash())
    Path("bad.toml").write_text(FINE.replace("340 mJ/cm2", "340").replace("55 degC", "66 degC"))
    bad = run("recipe", "check", "bad.toml")
    assert bad.exit_code == 1
    assert bad.stdout.count("problem  bad.toml: step[") == 2
    found = json.loads(run("recipe", "check", "bad.toml", "--json").stdout)
    assert (found["ok"], found["recipe"], found["hash"]) == (False, None, None)
    assert [p["key"] for p in found["problems"]] == ["step[1].dose_mj_cm2", "step[5].high_c"]
    assert "the unit is missing" in said("recipe", "add", "bad.toml", code=2)
    assert not Path("recipes.sqlite").exists()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (["add", "a.toml"], 2, "already has exactly this content; nothing was added"),
        (["add", "no-such.toml"], 2, "no-such.toml"),
        (["approve", "plate-a-fine@1"], 2, "Missing option '--why'"),
        (["approve", "plate-a-fine", "--why", "x"], 2, "say which revision"),
        (["retire", "plate-x@1", "--why", "x"], 2, "there are: plate-a-fine"),
        (["show", "plate-x"], 2, "there are: plate-a-fine"),
        (["example", "plate-x"], 2, "there are: circuit-film"),
    ],
)
def test_what_cannot_be_is_refused(shop: Path, arguments: list[str], code: int, words: str) -> None:
    add()
    assert words in said("recipe", *arguments, code=code)


def test_examples_are_listed_and_printed(shop: Path) -> None:
    assert run("recipe", "example", "stencil").stdout == example.text("stencil")
    names = [e["name"] for e in json.loads(run("recipe", "example", "--json").stdout)["examples"]]
    assert names == list(example.names())
    assert "Stock A, fine screen (invented)" in run("recipe", "example").stdout
    one = json.loads(run("recipe", "example", "stencil", "--json").stdout)
    assert one == {"name": "stencil", "toml": example.text("stencil")}


# --- lots and screens ----------------------------------------------------------------------

LOT = ("lot", "add", "L-17", "--stock", "example-stock-a", "--area", "1.2 m2")


def test_a_lot_is_used_up(shop: Path) -> None:
    told(*LOT, "--received", "2026-01-05", "--best-before", "2999-01-01")
    told("lot", "open", "L-17", "--on", "2026-01-06")
    for _ in range(2):  # told twice, counted once
        now = told("lot", "use", "L-17", "600 cm2", "--for", "P-1")
    assert (now["area_left_cm2"], now["uses"], now["findings"]) == (11_400.0, 1, [])
    assert told("lot", "count", "L-17", "1 m2")["area_left_cm2"] == 10_000.0
    listed = said("lot", "list").splitlines()[1].split()
    assert listed[:3] == ["L-17", "example-stock-a", "10000"]
    shown = said("lot", "show", "L-17")
    assert "used (600 cm²) for P-1 by" in shown
    said("lot", "retire", "L-17", "--why", "used up")
    assert "none yet" in said("lot", "list")
    assert told("lot", "list", "--all")["lots"][0]["closed"] == "used up"
    acts = [entry["act"] for entry in told("lot", "show", "L-17")["entries"]]
    assert acts == ["added", "opened", "used", "counted", "closed"]


def test_an_expired_lot_warns_or_blocks_as_configured(shop: Path) -> None:
    old = (*LOT, "--received", "2020-01-05", "--best-before", "2021-01-01")
    assert "blocked  lot L-17 was good until 2021-01-01, today is " in said(*old)
    here = ("--store", "recipes.sqlite")
    Path("platelink.toml").write_text("nonsense")
    assert "blocked  lot" in said("lot", "show", "L-17", *here)
    Path("platelink.toml").write_text(MINIMAL + '[recipes]\nexpired_lot = "warn"\n')
    assert "notice  lot L-17 was good until" in said("lot", "show", "L-17", *here)
    why = ("--why", "tested")
    assert told("lot", "change", "L-17", "--best-before", "none", *why)["findings"] == []


def test_a_screen_wears_out(shop: Path) -> None:
    values = ("--ruling", "120 lines/in", "--tint", "90", "--max-uses", "1")
    made = told("screen", "add", "fine", *values)
    assert made["ruling_lines_per_cm"] == pytest.approx(47.244, abs=5e-4)
    assert "limit 1" in said("screen", "use", "fine", "--for", "P-1")
    assert "screen worn" in said("screen", "list")
    said("screen", "change", "fine", "--max-uses", "9", "--why", "still good")
    assert told("screen", "list")["screens"][0]["findings"] == []
    assert "47.2 lines/cm" in said("screen", "show", "fine")
    said("screen", "retire", "fine", "--why", "scratched")
    assert told("screen", "list")["screens"] == []
    assert [s["closed"] for s in told("screen", "list", "--all")["screens"]] == ["scratched"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["lot", "show", "L-9"], "there is no lot 'L-9'"),
        (["lot", "use", "L-17", "600"], "the unit is missing"),
        (["lot", "open", "L-17", "--on", "soon"], "is not a date such as"),
        (["lot", "change", "L-17", "--why", "x"], "--best-before or --max-days-open or --note"),
        (
            ["screen", "add", "x", "--ruling", "48 l/cm", "--tint", "100"],
            "tint_pct",
        ),
    ],
)
def test_what_cannot_be_of_a_lot_or_screen_is_refused(
    shop: Path, arguments: list[str], words: str
) -> None:
    said(*LOT)
    assert words in said(*arguments, code=2)


# --- the store -----------------------------------------------------------------------------


def test_the_store_is_the_configuration_s_or_the_one_named(shop: Path) -> None:
    add()
    assert (shop / "recipes.sqlite").exists()
    assert told("lot", "list") == {"store": str(shop / "recipes.sqlite"), "lots": []}
    (shop / "platelink.toml").unlink()
    assert "there is no configuration" in said("recipe", "list", code=2)
    assert "there is no configuration" in said("recipe", "add", "b.toml", code=2)
    assert "plate-a-fine@1" in said("recipe", "list", "--store", "recipes.sqlite")


def test_without_a_store_it_is_said_how_to_begin(shop: Path) -> None:
    assert "platelink recipe example" in said("recipe", "list")
    assert "none yet; add one: platelink lot add" in said("lot", "list")
    assert "none yet; add one: platelink screen add" in said("screen", "list")
