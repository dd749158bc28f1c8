"""Fade, steps and forecast: against SciPy's robust fit, computed lines, and simulated years."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from scipy.optimize import least_squares

from platelink.finding.curve import NoFitError
from platelink.finding.fade import HUBER, Days, fade_of, steps_of
from platelink.finding.happened import text_of
from platelink.simulated.bench_lamps import bench_lamps, simulated_year


def days(level: np.ndarray, hours_a_day: float = 2.0) -> Days:
    n = len(level)
    return Days(
        np.arange(n, dtype=float), hours_a_day * np.arange(n), level.reshape(n, -1).astype(float)
    )


# --- the trend -----------------------------------------------------------------------------------


def test_output_of_seventy_percent_after_a_thousand_hours() -> None:
    """Computed, in the form of IES TM-21 (B exp(-alpha t)): alpha is 3.566749e-4 an hour."""
    hours = 20.0 * np.arange(50)
    level = np.log(12.0) - 3.566749e-4 * hours
    fade = fade_of(Days(np.arange(50.0), hours, level[:, None]), 0)
    assert fade.per_used == pytest.approx(math.log(0.7) / 1000.0, rel=1e-6)
    assert math.exp(fade.level) == pytest.approx(12.0 * math.exp(-3.566749e-4 * 980.0))


def test_the_robust_line_against_scipys_huber_loss() -> None:
    """The same M-estimate by another way: SciPy's least squares with the loss of Huber."""
    rng = np.random.default_rng(4)
    hours = 2.0 * np.arange(40.0)
    level = 2.4 - 4e-4 * hours + 0.004 * rng.standard_normal(40)
    level[[5, 17, 30]] += (0.2, -0.15, 0.1)  # days with a hand before the sensor
    fade = fade_of(Days(np.arange(40.0), hours, level[:, None]), 0)
    by_scipy = least_squares(
        lambda c: c[0] + c[1] * (hours - hours[-1]) - level, (2.4, 0.0), loss="huber",
        f_scale=HUBER * fade.sd, x_scale=(1.0, 1e-3), xtol=1e-14, ftol=1e-14, gtol=1e-14,
    )  # fmt: skip
    assert (fade.level, fade.per_used) == pytest.approx(tuple(by_scipy.x), rel=2e-5)
    assert fade.per_used == pytest.approx(-4e-4, abs=3.0 * fade.u_per_used)


def test_nothing_is_foretold_for_longer_than_was_observed() -> None:
    rng = np.random.default_rng(1)
    fade = fade_of(days(2.0 - 0.002 * np.arange(30) + 0.002 * rng.standard_normal(30)), 0)
    assert fade.within(29.0)[0] < fade.at(29.0)[0] < fade.within(29.0)[1]
    with pytest.raises(NoFitError, match="30 days on are not forecast: only 29 have been observed"):
        fade.at(30.0)
    assert fade.below(2.0 - 0.002 * 80) == (None, None, None)
    early, likely, late = fade.below(2.0 - 0.002 * 45)
    assert early is not None and likely is not None
    assert early < likely == pytest.approx(16.0, abs=2.0)
    assert late is None or late > likely


def test_an_interval_grows_with_the_days_and_with_what_is_not_known() -> None:
    rng = np.random.default_rng(2)
    fade = fade_of(days(2.0 - 0.001 * np.arange(60) + 0.004 * rng.standard_normal(60)), 0)
    widths = [high - low for low, high in map(fade.within, (1.0, 10.0, 40.0))]
    assert widths == sorted(widths) and widths[2] > 1.2 * widths[0]


@pytest.mark.parametrize(
    ("level", "why"),
    [
        (np.full(9, 2.0), "9 days with light since the last sudden change"),
        (np.array([2.0] * 19 + [math.nan]), "not a finite number"),
    ],
)
def test_too_little_makes_no_trend(level: np.ndarray, why: str) -> None:
    with pytest.raises(NoFitError, match=why):
        fade_of(days(level), 0)
    with pytest.raises(NoFitError, match="were not used"):
        fade_of(days(np.full(20, 2.0), hours_a_day=0.0), 0)


