"""Depths foretold before washout: the filter against its closed form, and what is said when."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from platelink.finding import foretell as f
from platelink.finding.foretell import Exposed, Foreteller, Verdict

TELLER = Foreteller(33.0, 30.0, 36.0, 200.0)


def plate(lot: str = "a", **other: float) -> Exposed:
    return Exposed(**({"dose_mj_cm2": 200.0} | other), lot=lot)  # type: ignore[arg-type]


def taught(n: int = 40, seed: int = 1, lot: str = "a") -> Foreteller:
    """After plates that follow the line, 0.5 µm about it; with limits that bear just that."""
    rng, teller = np.random.default_rng(seed), TELLER
    for _ in range(n):
        x, days = rng.normal(0.0, 0.03), rng.uniform(0.0, 9.0)
        depth = 33.0 - 14.0 * x - 0.15 * days + rng.normal(0.0, 0.5)
        teller = teller.seen(plate(lot, dose_mj_cm2=200.0 * math.exp(x), bath_days=days), depth)
    return replace(teller, low_um=31.7, high_um=34.3)


def test_it_is_the_mean_of_all_that_was_read() -> None:
    """What the filter says of the next plate is the conditional mean and spread of one large normal
    distribution (von Mises 1964), made here in one go: priors, walk of the level, readings."""
    rng, teller, rows, off, noise = np.random.default_rng(2), TELLER, [], [], []
    for _ in range(14):
        one = plate(
            dose_mj_cm2=200.0 * math.exp(rng.normal(0.0, 0.04)), days_open=rng.uniform(0.0, 20.0),
            bath_m2=rng.uniform(0.0, 0.9), bath_days=rng.uniform(0.0, 9.0),
            contact_kpa=rng.uniform(0.0, 1.0), place_pct=rng.normal(-1.0, 1.0),
        )  # fmt: skip
        depth = 33.0 + rng.normal(0.0, 0.6)
        rows.append(teller._row(one))
        off.append(depth - 33.0)
        noise.append(teller.read_var)
        assert abs(depth - teller.foretold(one).depth_um) < f.ODD * teller.foretold(one).sd_um
        teller = teller.seen(one, depth)
    next_one = plate(dose_mj_cm2=210.0, days_open=3.0, bath_m2=0.4, bath_days=5.0)
    h, row = np.array(rows), TELLER._row(next_one)
    prior = TELLER._ready(next_one)
    # The level of plate i has walked i + 1 steps; that of the next one as many as of the last.
    steps = np.arange(1, 15)
    walked = f.WALK_SD_UM**2 * np.minimum.outer(steps, steps)
    whole = h @ prior.cov @ h.T + walked + np.diag(noise)
    across = h @ prior.cov @ row + f.WALK_SD_UM**2 * steps
    mean = row @ prior.mean + across @ np.linalg.solve(whole, np.array(off) - h @ prior.mean)
    var = row @ prior.cov @ row + f.WALK_SD_UM**2 * 14 - across @ np.linalg.solve(whole, across)
    told = teller.foretold(next_one)
    assert told.depth_um == pytest.approx(33.0 + mean, abs=1e-9)
    assert told.sd_um**2 - teller.read_var == pytest.approx(var, abs=1e-9)


def test_it_learns_the_line_and_what_the_bath_does() -> None:
    teller = taught(300)
    told = [teller.foretold(plate(dose_mj_cm2=d, bath_days=b)).depth_um
            for d, b in ((200.0, 0.0), (210.0, 0.0), (200.0, 9.0))]  # fmt: skip
    assert told[0] == pytest.approx(33.0, abs=0.3)
    assert told[1] - told[0] == pytest.approx(-14.0 * math.log(1.05), abs=0.15)
    assert told[2] - told[0] == pytest.approx(-0.15 * 9.0, abs=0.3)
    assert teller.read_var == pytest.approx(0.25, abs=0.1)


def test_what_the_interval_means() -> None:
    teller = taught()
    calm = teller.foretold(plate(bath_days=1.0))
    assert calm.verdict is Verdict.GO_ON and "measure one in 8" in calm.text
    assert 31.7 <= calm.low_um < calm.depth_um < calm.high_um <= 34.3
    less = teller.foretold(plate(dose_mj_cm2=200.0 * math.exp(-0.13)))
    assert less.verdict is Verdict.MEASURE and less.low_um < 34.3 < less.high_um
    far = teller.foretold(plate(dose_mj_cm2=200.0 * math.exp(-0.5)))
    assert far.verdict is Verdict.STOP and far.low_um > 34.3 and "do not wash" in far.text
    # The same depth expected, in a shop that has measured too few to know.
    few = replace(teller, measured=3)
    assert few.foretold(plate(bath_days=1.0)).verdict is Verdict.MEASURE


@pytest.mark.parametrize(
    "odd",
    [{"lot": "b"}, {"light_off_pct": -18.0}, {"light_off_pct": 12.0}, {"contact_kpa": 6.0}],
)
def test_what_nobody_has_seen_before_is_measured(odd: dict[str, float]) -> None:
    """A new lot, light away from the forecast, vacuum lost: the interval opens by itself."""
    teller = taught()
    usual, strange = teller.foretold(plate()), teller.foretold(plate(**odd))  # type: ignore[arg-type]
    assert usual.verdict is Verdict.GO_ON and strange.verdict is Verdict.MEASURE
    assert strange.sd_um > 1.2 * usual.sd_um


def test_a_new_lot_is_known_after_a_few_plates_and_takes_nothing_along() -> None:
    """Lot b is 2 µm shallower; what was learned of it is not expected of lot c."""
    teller, wide = taught(), taught().foretold(plate("b")).sd_um
    for _ in range(6):
        teller = teller.seen(plate("b"), 31.0)
    assert teller.foretold(plate("b")).depth_um == pytest.approx(31.0, abs=0.5)
    assert teller.foretold(plate("b")).sd_um < 0.75 * wide
    again = teller.foretold(plate("c"))
    assert again.depth_um > teller.foretold(plate("b")).depth_um + 0.3
    assert again.sd_um > 1.2 * teller.foretold(plate("b")).sd_um


def test_one_odd_plate_moves_little_and_makes_the_next_measured() -> None:
    teller = taught()
    before = teller.foretold(plate())
    after = teller.seen(plate(), before.depth_um - 5.0)
    assert after.foretold(plate()).sd_um > 1.5 * before.sd_um
    assert after.foretold(plate()).verdict is Verdict.MEASURE
    # Where the next ones are as usual it was that plate; where they are as odd, it is all of them.
    alone = lasting = after
    for _ in range(5):
        alone = alone.seen(plate(), before.depth_um)
        lasting = lasting.seen(plate(), before.depth_um - 5.0)
    assert alone.foretold(plate()).depth_um == pytest.approx(before.depth_um, abs=0.6)
    assert lasting.foretold(plate()).depth_um == pytest.approx(before.depth_um - 5.0, abs=0.9)


def test_a_plate_nobody_measured_teaches_nothing_but_that_time_passed() -> None:
    teller = taught()
    on = teller.seen(plate(), None)
    assert on.measured == teller.measured and on.conformal == teller.conformal
    assert on.foretold(plate()).depth_um == teller.foretold(plate()).depth_um
    assert on.foretold(plate()).sd_um > teller.foretold(plate()).sd_um


def test_the_dose_for_the_target() -> None:
    teller = taught(200)
    worn = plate(bath_days=9.0, dose_mj_cm2=205.0)
    dose = teller.dose_for_target(worn)
    assert teller.foretold(replace(worn, dose_mj_cm2=dose)).depth_um == pytest.approx(
        33.0, abs=1e-6
    )
    flat = replace(TELLER, slope_um=-0.5, slope_sd_um=0.1)
    with pytest.raises(ValueError, match="expose a strip"):
        flat.dose_for_target(plate())


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(ValueError, match="limits below and above"):
        Foreteller(33.0, 34.0, 36.0, 200.0)
    with pytest.raises(ValueError, match="measure one in 1 or more"):
        Foreteller(33.0, 30.0, 36.0, 200.0, one_in=0)
    for dose in (0.0, -3.0, math.nan, math.inf):
        with pytest.raises(ValueError, match="needs the dose"):
            TELLER.foretold(plate(dose_mj_cm2=dose))
    with pytest.raises(ValueError, match="read it again"):
        TELLER.seen(plate(), math.nan)
