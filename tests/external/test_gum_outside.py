"""Uncertainties against the GUM's worked examples, its first supplement, and another library."""

from __future__ import annotations

import itertools
import math
import random

import GTC
import numpy as np
import pytest
import scipy.stats

from platelink.sensing.gum import Combined, Input, Shape, combined, within

INF = math.inf


# --- GUM H.1, end-gauge calibration -------------------------------------------------------------
# SOURCE: JCGM 100:2008, H.1, table H.1 and H.1.6: l_s 50 000 623 nm, u 25 nm (18 dof); difference
# 215 nm, u 5.8 (24), 3.9 (5), 6.7 (8); d_alpha ±1e-6/°C (50 dof), d_theta ±0.05 °C (2 dof).

L_S = 50_000_623.0
END_GAUGE = (
    Input(25.0, dof=18.0),
    Input(5.8, dof=24.0),
    Input(3.9, dof=5.0),
    Input(6.7, dof=8.0),
    Input(1e-6, Shape.UNIFORM, -L_S * -0.1, 50.0),
    Input(0.05, Shape.UNIFORM, -L_S * 11.5e-6, 2.0),
    Input(2e-6, Shape.UNIFORM, 0.0),
    Input(0.2, Shape.NORMAL, 0.0),
    Input(0.5, Shape.ARCSINE, 0.0),
)


def test_the_end_gauge_of_the_gum() -> None:
    found = combined(END_GAUGE)
    assert found.u == pytest.approx(32.0, abs=0.5)  # printed: 32 nm
    # printed for H.1.6: nu_eff 16 (truncated), t99(16) = 2.92, U99 = 93 nm from 32 nm
    assert math.floor(found.dof) == 16
    assert within(2.92, math.floor(found.dof)) == pytest.approx(0.99, abs=5e-5)
    assert pytest.approx(93.0, abs=0.5) == 32.0 * 2.92
    parts = [abs(one.part) for one in END_GAUGE]
    assert parts[4] == pytest.approx(2.9, abs=0.05)  # printed: 2.9 nm
    assert parts[5] == pytest.approx(16.6, abs=0.05)  # printed: 16.6 nm


def test_the_end_gauge_against_another_library() -> None:
    # SOURCE: GTC, which has its own Welch–Satterthwaite
    standard = GTC.ureal(L_S, 25.0, 18)
    difference = sum(GTC.ureal(0.0, u, dof) for u, dof in ((5.8, 24), (3.9, 5), (6.7, 8))) + 215.0
    d_alpha = GTC.ureal(0.0, GTC.type_b.uniform(1e-6), 50)
    d_theta = GTC.ureal(0.0, GTC.type_b.uniform(0.05), 2)
    alpha, theta = GTC.ureal(11.5e-6, GTC.type_b.uniform(2e-6)), GTC.ureal(-0.1, 0.41)
    theirs = standard + difference - standard * (d_alpha * theta + alpha * d_theta)
    ours = combined(END_GAUGE)
    assert (ours.u, ours.dof) == (
        pytest.approx(theirs.u, rel=1e-7),
        pytest.approx(theirs.df, rel=1e-7),
    )


# --- GUM H.2, simultaneous resistance and reactance --------------------------------------------
# SOURCE: JCGM 100:2008, H.2, table H.2 (five sets of observations) and table H.3.

VOLTS = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
AMPERES = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) * 1e-3
RADIANS = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
SETS = np.array([VOLTS, AMPERES, RADIANS])


def _of_sets(sensitivities: tuple[float, float, float], *, correlated: bool = True) -> Combined:
    r = np.corrcoef(SETS)
    u = SETS.std(axis=1, ddof=1) / math.sqrt(5.0)
    inputs = [Input(float(a), Shape.NORMAL, c, 4.0) for a, c in zip(u, sensitivities, strict=True)]
    return combined(inputs, (lambda i, j: float(r[i, j])) if correlated else lambda i, j: 0.0)


def _impedance() -> dict[str, tuple[float, tuple[float, float, float]]]:
    """Value and sensitivities to V, I and phi of R, X and Z."""
    v, i, phi = (float(x) for x in SETS.mean(axis=1))
    r, x, z = v / i * math.cos(phi), v / i * math.sin(phi), v / i
    return {
        "R": (r, (r / v, -r / i, -x)), "X": (x, (x / v, -x / i, r)), "Z": (z, (z / v, -z / i, 0.0)),
    }  # fmt: skip


