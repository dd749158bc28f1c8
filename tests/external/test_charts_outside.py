"""Charts and capability against published figures and simulated ones.

NIST/SEMATECH e-Handbook of Statistical Methods 6.3.2.2 (individuals chart of ten flow rates) and
6.1.6 (limits 8 to 20, mean 16, spread 2), copied from memory; constants as in any table of control
charts (Montgomery, Introduction to Statistical Quality Control, appendix); the run length of the
Western Electric rules from Champ and Woodall, Technometrics 29 (1987) 393, from memory.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.finding.capability import RANGE_DOF, cp, cpk
from platelink.finding.charts import _SHARES, D2, D4, Limits, _on_one_side, limits_of

FLOW = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]


def test_the_individuals_chart_of_the_handbook() -> None:
    found = limits_of(FLOW)
    assert found.mean == pytest.approx(50.81)
    assert found.range_mean == pytest.approx(1.8778, abs=5e-5)
    assert (found.low, found.high) == pytest.approx((45.8159, 55.8041), abs=5e-4)


def test_the_constants_are_those_of_a_range_of_two() -> None:
    # of normal values: mean 2/sqrt(pi), standard deviation sqrt(2 - 4/pi), in spreads
    mean, sd = 2.0 / math.sqrt(math.pi), math.sqrt(2.0 - 4.0 / math.pi)
    assert pytest.approx(mean, abs=5e-4) == D2
    assert pytest.approx(1.0 + 3.0 * sd / mean, abs=5e-4) == D4


def test_the_capability_of_the_handbook() -> None:
    assert cp(8.0, 20.0, 2.0, 49.0).value == pytest.approx(1.0)
    assert cpk(8.0, 20.0, 16.0, 2.0, n=50, dof=49.0).value == pytest.approx(0.6667, abs=5e-5)


@pytest.mark.parametrize("mean", [50.0, 50.7])
def test_intervals_hold_as_often_as_they_say(mean: float) -> None:
    rng = np.random.default_rng(7)
    plain, nearer, n = 0, 0, 40
    true_cp, true_cpk = 6.0 / 6.0, (53.0 - mean) / 3.0
    for _ in range(2000):
        values = rng.normal(mean, 1.0, n)
        sd = float(values.std(ddof=1))
        one = cp(47.0, 53.0, sd, n - 1.0)
        two = cpk(47.0, 53.0, float(values.mean()), sd, n=n, dof=n - 1.0)
        plain += one.low <= true_cp <= one.high
        nearer += two.low <= true_cpk <= two.high
    assert plain / 2000 == pytest.approx(0.95, abs=0.02)
    assert nearer / 2000 == pytest.approx(0.95, abs=0.03)


def test_a_spread_of_moving_ranges_is_worth_so_many_degrees_of_freedom() -> None:
    rng = np.random.default_rng(3)
    n = 60
    found = np.array([limits_of(rng.normal(0.0, 1.0, n).tolist()).sd for _ in range(4000)])
    # of chi: var(sd) / sd² = 1 / (2 dof), nearly
    dof = found.mean() ** 2 / (2.0 * found.var())
    assert dof / (n - 1) == pytest.approx(RANGE_DOF, abs=0.04)


def test_the_four_rules_call_as_often_as_is_known_of_them() -> None:
    """In 91.75 values on average where nothing changed (Champ and Woodall 1987)."""
    rng = np.random.default_rng(11)
    lengths = []
    for _ in range(1500):
        z: list[float] = []
        while True:
            z.append(float(rng.normal()))
            if any(len(z) >= r.of and _on_one_side(z[-r.of :], r) for r in _SHARES):
                break
        lengths.append(len(z))
    error = float(np.std(lengths)) / math.sqrt(len(lengths))
    assert float(np.mean(lengths)) == pytest.approx(91.75, abs=4.0 * error)


def test_no_spread_and_no_width_give_no_index() -> None:
    for low, high, sd in ((8.0, 8.0, 1.0), (8.0, 20.0, 0.0), (20.0, 8.0, 1.0)):
        with pytest.raises(ValueError, match="no index"):
            cp(low, high, sd, 10.0)
    assert Limits(1.0, 0.0, 0.0).low == 1.0
