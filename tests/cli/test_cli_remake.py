"""``platelink remake``: from a plate on record to a draft, on a unit without a daemon."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from calibrations.make import PLAN, approved
from cli_runs import run
from finding.remade_plate import P1, REVISION, SLOPE, Maker, begin, config, day, recipe
from finding.test_wedge import PLAIN, Care, Shop, holding_dose, levels

from platelink.calibrations.store import CalibrationStore
from platelink.config.load import load
from platelink.config.model import effective
from platelink.daemon.calibrated import settings_of
from platelink.events.steps import PlateCorrected
from platelink.finding.reciprocity import staggered
from platelink.ledger.by import By
from platelink.recipe.load import loads
from platelink.recipe.store import RecipeStore
from platelink.recipe.supplies import Lot, Screen
from platelink.sensing.calibration import Cause


class Unit:
    """A unit's directory: a plate, what was made since, and the stores beside them."""

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.write()
        self.maker: Maker = begin(directory, effective(self.config()))
        self.open = True

    def write(self, slope: float = SLOPE, limit_s: float = 1800.0) -> None:
        (self.directory / "platelink.toml").write_text(config(slope, limit_s), "utf-8")

    def config(self) -> Any:
        return load(self.directory / "platelink.toml")

    def stock(self) -> None:
        """The recipe, approved, with its lot and screen."""
        by = By("A. Example", day(0), "invented")
        with closing(RecipeStore.open(self.directory / "recipes.sqlite")) as store:
            store.add(recipe(), by)
            store.approve(REVISION, by)
            store.shelf.add_lot(Lot(name="lot-a", stock="example-stock-a", area_cm2=9000.0,
                                    received_on=date(2020, 1, 1)), by)  # fmt: skip
            store.shelf.add_screen(
                Screen(name="example-screen-fine", ruling_lines_per_cm=120.0, tint_pct=80.0), by
            )

    def since(self, irradiance: float, days: float = 60.0) -> None:
        """A few exposures and bakes of later on."""
        self.maker.at = day(days)
        dry = next(step for step in recipe().step if step.kind == "bake")
        for _ in range(4):
            self.maker.exposure("film", 340.0, irradiance)
            self.maker.exposure("hardening", 2900.0, irradiance, contact=False)
            self.maker.bake(dry, in_band_s=840.0)

    def close(self) -> None:
        """The journal is on the disk."""
        if self.open:
            self.maker.journal.close()
        self.open = False

    def told(self, *options: str, code: int = 0) -> dict[str, Any]:
        self.close()
        done = run("remake", P1, *options, "--json")
        assert done.exit_code == code, done.output
        found: dict[str, Any] = json.loads(done.stdout)
        return found

    def said(self, *options: str, code: int = 0) -> str:
        self.close()
        done = run("remake", P1, *options)
        assert done.exit_code == code, done.output
        return done.stdout + done.stderr


@pytest.fixture
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Unit]:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("HOME", str(tmp_path))
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.delenv("PLATELINK_TOKEN", raising=False)
    made = Unit(tmp_path)
    yield made
    made.close()


def line(told: dict[str, Any], what: str, step: str = "") -> dict[str, Any]:
    (found,) = [one for one in told["lines"] if (one["what"], one["step"]) == (what, step)]
    return dict(found)