# --- steps ---------------------------------------------------------------------------------------


def lit(n: int = 60, channels: int = 4, seed: int = 3) -> np.ndarray:
    rng = np.random.default_rng(seed)
    shared = 0.004 * rng.standard_normal((n, 1))
    return 2.4 - 8e-4 * np.arange(n)[:, None] + shared + 0.003 * rng.standard_normal((n, channels))


TUBE_OUT = np.log(1.0 - np.array([0.28, 0.2, 0.12, 0.07]))


@pytest.mark.parametrize(
    ("change", "told"),
    [
        (TUBE_OUT, "a tube near it is out or failing"),
        (-TUBE_OUT, "a tube near it was replaced"),
        ((0.0, -0.08, 0.0, 0.0), "b alone changed .-[78].. %.: its sensor is dirty or has shifted"),
        ((0.0, 0.0, 0.07, 0.0), "c alone changed .*its sensor was cleaned or has shifted"),
        ((-0.06,) * 4, "fell alike .* dirt on the glass, or less supply voltage"),
        ((0.07,) * 4, "rose alike .* lamps or glass cleaned"),
        ((0.35,) * 4, "rose alike .* new lamps"),
    ],
)
def test_steps_are_told_apart_by_how_channels_change_together(change: tuple, told: str) -> None:
    level = lit()
    level[35:] += np.array(change)
    (step,) = steps_of(days(level))
    assert step.index == 35
    assert step.change == pytest.approx(tuple(change), abs=0.015)
    text = text_of(step.change, ("a", "b", "c", "d"), None)
    assert re.search(told, text), text


def test_with_one_channel_lamps_and_sensor_cannot_be_told_apart_and_it_says_so() -> None:
    level = lit(channels=1)
    level[35:] -= 0.08
    (step,) = steps_of(days(level))
    text = text_of(step.change, ("a",), None)
    assert "one channel cannot show which" in text and "hand meter" in text


def test_fading_alone_and_odd_days_are_no_steps() -> None:
    for seed in range(40):
        level = lit(n=120, seed=seed)
        level[[20, 70, 71]] -= 0.2
        assert steps_of(days(level)) == []


def test_a_step_of_the_last_days_is_seen_before_it_is_foretold_over() -> None:
    level = lit(n=50)
    level[-2:] += TUBE_OUT
    (step,) = steps_of(days(level))
    assert step.index == 48
    with pytest.raises(NoFitError, match="2 days with light since the last sudden change"):
        fade_of(days(level), step.index)


def test_what_a_person_entered_is_a_step_however_small() -> None:
    level = lit()
    level[30:] += 0.01
    assert steps_of(days(level)) == []
    (step,) = steps_of(days(level), [30])
    assert step.index == 30 and np.mean(step.change) == pytest.approx(0.01, abs=0.006)


# --- a year, looked back at -----------------------------------------------------------------------


def test_the_forecast_of_simulated_years_holds_as_often_as_it_says() -> None:
    """Ten years from every Monday of them: 90 % is stated, and it is sharper than plain ways."""
    found = bench_lamps(10)
    for horizon, scores in found.forecast.items():
        assert 84.0 <= scores.coverage_pct <= 97.5, horizon
        assert scores.n > 100
        assert scores.interval_score_pct < found.stays[horizon].interval_score_pct
        assert scores.interval_score_pct < found.line[horizon].interval_score_pct
    assert found.day_n > 30 and found.day_coverage_pct >= 84.0
    assert found.steps_found_pct >= 90.0 and found.steps_false_per_year <= 0.5


def test_a_simulated_year_can_contradict_the_forecast() -> None:
    """Tubes fail in it, dirt comes and goes, and no two years are alike."""
    years = [simulated_year(seed, 4) for seed in range(1, 9)]
    assert sum(len(year.steps) for year in years) > 8
    assert len({round(float(year.days.level[-1, 0]), 6) for year in years}) == 8
