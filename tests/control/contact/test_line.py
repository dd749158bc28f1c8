"""The line through gauge values against a statistics library, and how often its interval holds."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from platelink.control.contact.line import SURE, fit

T = np.arange(60) * 0.05


def test_slope_and_its_error_are_those_of_least_squares() -> None:
    noise = np.random.default_rng(4).standard_normal(60)
    noise[1::2] -= noise[::2]  # neighbours that differ: no memory is believed
    values = 70.0 - 0.3 * T + 0.05 * noise
    line, known = fit(list(zip(T, values, strict=True))), stats.linregress(T, values)
    assert line is not None
    assert line.slope_kpa_per_s == pytest.approx(known.slope)
    assert line.unsure_kpa_per_s == pytest.approx(SURE * known.stderr)
    at_zero, unsure = line.at(0.0)
    assert at_zero == pytest.approx(known.intercept)
    assert unsure == pytest.approx(SURE * known.intercept_stderr)


@pytest.mark.parametrize("memory", [0.0, 0.5, 0.8])
def test_the_interval_holds_the_true_slope(memory: float) -> None:
    """Three standard errors: 99.7 % of white noise. Of AR(1) the correlation itself is estimated
    from 60 values, and somewhat too low."""
    rng, held = np.random.default_rng(5), 0
    for _ in range(1000):
        noise = np.zeros(60)
        for i in range(1, 60):
            noise[i] = memory * noise[i - 1] + rng.standard_normal()
        line = fit(list(zip(T, 70.0 - 0.3 * T + 0.1 * noise, strict=True)))
        assert line is not None
        held += abs(line.slope_kpa_per_s + 0.3) <= line.unsure_kpa_per_s
    assert held / 1000.0 > {0.0: 0.99, 0.5: 0.98, 0.8: 0.93}[memory]


def test_too_few_values_and_values_at_one_time_make_no_line() -> None:
    assert fit([(0.1 * i, 70.0) for i in range(7)]) is None
    assert fit([(1.0, 70.0)] * 20) is None
    still = fit([(0.1 * i, 70.0) for i in range(20)])
    assert still is not None and still.unsure_kpa_per_s == 0.0
    assert math.isclose(still.at(99.0)[0], 70.0)