def test_a_plate_of_yesterday_needs_no_draft(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    unit.since(11.9, days=1.0)
    told = unit.told()
    assert (told["by"], told["toml"], told["changes"], told["cannot"]) == (REVISION, None, [], 0)
    assert told["judgement"] == "good"
    open_ = {(one["what"], one["match"]) for one in told["lines"] if one["match"] != "same"}
    # what nobody can know of it is said all the same
    assert open_ == {("water", "not known"), ("bath and brush", "not known")}
    assert "no draft is needed: platelink plate make plate-a-fine@1" in unit.said("--draft")
    assert "no draft is needed" in unit.said("--toml", code=1)


def test_a_calibration_in_between_changes_the_doses_of_the_draft(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    plan = replace(PLAN, settings=settings_of(unit.config(), "light 0"))
    with closing(CalibrationStore.open(unit.directory / "calibrations.sqlite")) as store:
        made = approved(store, plan=plan, slope=SLOPE * 1.08)
    assert made.line is not None
    unit.maker.slope, unit.maker.name = made.line.gain, "light 0@1"
    unit.since(12.9)
    told = unit.told()
    dose = line(told, "dose", "film")
    assert dose["match"] == "changed" and dose["today"] == pytest.approx(367.2)
    assert (dose["low"], dose["high"]) == pytest.approx((340.0, 367.2))
    # the light of then, as today's calibration reads it, and of today, which is read by it
    light = line(told, "light", "film")
    assert (light["then"], light["today"]) == pytest.approx((12.96, 12.9))
    draft = loads(told["toml"])
    doses = {step.name: step.dose_mj_cm2 for step in draft.step if step.kind == "expose"}
    assert doses == pytest.approx({"film": 367.2, "screen": 280.8, "hardening": 3132.0})
    for words in ("plate P-1", REVISION, "light 0@1", "runs r1, r2, r4"):
        assert words in told["why"] and words in str(draft.description)
    assert str(draft.description).startswith("Fine type and halftones; shallow.\n")


def test_a_new_sensor_leaves_the_dose_and_is_said_not_to_compare(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    plan = replace(PLAN, cause=Cause.NEW_SENSOR, settings=settings_of(unit.config(), "light 0"))
    with closing(CalibrationStore.open(unit.directory / "calibrations.sqlite")) as store:
        approved(store, plan=plan, slope=SLOPE * 1.08)
    told = unit.told()
    dose = line(told, "dose", "film")
    assert (dose["match"], dose["today"], told["by"]) == ("not known", 340.0, REVISION)
    assert "new sensor" in dose["text"]
    # nothing was exposed by it yet, so nothing is known of the light
    light = line(told, "light", "film")
    assert light["today"] is None and light["match"] == "not known"


def test_the_draft_is_added_as_a_draft_once_and_never_approved(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0, soak_s=41.0)
    unit.stock()
    unit.since(11.8)
    assert "soak: duration 25 s → 41 s" in unit.said()
    added = unit.told("--draft")["added"]
    assert (added["name"], added["state"]) == ("plate-a-fine@2", "draft")
    why = added["life"][0]["why"]
    assert "to repeat plate P-1" in why and "soak 41 s" in why
    with closing(RecipeStore.open(unit.directory / "recipes.sqlite", read_only=True)) as store:
        assert store.find("plate-a-fine").name == REVISION  # what is approved stays
    again = unit.told("--draft")
    assert (again["by"], again["added"]) == ("plate-a-fine@2", None)


def test_of_a_revision_that_was_retired_a_draft_is_made_again(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    with closing(RecipeStore.open(unit.directory / "recipes.sqlite")) as store:
        store.retire(REVISION, By("A. Example", day(1), "another film"))
    unit.since(11.9, days=1.0)
    told = unit.told()
    assert told["by"] is None and told["changes"] == []
    assert loads(told["toml"]).step == recipe().step
    assert unit.told("--draft")["added"]["name"] == "plate-a-fine@2"


def test_lamps_that_are_too_weak_end_with_code_1_and_the_share(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    unit.write(limit_s=240.0)
    unit.since(9.0)
    told = unit.told(code=1)
    time = line(told, "light time", "hardening")
    assert time["match"] == "cannot" and told["cannot"] == 1
    assert time["off_pct"] == pytest.approx(100.0 * (240.0 * 9.0 / 2900.0 - 1.0), abs=0.01)
    assert "it cannot be made so today: 1 of these lines" in unit.said(code=1)


def test_an_experiment_of_the_stock_gives_the_draft_its_p(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    unit.since(8.0)
    unit.close()

    def find(*arguments: str) -> None:
        done = run("find", *arguments)
        assert done.exit_code == 0, done.output

    find("begin", "reciprocity")
    shop = replace(Shop(seed=1), stock=PLAIN, misread=0.0)
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 8)
    for at in levels(shop, doses, (12.0, 3.0), np.random.default_rng(5)):
        reading = at.reading
        find("read", "reciprocity-1", f"irradiance_mw_cm2={at.irradiance_mw_cm2}",
             f"dose_mj_cm2={reading.dose_mj_cm2}", f"held={reading.held}",
             f"washed={reading.washed}")  # fmt: skip
    find("conclude", "reciprocity-1")
    told = unit.told()
    assert "reciprocity-1 tells a p and names no stock" in line(told, "p")["text"]
    assert line(told, "light", "film")["match"] == "not known"
    find("change", "reciprocity-1", "stock=example-stock-a", "--why", "forgotten")
    find("conclude", "reciprocity-1")
    told = unit.told()
    draft = loads(told["toml"])
    assert draft.reciprocity is not None and draft.reciprocity.p < 0.97
    assert draft.reciprocity.reference_mw_cm2 == pytest.approx(12.0)
    assert "by reciprocity-1" in told["why"]
    # the law has the light of then as its reference: the doses are those of then
    assert line(told, "dose", "film")["today"] == 340.0
    assert line(told, "light", "film")["text"].startswith("-33.3 %; p = ")


def test_what_was_corrected_since_is_what_counts(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0)
    unit.stock()
    for field, was, now in (("dose r1", 340.0, 352.0), ("lot", "lot-a", "lot-z")):
        unit.maker._put(None, PlateCorrected(P1, field, was, now, "B. Example", "read again"))
    told = unit.told()
    assert line(told, "dose", "film")["today"] == 352.0
    lot = line(told, "lot")
    assert (lot["then"], lot["today"], lot["match"]) == ("lot-z", "lot-a", "differs")


def test_a_plate_that_is_not_on_record(unit: Unit) -> None:
    assert "there is no plate P-1" in unit.said(code=2)


def test_a_plate_that_was_stopped_and_has_no_lot(unit: Unit) -> None:
    unit.maker.plate(P1, recipe(), 12.0, state="stopped", lot=None)
    unit.stock()
    told = unit.told()
    assert line(told, "end")["text"] == "the plate was stopped: done"
    assert line(told, "lot")["match"] == "not known"
