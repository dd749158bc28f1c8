"""Interval-censored estimates against published data and exact formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.finding.censored import told
from platelink.finding.curve import NoFitError

# Time until the breast looks worse, months (lower, upper; None: not by then), radiotherapy alone
# (1) and with chemotherapy (2): Klein and Moeschberger, Survival Analysis (1997), table 1.4; the
# data set KMsurv/bcdeter.
ALONE = """0-5 0-7 0-8 4-11 5-11 5-12 6-10 7-14 7-16 11-15 11-18 17-25 17-25 18-26 19-35 25-37 26-40
27-34 36-44 36-48 37-44 15- 17- 18- 22- 24- 24- 32- 33- 34- 36- 36- 37- 37- 37- 38- 40- 45- 46- 46-
46- 46- 46- 46- 46- 46-"""
WITH = """0-5 0-22 4-8 4-9 5-8 8-12 8-21 10-17 10-35 11-13 11-17 11-20 12-20 13-39 14-17 14-19 15-22
16-20 16-24 16-24 16-60 17-23 17-26 17-27 18-24 18-25 19-32 22-32 24-30 24-31 30-34 30-36 33-40
34-34 35-39 44-48 48-48 11- 11- 13- 13- 13- 21- 23- 31- 32- 34- 34- 35-"""


def intervals(text: str) -> tuple[np.ndarray, np.ndarray]:
    """Logarithms; a time known exactly is an interval of 0.02 months."""
    low, high = [], []
    for one in text.split():
        a, _, b = one.partition("-")
        same = 0.01 if a == b else 0.0
        low.append(math.log(float(a) - same) if float(a) else -math.inf)
        high.append(math.log(float(b) + same) if b else math.inf)
    return np.array(low), np.array(high)


@pytest.mark.parametrize(
    # The log-normal fitter of lifelines 0.30.3 (fit_interval_censoring) on the same data.
    ("text", "mu", "sigma"), [(ALONE, 3.749884, 1.308610), (WITH, 3.081960, 0.609407)],
)  # fmt: skip
def test_lognormal_times_of_bcdeter(text: str, mu: float, sigma: float) -> None:
    low, high = intervals(text)
    found = told(low, high, sd=1.0, sd_dof=0.0, between=(1.0, 6.0))
    assert found.value == pytest.approx(mu, abs=0.02)
    assert found.sd == pytest.approx(sigma, rel=0.02)
    assert found.low is not None and found.high is not None
    assert found.low < mu < found.high


@pytest.mark.parametrize("sd_dof", [0.0, 8.0])
def test_values_known_exactly_have_students_interval(sd_dof: float) -> None:
    """With a standard deviation known beforehand: that of the pooled variance."""
    from scipy import stats

    y = np.array([3.1, 2.4, 4.0, 3.3, 2.9, 3.6])
    found = told(y - 1e-6, y + 1e-6, sd=0.5, sd_dof=sd_dof, between=(0.0, 6.0))
    dof = len(y) - 1 + sd_dof
    pooled = (y.var() * len(y) + sd_dof * 0.25) / dof
    half = stats.t.ppf(0.975, dof) * math.sqrt(pooled / len(y))
    assert found.value == pytest.approx(y.mean(), abs=0.02 * half)
    assert found.low == pytest.approx(y.mean() - half, rel=0.01)
    assert found.high == pytest.approx(y.mean() + half, rel=0.01)


def test_a_slope_has_students_interval() -> None:
    from scipy import stats

    x = np.arange(9.0)
    y = 1.0 + 0.3 * x + np.array([0.2, -0.1, 0.05, -0.3, 0.15, 0.1, -0.2, 0.2, -0.1])
    found = told(y - 1e-6, y + 1e-6, x - x.mean(), sd=0.2, sd_dof=0.0, between=(-1.0, 2.0))
    line = stats.linregress(x, y)
    half = stats.t.ppf(0.975, 7) * line.stderr
    assert found.value == pytest.approx(line.slope, abs=0.002)
    assert found.low == pytest.approx(line.slope - half, abs=0.003)
    assert found.high == pytest.approx(line.slope + half, abs=0.003)


def test_values_with_one_limit_only_bound_one_side() -> None:
    low = np.array([1.0, 1.2, 0.9])
    found = told(low, np.full(3, math.inf), sd=0.2, sd_dof=8.0, between=(-1.0, 4.0))
    assert found.high is None and found.low is not None and found.low < 1.2
    assert not found.bounded


def test_what_cannot_be_is_refused() -> None:
    with pytest.raises(NoFitError, match="below its upper"):
        told(np.array([2.0]), np.array([1.0]), sd=0.2, sd_dof=8.0, between=(0.0, 3.0))
    with pytest.raises(NoFitError, match="tell nothing"):
        told(np.array([1.0]), np.array([2.0]), sd=0.2, sd_dof=0.0, between=(0.0, 3.0))
