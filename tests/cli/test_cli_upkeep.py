"""Commands on films, the store of lots, and maintenance: what they say, write and refuse."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from cli_runs import MINIMAL, run


@pytest.fixture(autouse=True)
def shop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A directory with a configuration; nothing was recorded yet."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.delenv("PLATELINK_TOKEN", raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    Path("platelink.toml").write_text(MINIMAL)


def said(*arguments: object, code: int = 0) -> str:
    result = run(*arguments)
    assert result.exit_code == code, result.output
    return result.stdout if code == 0 else result.stderr


def told(*arguments: object) -> Any:
    return json.loads(said(*arguments, "--json"))


def test_a_film_is_added_measured_used_and_retired() -> None:
    assert "none yet; add one" in said("film", "list")
    told("film", "add", "F-12", "--artwork", "invented logo", "--made", "2026-02-01")
    assert "not measured" in said("film", "show", "F-12")
    assert told("film", "use", "F-12", "--for", "P-1")["uses"] == 1
    assert told("film", "change", "F-12", "--density", "4.1", "--why", "measured")["density"] == 4.1
    shown = said("film", "show", "F-12")
    assert "used for P-1 by" in shown
    assert shown.endswith("\nits plates with their records:  platelink plate list --film F-12\n")
    told("film", "retire", "F-12", "--why", "scratched")
    assert told("film", "list")["films"] == []
    assert told("film", "list", "--all")["films"][0]["closed"] == "scratched"


def test_a_store_is_held_against_the_limits_of_a_lot() -> None:
    told("lot", "add", "L-1", "--stock", "s", "--area", "1 m2", "--max-days-open", "30",
         "--store-high", "77 degF", "--humidity-high", "60")  # fmt: skip
    assert "nobody has read its store" in said("lot", "show", "L-1")
    assert "its limit is at most 25 °C" in said("lot", "stored", "L-1", "--temp", "31 degC")
    shown = said("lot", "show", "L-1")
    assert "at most 25 °C, at most 60 % RH; read last on" in shown
    assert "not yet told, good for 30 days once open" in shown
    limits = ("--store-high", "none", "--humidity-high", "none", "--max-days-open", "none")
    changed = told("lot", "change", "L-1", *limits, "--why", "tested")
    assert changed["findings"] == [] and changed["max_days_open"] is None
    assert "is not a number of days" in said(
        "lot", "change", "L-1", "--max-days-open", "many", "--why", "x", code=2
    )


def test_maintenance_is_due_done_and_told_in_one_place() -> None:
    seal = ("maintenance", "add", "seal", "--exposures", "5000", "--days", "30")
    assert "due since 2020-01-31" in said(*seal, "--last", "2020-01-01")
    lamps = ("maintenance", "add", "lamps", "--lamp-hours", "900", "--with", "lamp change")
    assert "in order (light 0.0 of 900 h)" in said(*lamps)
    run_due = run("maintenance", "list", "--due")
    assert run_due.exit_code == 1 and "seal" in run_due.stdout and "lamps" not in run_due.stdout
    assert "platelink lamps changed" in said("maintenance", "done", "lamps", code=2)
    assert "in order" in said("maintenance", "done", "seal", "--note", "new seal")
    assert "done by" in said("maintenance", "show", "seal")
    assert "none is due" in said("maintenance", "list", "--due")
    why = ("--why", "by the papers")
    assert told("maintenance", "change", "seal", "--days", "none", *why)["intervals"][0][
        "name"
    ] == "exposures"  # fmt: skip
    assert "needs an interval" in said("maintenance", "add", "bath", code=2)
    told("maintenance", "retire", "seal", "--why", "sold")
    names = [one["name"] for one in told("maintenance", "list")["items"]]
    assert "seal" not in names and "lamps" in names
