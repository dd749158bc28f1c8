"""The depth foretold of plates that are on record, and the causes: each from what was recorded."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from cli.cli_runs import run

from finding.shop_journal import DOSE, EVERY_S, LIGHT_S, Made, recipe, shop_at
from platelink.contract.predicted import DepthFrom, DepthPredicted
from platelink.events.steps import PlateCorrected
from platelink.events.unit import LampsChanged
from platelink.finding.foretold import depth_foretold_in
from platelink.finding.plates import LEAST, is_one_in
from platelink.record.reader import JournalReader


def told(path: Path, plate: str, symptom: str = "") -> DepthPredicted:
    with JournalReader.open(path) as journal:
        found = journal.run(plate)
        assert found is not None
        return depth_foretold_in(journal, found, symptom=symptom)


def of(found: DepthPredicted) -> DepthFrom:
    assert found.record is not None
    return found.record


@pytest.fixture(scope="module")
def year(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """60 usual plates that were measured; then some that are not: each is told by those before."""
    path = tmp_path_factory.mktemp("shop") / "journal.sqlite"
    with shop_at(path) as shop:
        shop.usual(60)
        now: dict[str, Any] = {"lot": "L-2"}
        shop.make(Made(plate="usual", **now))
        shop.make(Made(plate="fine", depths={"large area": 33.4}, **now))
        shop.make(Made(plate="weak", dose=0.5 * DOSE, light_s=0.5 * LIGHT_S, **now))
        shop.make(Made(plate="lot", lot="L-3"))
        shop.make(Made(plate="leak", lost_kpa=9.0, depths={"large area": 29.0}, **now))
        shop.make(Made(plate="dim", light_s=1.2 * LIGHT_S, depths={"large area": 29.0}, **now))
        shop.make(Made(plate="short", bake_min=5.0, depths={"large area": 29.5}, **now))
        shop.make(Made(plate="held", state="stopped", **now))
    return path


def test_each_record_says_what_to_do(year: Path) -> None:
    usual = told(year, "usual")
    assert usual.verdict == "go on" and "inside the limits" in usual.text
    (point,) = usual.points
    assert (point.limit_low_um, point.limit_high_um, point.learned_from) == (30.0, 36.0, 60)
    assert point.depth_um == pytest.approx(33.6, abs=0.6)
    assert point.low_um is not None and point.high_um is not None
    assert 30.0 < point.low_um < point.depth_um < point.high_um < 36.0
    assert of(usual).light_off_pct == pytest.approx(0.0, abs=0.1)
    weak = told(year, "weak")
    assert weak.verdict == "stop before wash" and "do not wash" in weak.text
    lot = told(year, "lot")
    assert (lot.verdict, of(lot).days_open) == ("measure", 0.0)
    leak = told(year, "leak").points[0]
    assert leak.low_um is not None and leak.high_um is not None
    assert leak.high_um - leak.low_um > 1.5 * (point.high_um - point.low_um)
    assert of(told(year, "dim")).light_off_pct == pytest.approx(-100.0 / 6.0, abs=0.2)


def test_too_few_plates_cannot_tell(year: Path) -> None:
    early = told(year, f"P-{LEAST - 1:03d}")
    assert early.verdict == "cannot tell" and early.points[0].depth_um is None
    assert f"{LEAST - 1} of at least {LEAST} plates" in early.points[0].text
    assert of(early).light_off_pct is None
    assert told(year, f"P-{LEAST:03d}").verdict == "measure"


def test_what_is_told_of_a_plate_is_what_could_be_told_then(year: Path, tmp_path: Path) -> None:
    """Neither its own depth, nor what came after it, nor what was read after its exposure."""
    path = tmp_path / "journal.sqlite"
    with shop_at(path) as shop:
        shop.usual(60)
        shop.make(Made(plate="usual", lot="L-2", depths={"large area": 30.1}))
    then, now = told(path, "usual").points[0], told(year, "usual").points[0]
    assert (then.depth_um, then.low_um) == (now.depth_um, now.low_um)
    assert then.measured_um == 30.1 and now.measured_um is None
    path = tmp_path / "late.sqlite"
    with shop_at(path) as shop:
        for i in range(8):
            late = 2.0 * EVERY_S if i == 7 else 3000.0
            shop.make(Made(plate=f"P-{i}", depths={"large area": 33.0}, read_s=late))
        shop.make(Made(plate="now"))
        shop.make(Made(plate="then"))
    assert [told(path, p).points[0].learned_from for p in ("now", "then")] == [7, 8]


def test_causes_are_of_what_is_on_record(year: Path) -> None:
    for plate, cause, speaks in (
        ("leak", "contact", "vacuum lost"), ("dim", "light", "below the forecast"),
        ("short", "bake", "short"),
    ):  # fmt: skip
        first = told(year, plate).causes[0]
        assert first.cause == cause and speaks in first.speaks, plate
    fine = told(year, "fine")
    assert fine.causes == [] and "as predicted" in fine.why_no_causes
    # Nobody measured it, and the press saw something all the same.
    plain = told(year, "usual")
    assert plain.causes == [] and "name what the press saw" in plain.why_no_causes
    soft = {one.cause: one.probability for one in told(year, "usual", "soft edges").causes}
    strong = {one.cause: one.probability for one in told(year, "usual", "prints too strong").causes}
    assert sum(soft.values()) == pytest.approx(1.0)
    assert soft["contact"] > 3.0 * strong["contact"]
    with pytest.raises(ValueError, match="soft edges"):
        told(year, "usual", "it looks odd")


def test_a_corrected_depth_teaches_as_corrected(tmp_path: Path) -> None:
    before, after = (tmp_path / name for name in ("a.sqlite", "b.sqlite"))
    for path in (before, after):
        with shop_at(path) as shop:
            for i in range(8):
                shop.make(Made(plate=f"P-{i}", depths={"large area": 33.0}))
            if path == after:
                what = PlateCorrected("P-7", "depth large area", 33.0, 35.0, "Ada", "misread")
                shop.put(None, what, EVERY_S * 7.9)
            shop.make(Made(plate="now"))
    a, b = (told(path, "now").points[0].depth_um for path in (before, after))
    assert a is not None and b is not None and b > a + 0.1


def test_depths_of_another_screen_or_recipe_are_not_its_own(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    other = recipe()
    other["step"][1] = other["step"][1] | {"screen": "screen-4"}
    with shop_at(path) as shop:
        shop.usual(30)
        shop.make(Made(plate="other screen", recipe=other))
        shop.make(Made(plate="other recipe", recipe=recipe(id="plate-b")))
        shop.make(Made(plate="own"))
    assert [told(path, p).points[0].learned_from for p in ("other screen", "other recipe", "own")] \
        == [0, 0, 30]  # fmt: skip


def test_new_lamps_begin_their_own_usual_light(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with shop_at(path) as shop:
        shop.usual(12)
        shop.put(None, LampsChanged("Ada", "worn"), EVERY_S * 12 - 60.0)
        for i in range(7):
            shop.make(Made(plate=f"new {i}", light_s=0.7 * LIGHT_S))
    assert of(told(path, "new 0")).light_off_pct is None
    assert of(told(path, "new 6")).light_off_pct == pytest.approx(0.0, abs=0.1)


def test_every_point_has_its_own_depths_and_the_worst_counts(tmp_path: Path) -> None:
    path, both = tmp_path / "journal.sqlite", recipe()
    both["step"][-1] = {"name": "inspect", "kind": "inspect", "point": [
        {"name": "large area", "low_um": 30.0, "high_um": 36.0},
        {"name": "fine lines", "low_um": 20.0, "high_um": 26.0}]}  # fmt: skip
    with shop_at(path) as shop:
        for i in range(8):
            shop.make(Made(plate=f"P-{i}", recipe=both,
                           depths={"large area": 33.0, "fine lines": 30.0} if i < 6
                           else {"large area": 33.0}))  # fmt: skip
        shop.make(Made(plate="now", recipe=both))
    found = told(path, "now")
    assert [one.learned_from for one in found.points] == [8, 6]
    assert [one.verdict for one in found.points] == ["measure", "stop before wash"]
    assert found.verdict == "stop before wash"


def test_what_says_nothing_says_why(year: Path, tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    steps = recipe()["step"]
    with shop_at(path) as shop:
        shop.make(Made(plate="no point", recipe=recipe(step=steps[:-1])))
        shop.make(Made(plate="no contact", recipe=recipe(step=steps[2:])))
    for where, plate, why in (
        (year, "held", "'screen' is not complete"), (year, "usual-screen", "is no plate"),
        (path, "no point", "no depth measured"), (path, "no contact", "no exposure with contact"),
    ):  # fmt: skip
        found = told(where, plate)
        assert (found.record, found.points, found.verdict) == (None, [], "cannot tell")
        assert why in found.text and found.causes == []


def test_one_in_eight_is_picked_by_its_name() -> None:
    picked = [is_one_in(f"P-{i:05d}") for i in range(4000)]
    assert sum(picked) == pytest.approx(500, abs=80)
    assert picked == [is_one_in(f"P-{i:05d}") for i in range(4000)]


def test_the_commands_say_it(year: Path) -> None:
    usual = run("find", "predict", "usual", "--journal", year)
    assert usual.exit_code == 0 and "go on" in usual.output
    for words in ("30 to 36 µm", "not on record, so not counted: place on the bed", "lot L-2"):
        assert words in usual.output, usual.output
    found = json.loads(run("find", "predict", "weak", "--journal", year, "--json").output)
    assert found["verdict"] == "stop before wash"
    leak = run("find", "cause", "leak", "--journal", year)
    assert "contact" in leak.output.splitlines()[1] and "seal, sheet and pump" in leak.output
    asked = run("find", "cause", "usual", "soft edges", "--journal", year, "--json")
    assert json.loads(asked.output)["causes"]
    assert "as predicted" in run("find", "cause", "fine", "--journal", year).output
    odd = run("find", "cause", "usual", "it looks odd", "--journal", year)
    assert odd.exit_code == 2 and "soft edges" in odd.output
    held = run("find", "predict", "held", "--journal", year)
    assert held.exit_code == 1 and "not complete" in held.output


def test_a_plates_story_has_it(year: Path) -> None:
    shown = run("show", "leak", "--journal", year).output
    assert "DEPTH PREDICTED BEFORE THE WASH" in shown and "most likely: contact" in shown
    assert "need not be measured" in run("show", "usual", "--journal", year).output
    assert "DEPTH PREDICTED" not in run("show", "P-001", "--journal", year).output


def test_a_place_on_a_measured_bed_counts_for_the_dose(tmp_path: Path) -> None:
    """6 % less light there is 14 µm times ln 0.94 deeper."""
    path = tmp_path / "journal.sqlite"
    with shop_at(path) as shop:
        shop.usual(40)
        shop.make(Made(plate="middle", lot="L-1"))
        shop.make(Made(plate="edge", lot="L-1", place_pct=-6.0))
    middle, edge = (told(path, plate) for plate in ("middle", "edge"))
    deeper = edge.points[0].depth_um - middle.points[0].depth_um  # type: ignore[operator]
    assert deeper == pytest.approx(0.87, abs=0.25)
    assert "place on the bed" in of(middle).not_recorded
    assert of(edge).not_recorded == ["age and area of the bath"]


# --- how old lot and bath were --------------------------------------------------------------------


def test_a_bath_that_is_on_record_is_learned_from_and_told(tmp_path: Path) -> None:
    """Depths fall by 1.5 µm for each m² washed; what a fresh and an old bath make is foretold."""
    path, rng = tmp_path / "journal.sqlite", np.random.default_rng(7)

    def aged(m2: float) -> dict[str, float]:
        return {"bath_days": 2.0 * m2, "bath_m2": m2}

    with shop_at(path) as shop:
        for i in range(60):
            m2 = float(i % 10) / 4.0
            depth = 34.5 - 1.5 * m2 + rng.normal(0.0, 0.3)
            ages = None if i % 2 else aged(m2)  # every other plate does not tell it
            shop.make(Made(plate=f"P-{i:03d}", lot="L-1", ages=ages,
                           depths={"large area": round(depth, 1)}))  # fmt: skip
        shop.make(Made(plate="fresh", ages=aged(0.0)))
        shop.make(Made(plate="old", ages=aged(2.25)))
        shop.make(Made(plate="untold"))
        shop.make(Made(plate="mad", ages={"bath_days": -1.0, "bath_m2": 3.0}))
    fresh, old = told(path, "fresh"), told(path, "old")
    assert (of(old).bath_days, of(old).bath_m2) == (4.5, 2.25)
    assert "age and area of the bath" not in of(old).not_recorded
    assert fresh.points[0].depth_um == pytest.approx(34.5, abs=0.7)
    assert old.points[0].depth_um == pytest.approx(34.5 - 1.5 * 2.25, abs=0.7)
    for name in ("untold", "mad"):
        other = told(path, name)
        assert "age and area of the bath" in of(other).not_recorded
        assert of(other).bath_m2 is None
    said = run("find", "predict", "old", "--journal", str(path))
    assert said.exit_code == 0 and "bath 4.5 d and 2.25 m² old" in said.output


@pytest.mark.parametrize(("first", "days"), [(3.0, 12.0), (None, EVERY_S / 86_400.0)])
def test_days_open_are_the_lot_s_own_where_all_of_its_plates_tell_them(
    tmp_path: Path, first: float | None, days: float
) -> None:
    path = tmp_path / "journal.sqlite"
    with shop_at(path) as shop:
        shop.make(Made(plate="one", ages={"lot_open_days": first}))
        shop.make(Made(plate="two", ages={"lot_open_days": 12.0}))
    assert of(told(path, "two")).days_open == pytest.approx(days)