@pytest.mark.parametrize(
    ("name", "value", "u"), [("R", 127.732, 0.071), ("X", 219.847, 0.295), ("Z", 254.260, 0.236)]
)
def test_the_impedance_of_the_gum(name: str, value: float, u: float) -> None:
    found, sensitivities = _impedance()[name]
    of_sets = _of_sets(sensitivities)
    assert found == pytest.approx(value, abs=1e-3)
    assert of_sets.u == pytest.approx(u, abs=1e-3)
    assert of_sets.dof == pytest.approx(4.0)  # five simultaneous sets, however many quantities


def test_without_its_correlations_it_would_be_wrong() -> None:
    # SOURCE: JCGM 100:2008, H.2.4, table H.4: 0.195 for R, 0.201 for X and 0.204 for Z (from
    # memory: it prints what neglected correlations give)
    for name, u in (("R", 0.195), ("X", 0.201), ("Z", 0.204)):
        assert _of_sets(_impedance()[name][1], correlated=False).u == pytest.approx(u, abs=1.5e-3)


def test_the_impedance_against_another_library() -> None:
    v, i, phi = GTC.type_a.multi_estimate_real(SETS.tolist())
    theirs = {"R": v / i * GTC.cos(phi), "X": v / i * GTC.sin(phi), "Z": v / i}
    for name, (value, sensitivities) in _impedance().items():
        ours = _of_sets(sensitivities)
        assert value == pytest.approx(theirs[name].x, rel=1e-12)
        assert ours.u == pytest.approx(theirs[name].u, rel=1e-9)
        assert ours.dof == pytest.approx(theirs[name].df, rel=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_any_budget_against_another_library(seed: int) -> None:
    rng = random.Random(seed)
    n = rng.randint(1, 8)
    inputs = [
        Input(rng.uniform(0.1, 3.0), Shape.NORMAL, rng.uniform(-2.0, 2.0), rng.choice([INF, 5, 50]))
        for _ in range(n)
    ]
    theirs = sum(one.sensitivity * GTC.ureal(1.0, one.value, one.dof) for one in inputs)
    ours = combined(inputs)
    assert ours.u == pytest.approx(theirs.u, rel=1e-12)
    assert ours.dof == pytest.approx(theirs.df, rel=1e-9)


# --- what correlation 1 means -------------------------------------------------------------------


def test_one_meter_errs_once_over_four_channels() -> None:
    channels = [Input(4.0, Shape.NORMAL, 0.25, 30.0) for _ in range(4)]
    one_meter = combined(channels, lambda i, j: 1.0)
    assert (one_meter.u, one_meter.dof) == (pytest.approx(4.0), pytest.approx(30.0))
    four_meters = combined(channels)
    assert (four_meters.u, four_meters.dof) == (pytest.approx(2.0), pytest.approx(120.0))


def test_what_cannot_be_is_refused() -> None:
    three = [Input(1.0)] * 3
    with pytest.raises(ValueError, match="cannot all be"):
        combined(three, lambda i, j: -1.0)
    with pytest.raises(ValueError, match="from -1 to 1"):
        combined(three, lambda i, j: 1.5)
    assert combined([]).u == 0.0


# --- Student's distribution ---------------------------------------------------------------------


@pytest.mark.parametrize("dof", [1.0, 2.0, 3.7, 8.0, 16.0, 50.0, 1000.0, INF])
def test_students_distribution_against_scipy(dof: float) -> None:
    law = scipy.stats.norm if math.isinf(dof) else scipy.stats.t(dof)
    for k in (0.5, 2.0, 4.3):
        assert within(k, dof) == pytest.approx(law.cdf(k) - law.cdf(-k), abs=1e-10)


# --- the first supplement: propagation of distributions ----------------------------------------

N = 400_000


def _drawn(one: Input, rng: np.random.Generator) -> np.ndarray:
    """Errors of an input, by its distribution (Supplement 1, 6.4)."""
    match one.shape:
        case Shape.NORMAL if math.isinf(one.dof):
            return one.value * rng.standard_normal(N)
        case Shape.NORMAL:
            return one.value * rng.standard_t(one.dof, N)
        case Shape.UNIFORM:
            return rng.uniform(-one.value, one.value, N)
        case Shape.TRIANGULAR:
            return rng.triangular(-one.value, 0.0, one.value, N)
    return one.value * np.sin(rng.uniform(0.0, 2.0 * math.pi, N))


@pytest.mark.parametrize("shape", Shape)
def test_divisors_against_drawn_values(shape: Shape) -> None:
    one = Input(3.0, shape)
    drawn = _drawn(one, np.random.default_rng(1))
    assert drawn.std() == pytest.approx(one.standard, rel=5e-3)


@pytest.mark.parametrize(
    ("shape", "end"),
    [(Shape.NORMAL, 3.92), (Shape.UNIFORM, 3.88)],  # SOURCE: JCGM 101:2008, 9.2.2 and 9.2.3
)
def test_the_additive_model_of_the_supplement(shape: Shape, end: float) -> None:
    value = 1.0 if shape is Shape.NORMAL else math.sqrt(3.0)
    inputs = [Input(value, shape) for _ in range(4)]
    rng = np.random.default_rng(2)
    y = sum((_drawn(one, rng) for one in inputs), np.zeros(N))
    assert combined(inputs).u == pytest.approx(2.0)
    assert y.std() == pytest.approx(2.0, rel=5e-3)
    low, high = np.quantile(y, [0.025, 0.975])
    assert (low, high) == (pytest.approx(-end, abs=0.03), pytest.approx(end, abs=0.03))


def test_the_mass_calibration_of_the_supplement() -> None:
    # SOURCE: JCGM 101:2008, 9.3 (values from memory): the first-order law gives u = 0.0539 mg, the
    # Monte Carlo method 0.0754 mg, 95 % within 1.0834 to 1.3825 mg: its limit, which
    # docs/uncertainty.md names
    rng = np.random.default_rng(3)
    reference = 100_000.0 + 0.050 * rng.standard_normal(N)
    off = 1.234 + 0.020 * rng.standard_normal(N)
    air = rng.uniform(1.10, 1.30, N)
    weight, known = rng.uniform(7000.0, 9000.0, N), rng.uniform(7950.0, 8050.0, N)
    y = (reference + off) * (1.0 + (air - 1.2) * (1.0 / weight - 1.0 / known)) - 100_000.0
    assert (y.mean(), y.std()) == (pytest.approx(1.234, abs=2e-3), pytest.approx(0.0754, abs=3e-4))
    low, high = np.quantile(y, [0.025, 0.975])
    assert (low, high) == (pytest.approx(1.0834, abs=2e-3), pytest.approx(1.3825, abs=2e-3))
    first_order = combined([Input(0.050), Input(0.020), Input(0.1, Shape.UNIFORM, 0.0)])
    assert first_order.u == pytest.approx(0.0539, abs=1e-4)


def test_students_inputs_cover_as_welch_and_satterthwaite_say() -> None:
    # SOURCE: JCGM 100:2008, G.4.1, against drawn values: two means of 5 and 9 observations
    rng = np.random.default_rng(4)
    n = 40_000
    first, second = rng.standard_normal((n, 5)), rng.standard_normal((n, 9))
    hit = 0
    for i, j in zip(first, second, strict=True):
        inputs = [Input(x.std(ddof=1) / math.sqrt(len(x)), dof=len(x) - 1.0) for x in (i, j)]
        u = combined(inputs)
        hit += abs(i.mean() + j.mean()) <= 2.0 * u.u
    told = [within(2.0, dof) for dof in (4.0, 12.0)]
    assert told[0] < hit / n < told[1]


def test_order_does_not_matter() -> None:
    inputs = [Input(1.0, dof=4.0), Input(2.0, dof=9.0), Input(0.5), Input(1.5, dof=30.0)]
    pairs = {frozenset((0, 2)): 0.5, frozenset((1, 3)): -0.3}
    found = set()
    for order in itertools.permutations(range(4)):

        def r(i: int, j: int, order: tuple[int, ...] = order) -> float:
            return pairs.get(frozenset((order[i], order[j])), 0.0)

        one = combined([inputs[i] for i in order], r)
        found.add((round(one.u, 12), round(one.dof, 9)))
    assert len(found) == 1
