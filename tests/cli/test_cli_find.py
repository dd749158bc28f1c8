"""The command ``find``: examples are told, readings are kept as they are typed, runs give doses."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from cli_runs import run

from platelink.cli.find import KINDS
from platelink.finding.experiments import KINDS as MODELS
from platelink.finding.experiments import ExperimentError, loads


def test_kinds_are_the_same_everywhere() -> None:
    assert set(KINDS) == set(MODELS)


@pytest.mark.parametrize("kind", KINDS)
def test_every_example_is_told(kind: str, tmp_path: Path) -> None:
    example = run("find", "example", kind)
    assert "every value is invented" in example.stdout
    file = tmp_path / "mine.toml"
    file.write_text(example.stdout, "utf-8")
    told = json.loads(run("find", "tell", str(file), "--json").stdout)
    assert told["kind"] == kind and told["lines"]
    assert not any(line.startswith("cannot tell") for line in told["lines"])
    assert run("find", "tell", str(file)).stdout.splitlines()[0] == told["lines"][0]


def test_readings_are_kept_as_they_are_typed_and_gone_on_with(tmp_path: Path) -> None:
    file = tmp_path / "wedge.toml"
    # A wedge that cannot be, 400 without its unit, then a good one; then no more.
    typed = "M. Example\n412 mJ/cm2\n\nfive\n6\n412 mJ/cm2\n\n5\n6\n\nn\n"
    first = run("find", "ask", "wedge", str(file), input=typed)
    assert first.exit_code == 0, first.output
    assert "UV light injures" in first.stdout and "once more" in first.stdout
    again = run("find", "ask", "wedge", str(file), input="455\n\n5\n7\n\nn\n")
    assert "1 readings so far" in again.stdout
    found = loads(file.read_text("utf-8"), str(file))
    assert [r.dose_mj_cm2 for r in found.reading] == [412.0, 455.0]
    assert "mJ/cm² holds" in run("find", "tell", str(file)).stdout
    other = run("find", "ask", "depth", str(file), input="")
    assert other.exit_code == 2 and "of kind wedge" in other.stderr


def test_what_cannot_be_told_ends_in_a_sentence(tmp_path: Path) -> None:
    file = tmp_path / "strip.toml"
    file.write_text('format = 1\nkind = "depth"\nwho = "M. Example"\ntarget_um = 33\n', "utf-8")
    none = run("find", "tell", str(file))
    assert none.exit_code == 1 and "expose" in none.stderr
    file.write_text('format = 1\nkind = "wegde"\nwho = "M. Example"\n', "utf-8")
    wrong = run("find", "tell", str(file))
    assert wrong.exit_code == 2 and "must be one of wedge" in wrong.stderr
    missing = run("find", "tell", str(tmp_path / "none.toml"))
    assert missing.exit_code == 2 and "platelink find ask" in missing.stderr


def test_everything_wrong_is_said_at_once() -> None:
    text = (
        'format = 1\nkind = "wedge"\nwho = "M. Example"\n[[reading]]\nheld = -1\nwashed = 3\n'
        'dose_mj_cm2 = "412"\n[[reading]]\nheld = 2\nwashed = 3\n'
    )
    with pytest.raises(ExperimentError) as caught:
        loads(text, "wedge.toml")
    said = str(caught.value)
    assert "held" in said and "the unit is missing" in said and "give the dose, or the run" in said


def test_a_design_says_what_to_expose() -> None:
    doses = json.loads(run("find", "design", "depth", "--dose", "210 mJ/cm2", "--json").stdout)
    assert len(doses["doses_mj_cm2"]) == 8
    assert "mesh" in run("find", "design", "reciprocity", "--dose", "400 mJ/cm2").stdout
    assert run("find", "design", "wedge", "--dose", "400").exit_code == 2
