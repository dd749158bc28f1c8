"""The plate behind the air of the oven, against SciPy's solver and the simulated plate."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp

from platelink.control.states import State
from platelink.control.steps.bake import Bake
from platelink.control.steps.lagging import START_C, LaggingPlate, followed_c
from platelink.control.steps.oven import BakeRequest, acceleration
from platesim.oven import plate_after

EA = 83.144


def air_c(t: float) -> float:
    """A warm oven that was open when the plate was put in."""
    return 60.0 - 22.0 * math.exp(-t / 70.0) + 1.1 * math.sin(t / 40.0)


def test_a_constant_air_is_newtons_law_of_cooling() -> None:
    assert followed_c(20.0, 60.0, 60.0, 90.0, 90.0) == pytest.approx(60.0 - 40.0 / math.e)
    assert followed_c(20.0, 60.0, 60.0, 50.0, 120.0) == pytest.approx(
        plate_after(20.0, 60.0, 50.0, 120.0)
    )
    assert followed_c(31.0, 60.0, 60.0, 0.0, 90.0) == 31.0


@pytest.mark.parametrize("lag_s", [40.0, 90.0, 140.0])
def test_plate_and_its_equivalent_time_against_scipy(lag_s: float) -> None:
    plate = LaggingPlate(lag_s, gap_limit_s=5.0, reference_c=58.5, activation_kj_mol=EA)
    for t in np.arange(0.0, 900.5, 0.5):
        plate.add(float(t), air_c(float(t)))
    solved = solve_ivp(
        lambda t, y: (air_c(t) - y) / lag_s, (0.0, 900.0), [START_C], rtol=1e-10, atol=1e-10,
        dense_output=True,
    )  # fmt: skip
    assert plate.totals.plate_c == pytest.approx(float(solved.y[0, -1]), abs=1e-3)
    whole, _ = quad(
        lambda t: acceleration(float(solved.sol(t)[0]), reference_c=58.5, activation_kj_mol=EA),
        0.0, 900.0, limit=500,
    )  # fmt: skip
    assert plate.totals.plate_equivalent_s == pytest.approx(whole, rel=1e-4)


def baked(lag_s: float | None) -> Bake:
    request = BakeRequest(
        low_c=56.0, high_c=63.0, in_band_s=1e4, over_c=70.0, activation_kj_mol=EA, plate_lag_s=lag_s
    )
    bake = Bake(request, now=0.0)
    bake.start(now=0.0)
    for n in range(1, 1201):
        bake.reading(air_c(0.5 * n), t=0.5 * n, now=0.5 * n)
    return bake


def test_the_plate_has_fewer_equivalent_minutes_than_the_air_and_both_are_named() -> None:
    status = baked(120.0).status()
    assert status.equivalent_s is not None and status.plate_equivalent_s is not None
    assert status.plate_equivalent_s < status.equivalent_s - 60.0
    assert status.plate_c is not None and status.max_c is not None
    assert status.plate_max_c is not None and status.plate_max_c < status.max_c
    unknown = baked(None).status()
    assert (unknown.plate_c, unknown.plate_max_c, unknown.plate_equivalent_s) == (None, None, None)
    assert unknown.equivalent_s == status.equivalent_s


def test_after_a_hold_the_plate_may_have_been_taken_out() -> None:
    bake = baked(90.0)
    bake.hold("looked at", now=601.0)
    bake.restart(now=700.0)
    assert bake.status().plate_c == START_C


def test_a_restart_of_the_computer_keeps_the_plate() -> None:
    bake = baked(90.0)
    kept = json.loads(json.dumps(bake.snapshot()))
    after = Bake.from_snapshot(bake.request, kept, down_s=45.0, now=10.0)
    before = bake.status()
    assert after.state is State.RUNNING
    assert after.status().plate_c == before.plate_c
    assert after.status().plate_equivalent_s == before.plate_equivalent_s


def test_a_gap_in_the_readings_warms_the_plate_and_counts_nothing() -> None:
    plate = LaggingPlate(60.0, gap_limit_s=5.0, reference_c=58.5, activation_kj_mol=EA)
    plate.add(0.0, 58.5)
    plate.add(60.0, 58.5)
    assert plate.totals.plate_c == pytest.approx(58.5 - 38.5 / math.e)
    assert plate.totals.plate_equivalent_s == 0.0


@pytest.mark.parametrize("lag_s", [0.0, -1.0, math.nan, math.inf])
def test_no_plate_lags_so(lag_s: float) -> None:
    with pytest.raises(ValueError, match="plate_lag_s"):
        BakeRequest(low_c=56.0, high_c=61.0, in_band_s=60.0, over_c=70.0, plate_lag_s=lag_s)
