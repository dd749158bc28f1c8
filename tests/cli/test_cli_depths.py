"""``platelink depths``: charts of what inspected plates came to, from the record."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from api.api_shop import shop
from cli_runs import run
from finding.remade_plate import begin, config, recipe
from finding.test_charts import DEPTHS

from platelink.client import ClientError
from platelink.config.load import load
from platelink.config.model import effective
from platelink.events.steps import PlateCorrected


@pytest.fixture
def journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Thirteen plates; the last is far off, of another lot, until it is corrected."""
    monkeypatch.chdir(tmp_path)
    path = tmp_path / "platelink.toml"
    path.write_text(config(), "utf-8")
    maker = begin(tmp_path, effective(load(path)))
    for number, um in enumerate([*DEPTHS, 36.0], 1):
        maker.plate(f"P-{number}", recipe(), 12.0, depth_um=um,
                    lot="lot-b" if number == 13 else "lot-a")  # fmt: skip
        maker.at += timedelta(hours=2)
    maker.journal.close()
    return tmp_path / "journal.sqlite"


def told(*arguments: Any, code: int = 0) -> Any:
    done = run("depths", *arguments)
    assert done.exit_code == code, done.output
    return json.loads(done.stdout) if "--json" in arguments else done.stdout + done.stderr


def test_the_chart_of_a_point(journal: Path) -> None:
    found = told("chart", "plate-a-fine", "--journal", journal, "--json")
    assert (found["point"], found["plates"]) == ("large area", 13)
    assert (found["low_limit_um"], found["high_limit_um"]) == (28.0, 33.0)
    assert [one["plate"] for one in found["signals"]] == ["P-13"]
    assert found["signals"][0]["changed"] == ["lot lot-a → lot-b at P-13"]
    assert found["made"][0]["doses_mj_cm2"]["film"] == 340.0
    said = told("chart", "plate-a-fine", "large area", "--journal", journal)
    for words in ("13 plates", "cp, cpk", "P-13: beyond three spreads. lot lot-a → lot-b",
                  "28 to 33 µm", "not part of these  P-13"):  # fmt: skip
        assert words in said, said


def test_only_plates_that_are_wanted_count(journal: Path) -> None:
    found = told("chart", "plate-a-fine", "--lot", "lot-a", "--journal", journal, "--json")
    assert found["plates"] == 12 and found["signals"] == []
    assert "1 plates: a chart needs 10" in told(
        "chart", "plate-a-fine", "--lot", "lot-b", "--journal", journal, code=1
    )
    assert "say which point" in told("chart", "plate-a-fine", "edge", "--journal", journal, code=2)
    assert "no plate of it was inspected" in told("chart", "nix", "--journal", journal, code=2)


def test_a_corrected_depth_is_the_one_that_counts(journal: Path) -> None:
    from record import make

    with make.journal_at(journal) as there:
        event = PlateCorrected("P-13", "depth large area", 36.0, 30.0, "B. Example", "misread")
        there.append(make.event(there, None, name=event.name, data=event.data(),
                                at=make.later(9e5)))  # fmt: skip
    found = told("chart", "plate-a-fine", "--journal", journal, "--json")
    assert found["made"][-1]["um"] == 30.0 and found["signals"] == []


def test_the_service_answers_the_same(journal: Path) -> None:
    said = told("chart", "plate-a-fine", "--journal", journal, "--json")
    with shop(journal.parent) as this, this.client() as client:
        assert client.get("/ask/depths", recipe="plate-a-fine", point="large area") == said
        for point, words in (("edge", "large area"), ("large area", "a chart needs 10")):
            with pytest.raises(ClientError, match=words):
                client.get("/ask/depths", recipe="plate-a-fine", point=point,
                           lot="lot-b" if words[0] == "a" else None)  # fmt: skip
