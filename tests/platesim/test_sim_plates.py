"""The simulated plates: what they do, and that no fitter's model is in them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from platesim.plates import (
    Care,
    Fault,
    Screen,
    Shop,
    Stock,
    dose_for,
    holding_dose,
    mean_depth,
    measured_depth,
    wedge_reading,
    with_fault,
)

SHOP, SCREEN, CARE = Shop(seed=4), Screen(), Care()
DOSES = np.geomspace(110.0, 700.0, 40)


def depth(shop: Shop = SHOP, care: Care = CARE, screen: Screen = SCREEN) -> np.ndarray:
    return mean_depth(shop, screen, DOSES, care, holding_dose(shop, care))


def test_more_dose_is_never_deeper_and_no_line_fits() -> None:
    found = depth()
    assert (np.diff(found) <= 0.0).all()
    line = np.polyval(np.polyfit(np.log(DOSES), found, 1), np.log(DOSES))
    assert np.abs(found - line).max() > 2.0
    # Within the window of the screen dose does least.
    slope = np.abs(np.diff(found) / np.diff(np.log(DOSES)))
    assert slope[12:20].max() < 0.6 * slope[:6].max()


def test_a_coarser_screen_is_deeper_than_dose_makes_a_finer_one() -> None:
    fine, coarse = depth(screen=Screen(120.0)), depth(screen=Screen(70.0))
    assert (coarse[10:] > fine[10:] + 4.0).all()


def test_reciprocity_and_oxygen_pull_against_each_other() -> None:
    weak, bright = Care(irradiance_mw_cm2=3.0), Care(irradiance_mw_cm2=12.0)
    plain = replace(SHOP, stock=Stock(induction_mj_cm2=0.0))
    ratio = float(holding_dose(plain, bright) / holding_dose(plain, weak))
    assert ratio == pytest.approx(4.0 ** (1.0 - 0.87))
    assert float(holding_dose(SHOP, bright) / holding_dose(SHOP, weak)) < ratio


def test_old_and_warm_stock_needs_less_and_a_used_cold_bath_washes_less() -> None:
    assert holding_dose(SHOP, Care(days_open=40.0)) < holding_dose(SHOP, CARE)
    assert holding_dose(SHOP, Care(room_c=27.0)) < holding_dose(SHOP, CARE)
    for worse in (
        Care(bath_cm2=30_000.0),
        Care(water_c=20.0),
        Care(wash_s=45.0),
        Care(dry_min=3.0),
    ):
        assert (depth(care=worse)[5:15] < depth()[5:15]).all()


@pytest.mark.parametrize("fault", [f for f in Fault if f is not Fault.NONE])
def test_every_fault_changes_plates(fault: Fault) -> None:
    wrong = with_fault(SHOP, fault)
    moved = np.abs(depth(wrong) - depth()).max()
    assert moved > 0.3
    assert wrong.seed == SHOP.seed


def test_points_of_a_patch_share_their_plate_and_are_no_replicates() -> None:
    rng = np.random.default_rng(1)
    read = measured_depth(
        SHOP, SCREEN, np.full(400, 170.0), CARE, rng, plate=np.arange(400), points=4
    )
    within, between = read.var(axis=1, ddof=1).mean(), read.mean(axis=1).var(ddof=1)
    assert between > 1.2 * within / 4.0
    assert (read == np.round(read)).all()


def test_a_wedge_shows_the_dose_that_holds_in_steps() -> None:
    rng = np.random.default_rng(2)
    shop = replace(SHOP, misread=0.0)
    dose = np.full(200, 4.0 * float(holding_dose(shop, CARE)))
    held, washed = wedge_reading(shop, dose, CARE, rng)
    assert (held < washed).all()
    assert set(held) <= {3, 4, 5} and set(washed) <= {4, 5, 6}
    slipped, _ = wedge_reading(replace(SHOP, misread=0.5), dose, CARE, np.random.default_rng(2))
    assert 0.3 < float(np.mean(slipped != held)) < 0.7


def test_a_seed_gives_the_same_shop_and_the_truth_is_found_again() -> None:
    assert (Shop(seed=9).lot_shift() == Shop(seed=9).lot_shift()).all()
    dose = dose_for(SHOP, SCREEN, 30.0, CARE)
    got = mean_depth(SHOP, SCREEN, np.array([dose]), CARE, holding_dose(SHOP, CARE))
    assert got[0] == pytest.approx(30.0, abs=1e-6)
    assert np.isnan(dose_for(SHOP, SCREEN, 90.0, CARE))
