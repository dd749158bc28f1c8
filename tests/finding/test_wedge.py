"""Step wedges: the dose that holds, films, reciprocity; judged on plates nobody fitted."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from finding.shop import levels, wedges
from platelink.finding.curve import NoFitError
from platelink.finding.reciprocity import reciprocity, staggered
from platelink.finding.wedge import (
    NOMINAL,
    WedgeReading,
    dose_to_hold,
    film_leak,
    hold_dose,
    limits,
)
from platesim.plates import Care, Shop, Stock, holding_dose


def reading(dose: float, held: int, washed: int) -> WedgeReading:
    return WedgeReading(dose_mj_cm2=dose, held=held, washed=washed, run="run-7")


def test_a_reading_is_the_interval_between_two_steps() -> None:
    """ISO 5-2: a density D lets 10^-D through; a step of 0.15 is a factor of 1.412538."""
    low, high = limits([reading(400.0, 5, 6)], NOMINAL)
    assert 10.0 ** low[0] == pytest.approx(400.0 * 10.0**-0.80)
    assert 10.0 ** (high - low)[0] == pytest.approx(1.412538, rel=1e-6)


def test_one_reading_says_no_more_than_its_steps() -> None:
    found = hold_dose([reading(400.0, 5, 6)])
    low, high = (float(10.0 ** end[0]) for end in limits([reading(400.0, 5, 6)], NOMINAL))
    assert found.low_mj_cm2 is not None and found.high_mj_cm2 is not None
    assert found.low_mj_cm2 <= low and found.high_mj_cm2 >= high
    assert found.runs == ("run-7",)
    assert "1 exposure)" in found.text


def test_a_wedge_without_an_end_bounds_one_side() -> None:
    assert "at most" in hold_dose([reading(300.0, 21, 22)]).text
    found = hold_dose([reading(30.0, 0, 1)])
    assert "more than" in found.text and "expose more" in found.text
    with pytest.raises(NoFitError, match="no reading has a step"):
        hold_dose([reading(30.0, 0, 22)])


@pytest.mark.parametrize(
    ("held", "washed", "why"),
    [(6, 6, "lighter step"), (7, 5, "lighter step"), (22, 23, "21 steps"), (-1, 3, "21 steps")],
)
def test_readings_that_cannot_be_are_refused(held: int, washed: int, why: str) -> None:
    with pytest.raises(NoFitError, match=why):
        hold_dose([reading(300.0, held, washed)])


def test_densities_must_rise() -> None:
    with pytest.raises(NoFitError, match="rise from step to step"):
        hold_dose([reading(300.0, 1, 2)], [0.2, 0.1, 0.4])


def test_the_dose_that_holds_a_step_and_a_films_density() -> None:
    found = hold_dose([reading(400.0, 5, 6), reading(460.0, 5, 7), reading(430.0, 5, 6)])
    fifth = dose_to_hold(found, 5)
    assert fifth.dose_mj_cm2 == pytest.approx(found.dose_mj_cm2 * 10.0**0.65)
    thin, dense = film_leak(found, 300.0, 1.8), film_leak(found, 300.0, 3.5)
    assert dense.good and not thin.good
    assert "make another" in thin.text
    assert film_leak(found, 300.0, thin.least_density + 0.01).good
    with pytest.raises(NoFitError, match="step 22"):
        dose_to_hold(found, 22)


def test_its_interval_holds_the_truth_on_plates_nobody_fitted() -> None:
    """40 shops with wedges off their marks, misread steps, plates and places that differ."""
    kept, width = 0, []
    for seed in range(40):
        shop, rng = Shop(seed=seed), np.random.default_rng(seed)
        truth = float(holding_dose(shop, Care()))
        first = truth * 10.0 ** (0.6 + rng.uniform(-0.2, 0.2))
        found = hold_dose(wedges(shop, staggered(first, 4), rng))
        assert found.low_mj_cm2 is not None and found.high_mj_cm2 is not None
        kept += found.low_mj_cm2 <= truth <= found.high_mj_cm2
        width.append(math.log(found.high_mj_cm2 / found.low_mj_cm2))
    assert kept >= 37
    # One step alone is 0.345 wide.
    assert float(np.median(width)) < 0.28


# --- reciprocity -------------------------------------------------------------------------------

PLAIN = Stock(p=0.86, induction_mj_cm2=0.0)


def midpoint_p(shop: Shop, doses: list[float], rng: np.random.Generator) -> tuple[float, float]:
    """p as the middles of steps tell it, by least squares, and its standard error."""
    read = levels(shop, doses, (12.0, 3.0), rng)
    low, high = limits([one.reading for one in read], NOMINAL)
    x = np.log10([one.irradiance_mw_cm2 for one in read])
    y, x = 0.5 * (low + high), x - x.mean()
    slope = float(x @ y / (x @ x))
    off = y - y.mean() - slope * x
    return 1.0 - slope, math.sqrt(float(off @ off) / (len(y) - 2) / float(x @ x))


def test_the_plain_design_is_sure_of_what_is_wrong() -> None:
    """Two levels, one dose: p = 0.86 shifts the wedge by half a step, which it does not show."""
    shop = replace(Shop(seed=1), stock=PLAIN, misread=0.0, wedge_sd=0.0)
    bright, weak = (float(holding_dose(shop, Care(irradiance_mw_cm2=e))) for e in (12.0, 3.0))
    # Both lie within one step of this dose, the brighter near its upper end.
    dose = math.sqrt(bright * weak) * 10.0 ** (NOMINAL[4] + 0.075)
    p, error = midpoint_p(shop, [dose] * 6, np.random.default_rng(3))
    assert p == pytest.approx(1.0, abs=0.02) and error < 0.02
    found = reciprocity(levels(shop, [dose] * 6, (12.0, 3.0), np.random.default_rng(3)))
    assert found.low is not None and found.low < 0.86
    assert sum("same place within a step" in fault for fault in found.faults) == 2
    assert not found.proposal


def test_staggered_doses_tell_p_and_propose_it() -> None:
    shop = replace(Shop(seed=1), stock=PLAIN, misread=0.0)
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 8)
    found = reciprocity(levels(shop, doses, (12.0, 3.0), np.random.default_rng(5)))
    assert found.faults == ()
    assert found.p == pytest.approx(0.86, abs=0.07)
    assert found.low is not None and found.high is not None
    assert found.low < 0.86 < found.high < 1.0
    assert "p = 1 is excluded" in found.text and "between 3.0 and 12.0 mW/cm²" in found.text
    assert "[reciprocity]" in found.proposal and "p_uncertainty" in found.proposal
    assert len(found.runs) == 16


def test_what_is_proposed_is_what_a_recipe_takes() -> None:
    import tomllib

    from platelink.recipe.model import ReciprocitySection

    shop = replace(Shop(seed=1), stock=PLAIN)
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 8)
    found = reciprocity(levels(shop, doses, (12.0, 3.0), np.random.default_rng(5)))
    section = ReciprocitySection.model_validate(tomllib.loads(found.proposal)["reciprocity"])
    assert section.p == round(found.p, 2)
    assert section.reference_mw_cm2 == pytest.approx(6.0)


def test_with_oxygen_p_is_that_of_these_two_levels() -> None:
    """Oxygen takes less of bright light, so what the wedges see is nearer to 1 than the stock's."""
    shop = Shop(seed=2)
    holds = [float(holding_dose(shop, Care(irradiance_mw_cm2=e))) for e in (12.0, 3.0)]
    seen = 1.0 - math.log(holds[0] / holds[1]) / math.log(4.0)
    assert seen > 0.93 > shop.stock.p
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 6)
    found = reciprocity(levels(shop, doses, (12.0, 3.0), np.random.default_rng(6)))
    assert found.low is not None and found.high is not None
    assert found.low < seen < found.high
    if found.low <= 1.0 <= found.high:
        assert not found.proposal


def test_a_design_that_tells_little_says_what_is_wrong_with_it() -> None:
    shop = Shop(seed=2)
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 3)
    found = reciprocity(levels(shop, doses, (8.0, 5.0), np.random.default_rng(6)))
    assert any("1.6 to 1" in fault for fault in found.faults)
    assert any("6 exposures" in fault for fault in found.faults)
    assert not found.proposal
    with pytest.raises(NoFitError, match="neutral mesh"):
        reciprocity(levels(shop, doses, (8.0,), np.random.default_rng(6)))


def test_a_p_that_is_sure_from_a_poor_design_is_not_proposed() -> None:
    shop = replace(Shop(seed=2), stock=Stock(p=0.6, induction_mj_cm2=0.0), misread=0.0)
    doses = staggered(4.3 * float(holding_dose(shop, Care())), 3)
    found = reciprocity(levels(shop, doses, (12.0, 3.0), np.random.default_rng(6)))
    assert found.high is not None and found.high < 1.0
    assert found.faults == ("6 exposures: 10 or more tell p",)
    assert not found.proposal
