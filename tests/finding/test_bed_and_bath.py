"""Screens and their windows, evenness of the bed, washout: on plates and beds nobody fitted."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from platelink.finding.baths import WashedPlate, bath
from platelink.finding.curve import NoFitError
from platelink.finding.evenness import BedReading, evenness
from platelink.finding.screens import ScreenDepth, Where, advice, table
from platesim.plates import Care, Screen, Shop, light_over_bed, measured_depth

SHOP = Shop(seed=8)
RULINGS = {"fine 120": Screen(120.0), "middle 90": Screen(90.0), "coarse 70": Screen(70.0)}


def depths(doses: list[float], rng: np.random.Generator) -> list[ScreenDepth]:
    found = []
    for name, screen in RULINGS.items():
        read = measured_depth(SHOP, screen, np.array(doses), Care(), rng).mean(axis=1)
        found += [
            ScreenDepth(where=Where(screen=name, stock="stock k"), dose_mj_cm2=d,
                        depth_um=float(u), run=f"{name}-{i}")
            for i, (d, u) in enumerate(zip(doses, read, strict=True))
        ]  # fmt: skip
    return found


DOSES = [float(d) for d in np.repeat(np.geomspace(140.0, 420.0, 10), 2)]


def test_depth_belongs_to_the_screen() -> None:
    rows = table(depths(DOSES, np.random.default_rng(1)), 3.0)
    assert [row.where.screen for row in rows] == ["coarse 70", "fine 120", "middle 90"]
    windows = {row.where.screen: row.window for row in rows}
    coarse, fine = windows["coarse 70"], windows["fine 120"]
    assert coarse is not None and fine is not None
    assert coarse.depth_um > fine.depth_um + 10.0
    assert coarse.change_um <= 3.0 and coarse.runs
    assert coarse.high_mj_cm2 / coarse.low_mj_cm2 > 1.2


def test_depth_beyond_the_window_is_refused_with_another_screen() -> None:
    rows = table(depths(DOSES, np.random.default_rng(1)), 3.0)
    windows = {row.where.screen: row.window for row in rows}
    coarse = windows["coarse 70"]
    assert coarse is not None
    here = Where(screen="fine 120", stock="stock k")
    found = advice(rows, here, coarse.depth_um, 3.0)
    assert not found.by_dose and "not made by dose" in found.text and "coarse 70" in found.text
    assert [o.screen for o in found.others] == ["coarse 70"]
    good = advice(rows, Where(screen="coarse 70", stock="stock k"), coarse.depth_um + 1.0, 3.0)
    assert good.by_dose and "expose in the middle" in good.text
    other = advice(rows, Where(screen="fine 120", stock="stock m"), 30.0)
    assert not other.by_dose and "was not tried" in other.text


def test_that_no_change_was_noticed_is_no_window() -> None:
    """Three doses once each, with noise, show nothing."""
    few = depths([200.0, 240.0, 280.0], np.random.default_rng(2))
    assert all(row.window is None and "expose 5 or more" in row.text for row in table(few))
    noisy = [
        ScreenDepth(where=Where(screen="s", stock="k"), dose_mj_cm2=d, depth_um=30.0 + off)
        for d, off in zip((180.0, 200.0, 220.0, 240.0, 260.0), (3.0, -4.0, 2.0, -3.0, 2.5),
                          strict=True)
    ]  # fmt: skip
    assert table(noisy)[0].window is None


# --- evenness ----------------------------------------------------------------------------------


def grid(drift: float = 0.0, n: int = 5) -> list[BedReading]:
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, n), np.linspace(-1, 1, n)))
    light = light_over_bed(SHOP, x, y, np.random.default_rng(4), noise=0.0)
    read = [
        BedReading(20.0 + 20.0 * float(a), 15.0 + 15.0 * float(b), float(e) * (1.0 + drift * i))
        for i, (a, b, e) in enumerate(zip(x, y, light, strict=True))
    ]
    back = read[0]._replace(irradiance_mw_cm2=float(light[0]) * (1.0 + drift * len(read)))
    return [*read, back]


def test_the_bed_and_its_figures() -> None:
    found = evenness(grid())
    values = found.relative
    assert found.ratio == pytest.approx(values.min() / values.max())
    assert found.cv_pct == pytest.approx(100.0 * values.std(ddof=1))
    assert values.mean() == pytest.approx(1.0)
    assert len(found.map_text().splitlines()) == 6 and "25 places" in found.text


def test_lamps_that_change_meanwhile_are_taken_off() -> None:
    still, moving = evenness(grid()), evenness(grid(drift=0.001))
    assert np.abs(still.relative - moving.relative).max() < 0.002
    assert moving.lamps_pct == pytest.approx(2.5, abs=0.2)
    with pytest.raises(NoFitError, match="let them warm up"):
        evenness(grid(drift=0.004))


def test_a_small_plate_lies_where_the_light_is_the_sensors() -> None:
    found = evenness(grid())
    small, large = found.place(10.0, 8.0, (20.0, 15.0)), found.place(40.0, 30.0, (20.0, 15.0))
    assert small.position_pct < large.position_pct
    assert small.ratio > large.ratio
    assert large.ratio == pytest.approx(found.ratio)
    corners = [found.at(small.x_cm + a, small.y_cm + b) for a in (0.0, 10.0) for b in (0.0, 8.0)]
    here = found.at(20.0, 15.0)
    assert max(abs(100.0 * (c / here - 1.0)) for c in corners) <= small.position_pct
    assert small.proposal == f"position_pct = {small.position_pct:.1f}"


def test_what_is_proposed_is_what_the_budget_takes() -> None:
    import tomllib

    from platelink.sensing.budget import Stated

    told = tomllib.loads(evenness(grid()).place(10.0, 8.0).proposal)
    assert Stated(**told).position_pct is not None


def test_nothing_is_placed_where_nothing_was_measured() -> None:
    found = evenness(grid())
    with pytest.raises(NoFitError, match="does not lie within"):
        found.place(41.0, 10.0)
    with pytest.raises(NoFitError, match="beyond the places"):
        found.at(41.0, 10.0)
    with pytest.raises(NoFitError, match="no reading at"):
        evenness(grid()[3:])
    with pytest.raises(NoFitError, match="too coarse"):
        evenness(grid(n=2))


# --- washout -----------------------------------------------------------------------------------


def washed(n: int, *, ageing: float = 1.0, seed: int = 1) -> list[WashedPlate]:
    """Plates of a shop whose depth is what washout reaches, one bath after another."""
    rng = np.random.default_rng(seed)
    area = ageing * 0.06 * (np.arange(n) % 40)
    water, brush = rng.normal(31.0, 1.5, n), rng.uniform(25.0, 35.0, n)
    care = Care(wash_s=45.0, water_c=water, bath_cm2=1e4 * area, brush=brush / 30.0)
    read = measured_depth(
        SHOP, Screen(70.0), np.full(n, 230.0), care, rng, plate=np.arange(n)
    ).mean(axis=1)
    off = read - read[area < 0.3].mean()
    return [
        WashedPlate(off_um=float(o), area_m2=float(a), days=0.0, water_c=float(w),
                    brush_s=float(b), dry_min=20.0, run=f"run-{i}")
        for i, (o, a, w, b) in enumerate(zip(off, area, water, brush, strict=True))
    ]  # fmt: skip


def test_an_old_bath_is_to_be_renewed_and_a_fresh_one_is_not() -> None:
    old, fresh = bath(washed(80)), bath(washed(81))
    area = next(e for e in old.effects if e.name == "area_m2")
    assert area.sure and area.um < 0.0
    assert next(e for e in old.effects if e.name == "water_c").um > 0.0
    assert old.renew and "renew the bath" in old.text
    assert not fresh.renew and "is good" in fresh.text
    assert set(old.not_told) == {"days", "dry_min"}
    assert len(old.runs) == 80


def test_what_the_bath_does_not_explain_is_said() -> None:
    plates = washed(80)
    wrong = plates[:-6] + [replace(p, off_um=p.off_um + 9.0) for p in plates[-6:]]
    assert "look at lamps" in bath(wrong).text
    assert "look at lamps" not in bath(plates).text


def test_covariates_that_went_together_are_refused() -> None:
    plates = [
        WashedPlate(off_um=-0.1 * i, area_m2=0.1 * i, days=0.5 * i, water_c=31.0, brush_s=30.0,
                    dry_min=20.0)
        for i in range(20)
    ]  # fmt: skip
    with pytest.raises(NoFitError, match="went together"):
        bath(plates)
    with pytest.raises(NoFitError, match="are the least"):
        bath(washed(6))
    with pytest.raises(NoFitError, match="no finite"):
        bath([WashedPlate(off_um=math.nan, area_m2=0.0, days=0.0, water_c=31.0, brush_s=3.0,
                          dry_min=2.0)])  # fmt: skip


def sloping(sensor_light: float = 10.0) -> list[BedReading]:
    """Light that rises by 1 % a cm to the right of 10 cm."""
    return [
        BedReading(x, y, sensor_light * (1.0 + 0.01 * (x - 10.0)))
        for y in (0.0, 10.0, 20.0)
        for x in (0.0, 10.0, 20.0)
    ]


def test_the_light_on_a_plate_is_that_of_its_place() -> None:
    bed = evenness(sloping())
    there = bed.lying((12.0, 3.0, 4.0, 6.0), (10.0, 10.0))
    assert there[:3] == pytest.approx((2.0, 4.0, 6.0))  # at 12, 14 and 16 cm
    assert there.position_pct == pytest.approx(math.hypot(6.0, math.sqrt(3.0)))
    # seen from a sensor in stronger light the same plate gets less
    assert bed.lying((12.0, 3.0, 4.0, 6.0), (20.0, 10.0)).mean_pct == pytest.approx(
        100.0 * (1.04 / 1.10 - 1.0)
    )


def test_a_plate_that_may_lie_anywhere_has_the_whole_beds_light() -> None:
    whole = evenness(sloping()).lying(None, (10.0, 10.0))
    assert whole[:3] == pytest.approx((-10.0, 0.0, 10.0))
    with pytest.raises(NoFitError, match="lies beyond the places"):
        evenness(sloping()).lying((18.0, 3.0, 4.0, 6.0), (10.0, 10.0))
    with pytest.raises(NoFitError, match="lies beyond the places"):
        evenness(sloping()).lying(None, (30.0, 10.0))
