"""Variance components and inversion against published results."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.finding.curve import NoFitError, fitted, student_t
from platelink.finding.depth import inversion
from platelink.finding.mixed import mixed

# Yield of dyestuff of six batches (Davies and Goldsmith 1972; the data set lme4/Dyestuff).
DYESTUFF = (
    1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560,
    1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445,
)  # fmt: skip
# Thickness of oxide, 3 sites of 3 wafers of 8 lots (Pinheiro and Bates 2000; nlme/Oxide).
OXIDE = (
    2006, 1999, 2007, 1980, 1988, 1982, 2000, 1998, 2007, 1991, 1990, 1988, 1987, 1989, 1988, 1985,
    1983, 1989, 2000, 2004, 2004, 2001, 1996, 2004, 1999, 2000, 2002, 1997, 1994, 1996, 1996, 2000,
    2002, 1987, 1990, 1995, 2013, 2004, 2009, 2023, 2018, 2010, 2020, 2023, 2015, 2032, 2036, 2030,
    2018, 2022, 2026, 2009, 2010, 2011, 1984, 1993, 1993, 1992, 1992, 1990, 1996, 1993, 1987, 1996,
    1989, 1996, 1997, 1993, 1996, 1990, 1989, 1992,
)  # fmt: skip
# Weight of nasturtium against concentration (Racine-Poon 1988; the data set drc/nasturtium).
NASTURTIUM = {
    0.0: (920, 889, 866, 930, 992, 1017), 0.025: (919, 878, 882, 854, 851, 850),
    0.075: (870, 825, 953, 834, 810, 875), 0.25: (880, 834, 795, 837, 834, 810),
    0.75: (693, 690, 722, 738, 563, 591), 2.0: (429, 395, 435, 412, 273, 257),
    4.0: (200, 244, 209, 225, 128, 221),
}  # fmt: skip


def test_dyestuff() -> None:
    """Variances by REML 1764.05 and 2451.25 (lme4's own document); balanced, so also exact: the
    batch's is (mean square of batches - mean square within) / 5."""
    batches = [name for name in "ABCDEF" for _ in range(5)]
    found = mixed(np.array(DYESTUFF, float), np.ones((30, 1)), [batches])
    y = np.array(DYESTUFF, float).reshape(6, 5)
    within = y.var(axis=1, ddof=1).mean()
    between = 5.0 * y.mean(axis=1).var(ddof=1)
    assert found.sds[1] ** 2 == pytest.approx(2451.25, rel=1e-4)
    assert found.sds[0] ** 2 == pytest.approx((between - within) / 5.0, rel=1e-4)
    # A mean of six batches has the degrees of freedom of six batches, not of thirty yields.
    value, u, dof = found.predicted(np.ones(1))
    assert value == pytest.approx(1527.5)
    assert u == pytest.approx(math.sqrt(between / 30.0), rel=1e-4)
    assert dof == pytest.approx(5.0, rel=1e-3)
    # The effect of batch A in lme4's own document: -17.607.
    assert found.predicted(np.ones(1), {0: "A"})[0] - value == pytest.approx(-17.607, abs=0.01)


def test_oxide_is_site_in_wafer_in_lot() -> None:
    """Standard deviations 11.398, 5.989, 3.545 (Pinheiro and Bates 2000, 4.2)."""
    lots = [str(i // 9) for i in range(72)]
    wafers = [str(i // 3) for i in range(72)]
    found = mixed(np.array(OXIDE, float), np.ones((72, 1)), [lots, wafers])
    assert [round(sd, 3) for sd in found.sds] == [11.398, 5.989, 3.545]
    assert found.predicted(np.ones(1))[2] == pytest.approx(7.0, rel=1e-3)


def test_values_that_do_not_carry_the_line_are_refused() -> None:
    with pytest.raises(NoFitError, match="do not carry"):
        mixed(np.ones(5), np.column_stack([np.ones(5), np.ones(5)]), [])
    with pytest.raises(NoFitError, match="one group"):
        mixed(np.arange(5.0), np.ones((5, 1)), [["a"] * 5])


def test_nasturtium_inverse_estimate_by_inversion() -> None:
    """The concentration at which three plants weighed 309, 296 and 419: 2.263854, by inversion
    1.772244 to 2.969355 (Greenwell and Schubert Kabban, The R Journal 6 (2014) 90). The interval of
    Wald, 1.6889 to 2.8388, is symmetric, and so too low on both sides: the curve gets flatter."""

    def curve(x: np.ndarray, b: np.ndarray) -> np.ndarray:
        return b[0] / (1.0 + np.exp(b[1] + b[2] * np.log(np.maximum(x, 1e-12))))

    xs = [x for x, each in NASTURTIUM.items() for _ in each]
    ys = [float(y) for each in NASTURTIUM.values() for y in each]
    found = fitted(curve, xs, ys, (900.0, -0.5, 1.2))
    seen = np.array([309.0, 296.0, 419.0])
    theta = np.array(found.constants)

    def at(x: float) -> tuple[float, float, float]:
        """The curve, its standard uncertainty by the delta method, and its degrees of freedom."""
        slope = np.array([
            (curve(np.array([x]), theta + d)[0] - curve(np.array([x]), theta - d)[0])
            / (2.0 * d.sum()) for d in np.diag(1e-5 * np.abs(theta))
        ])  # fmt: skip
        value = float(curve(np.array([x]), theta)[0])
        return value, math.sqrt(float(slope @ found.covariance @ slope)), float(found.dof)

    mean = float(seen.mean())
    low, high = inversion(at, mean, (0.5, 3.9), u_y=found.sd / math.sqrt(3.0))
    assert low == pytest.approx(1.772244, abs=0.002)
    assert high == pytest.approx(2.969355, abs=0.002)
    estimate = math.exp((math.log(theta[0] / mean - 1.0) - theta[1]) / theta[2])
    assert estimate == pytest.approx(2.263854, abs=1e-4)
    _, u, dof = at(estimate)
    slope = (at(estimate + 1e-4)[0] - at(estimate - 1e-4)[0]) / 2e-4
    half = student_t(dof) * math.hypot(u, found.sd / math.sqrt(3.0)) / abs(slope)
    assert (estimate - half, estimate + half) == pytest.approx((1.688886, 2.838821), abs=0.003)
    assert high - estimate > 1.4 * (estimate - low)


# A thermostat's readings at set temperatures (Graybill and Iyer 1994, p. 431), its single-use
# calibration intervals as published there and checked by R's investr: a new reading of 104 (95 %)
# is of 103.995 (103.4 to 104.6), one of 100 (90 %) of 100.1 (99.63 to 100.59).
THERMOSTAT = (95.71, 98.16, 99.52, 102.09, 103.79, 106.18, 108.14, 110.21)


@pytest.mark.parametrize(
    ("reading", "share", "low", "high", "digits"),
    [(104.0, 0.95, 103.4, 104.6, 1), (100.0, 0.9, 99.63, 100.59, 2)],
)
def test_single_use_calibration_interval(
    reading: float, share: float, low: float, high: float, digits: int
) -> None:
    """The interval of NIST/SEMATECH e-Handbook 4.5.2.1: all x whose prediction interval holds the
    reading. By the one inversion that gives doses."""
    at = np.arange(96.0, 111.0, 2.0)
    x = np.stack([np.ones(8), at], axis=1)
    model = mixed(np.array(THERMOSTAT), x, [])
    found = inversion(
        lambda t: (*model.predicted(np.array([1.0, t]))[:2], 6.0), reading, (96.0, 110.0),
        share=share, u_y=model.sds[-1],
    )  # fmt: skip
    assert found[0] is not None and found[1] is not None
    assert (round(found[0], digits), round(found[1], digits)) == (low, high)
