"""``platelink depths``: charts of what inspected plates came to, from the record."""

from __future__ import annotations

import json
import math
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from api.api_shop import shop
from cli_runs import run
from finding.remade_plate import begin, config, recipe
from finding.test_charts import DEPTHS
from recipe.test_dither import dithered, screen
from record import make

from platelink.client import ClientError
from platelink.config.load import load
from platelink.config.model import effective
from platelink.events.steps import PlateCorrected
from platelink.ledger.by import By
from platelink.recipe.dither import dither_pct, for_plate
from platelink.recipe.load import loads
from platelink.recipe.store import RecipeStore


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


@pytest.fixture
def dithered_journal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Forty plates whose screen dose was set off by 2 %, about a micrometre too deep; less dose is
    deeper, and the recipe is approved."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.delenv("PLATELINK_TOKEN", raising=False)
    path = tmp_path / "platelink.toml"
    path.write_text(config(), "utf-8")
    maker, made = begin(tmp_path, effective(load(path))), dithered()
    for number in range(40):
        dose = for_plate(screen(made), f"P-{number}").dose_mj_cm2  # type: ignore[union-attr]
        um = 31.6 - 24.0 * math.log(dose / 260.0) + (0.15 if number % 3 else -0.3)
        maker.plate(f"P-{number}", made, 12.0, depth_um=um)
        maker.at += timedelta(hours=2)
    maker.journal.close()
    with closing(RecipeStore.open(tmp_path / "recipes.sqlite")) as store:
        store.add(made, By("A. Example", make.T0, "invented"))
        store.approve("plate-a-fine@1", By("B. Example", make.T0, "invented"))
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


def test_a_dose_is_proposed_as_a_draft_with_its_evidence(dithered_journal: Path) -> None:
    found = told("dose", "plate-a-fine", "--json")
    right = 260.0 * math.exp((31.6 - 30.5) / 24.0)
    assert found["low_mj_cm2"] < right < found["high_mj_cm2"]
    assert found["proposed_mj_cm2"] == pytest.approx(right, rel=0.02)
    assert found["um_per_pct"] == pytest.approx(-0.24, abs=0.04)
    assert (found["plates"], found["target_um"], found["added"]) == (40, 30.5, None)
    said = told("dose", "plate-a-fine", "large area", "--step", "screen", "--draft")
    assert "added plate-a-fine@2, a draft" in said
    with closing(RecipeStore.open(Path("recipes.sqlite"), read_only=True)) as store:
        revision = store.find("plate-a-fine@2")
        draft = store.recipe(revision)
        assert store.find("plate-a-fine").name == "plate-a-fine@1"  # what is approved stays
    assert revision.state == "draft" and "plates P-32 to P-39" in revision.life[0].why
    assert screen(draft).dose_mj_cm2 == found["proposed_mj_cm2"]
    assert screen(draft).dither_pct == 2.0 and "by the dither of 40 plates" in str(
        draft.description
    )
    assert loads(found["toml"]).content_hash() == draft.content_hash()


def test_what_cannot_be_told_of_a_dose_ends_with_code_1(dithered_journal: Path) -> None:
    plates = ("dose", "plate-a-fine")
    assert "say --step" in told(*plates, "--step", "rub", code=2)
    said = told(*plates, "--step", "film", code=1)
    assert "0 plates whose film dose was set off on purpose" in said
    assert "follow chance" in told(*plates, "--target", "31.6 um", code=1)


def test_the_record_says_by_how_much_each_dose_was_set_off(dithered_journal: Path) -> None:
    found = told("chart", "plate-a-fine", "--json")
    for one in found["made"]:
        off = dither_pct(screen(dithered()), one["plate"])
        assert one["dithers_pct"] == {"screen": off}
        assert one["targets_mj_cm2"]["screen"] == pytest.approx(260.0 * (1.0 + off / 100.0))


def test_a_plate_made_again_has_its_own_dose_and_no_dither(dithered_journal: Path) -> None:
    done = run("remake", "P-1", "--json")
    found = json.loads(done.stdout)
    off = dither_pct(screen(dithered()), "P-1")
    draft = screen(loads(found["toml"]))
    assert draft.dither_pct is None
    assert draft.dose_mj_cm2 == pytest.approx(260.0 * (1.0 + off / 100.0), rel=1e-3)
