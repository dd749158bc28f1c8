"""The bank of CUSUMs against published tables, and its false calls by simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from platelink.control.contact.bank import Bank, cusum
from platelink.control.contact.noise import (
    KS,
    NoiseModel,
    Shown,
    Tail,
    interval,
    learn,
    prior,
    shown,
)

FRAME_S = 0.05

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (data and S_lo as printed there;
# target 325, k = 0.3175, h = 4.1959). S_hi is S_lo of the mirrored series.
NIST = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
NIST_HIGH = [
    0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04,
]  # fmt: skip

# Montgomery, Introduction to Statistical Quality Control, example 9.1 (mu0 = 10, k = 0.5, h = 5).
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
    11.31, 10.52,
]  # fmt: skip


def sums(falls: list[float], k: float) -> list[float]:
    found, total = [], 0.0
    for fall in falls:
        total = cusum(total, fall, k)
        found.append(total)
    return found


def first_above(totals: list[float], h: float) -> int:
    """Counted from 1."""
    return next(i for i, total in enumerate(totals, 1) if total > h)


def test_cusum_low_side_of_the_nist_table() -> None:
    found = sums([325.0 - x for x in NIST], 0.3175)
    assert found == pytest.approx(NIST_LOW, abs=0.0051)
    assert max(found) < 4.1959


def test_cusum_high_side_of_the_nist_table_signals_at_group_14() -> None:
    found = sums([x - 325.0 for x in NIST], 0.3175)
    assert found == pytest.approx(NIST_HIGH, abs=0.0051)
    assert first_above(found, 4.1959) == 14 and all(s > 4.1959 for s in found[13:])


def test_cusum_of_montgomery_signals_at_observation_29() -> None:
    assert first_above(sums([x - 10.0 for x in MONTGOMERY], 0.5), 5.0) == 29


def test_cusum_agrees_with_a_statistics_library() -> None:
    capstat_core = pytest.importorskip("capstat_core")
    chart = capstat_core.cusum_chart(NIST, target=325.0, sigma=0.635, k=0.5, h=4.1959 / 0.635)
    ours = [i for i, s in enumerate(sums([x - 325.0 for x in NIST], 0.3175)) if s > 4.1959]
    assert tuple(ours) == tuple(v if isinstance(v, int) else v.index for v in chart.violations)


# One-sided average run lengths of a CUSUM with k = 0.5 on normal values. Montgomery, Introduction
# to Statistical Quality Control, table 9.3, and Lucas and Crosier, Technometrics 24 (1982) 199,
# print half of them, two-sided (168, 465; from memory); here by the integral equation, 200 points.
RUN_LENGTHS = {4.0: 335.368, 5.0: 930.887}


def normal() -> Tail:
    return Tail(np.random.default_rng(1).standard_normal(2_000_000))


@pytest.mark.parametrize(("h", "run_length"), RUN_LENGTHS.items())
def test_run_lengths_in_control_are_the_published_ones(h: float, run_length: float) -> None:
    rng, lengths, alive = np.random.default_rng(2), [], np.zeros(4000)
    length = np.zeros(4000)
    for _ in range(12_000):
        alive = np.maximum(0.0, alive + rng.standard_normal(alive.size) - 0.5)
        length += 1.0
        over = alive > h
        lengths += list(length[over])
        alive, length = alive[~over], length[~over]
    lengths += list(length)
    assert np.mean(lengths) == pytest.approx(run_length, rel=0.05)


@pytest.mark.parametrize(("h", "run_length"), RUN_LENGTHS.items())
def testintervals_for_a_run_length_are_the_published_ones(h: float, run_length: float) -> None:
    exponent = normal().exponent(0.5, 1.0)
    assert exponent == pytest.approx(1.0, abs=0.02)  # 2 k of normal values
    assert interval(0.5, exponent, 1.0 / run_length) == pytest.approx(h, abs=0.1)


def test_an_exponent_counts_tails_and_slow_noise() -> None:
    rng = np.random.default_rng(3)
    heavy = Tail(np.clip(rng.standard_t(3, 500_000), -6.0, 6.0))
    assert heavy.exponent(2.0, 1.0) < 0.6 * normal().exponent(2.0, 1.0)
    assert normal().exponent(0.1, 4.0) == pytest.approx(2.0 * 0.1 / 4.0, rel=0.1)


# --- the noise of a unit --------------------------------------------------------------------


def ar(weights: list[float], sigma: float, n: int, rng: np.random.Generator) -> np.ndarray:
    out, past = np.zeros(n + 400), [0.0] * len(weights)
    for i, drawn in enumerate(sigma * rng.standard_normal(n + 400)):
        value = sum(w * x for w, x in zip(weights, past, strict=True)) + drawn
        past = [value, *past][: len(weights)]
        out[i] = value
    return out[400:]


def exposures(make: object, n: int = 24, values: int = 1800) -> list[Shown]:
    found = [shown(70.0 + i + make(values)) for i in range(n)]  # each at a level of its own
    assert all(one is not None for one in found)
    return found


def learned(make: object, per_min: float = 1e-5) -> NoiseModel:
    found = learn(exposures(make), FRAME_S, per_min)
    assert found is not None
    return found


@pytest.mark.parametrize("weights", [[], [0.8], [0.95], [1.6, -0.7]])
def test_level_and_correlation_are_those_of_the_noise(weights: list[float]) -> None:
    rng = np.random.default_rng(4)
    model = learned(lambda n: ar(weights, 0.1, n, rng))
    assert model.sigma_kpa == pytest.approx(0.1, rel=0.03)
    told = list(model.weights)[: len(weights)] + [0.0] * (len(weights) - len(model.weights))
    assert told == pytest.approx(weights, abs=0.06)
    assert sum(model.weights) == pytest.approx(sum(weights), abs=0.02)
    assert model.minutes == pytest.approx(36.0)


def test_noise_is_learned_from_many_exposures_and_never_from_one() -> None:
    rng = np.random.default_rng(5)
    make = lambda n: 0.1 * rng.standard_normal(n)  # noqa: E731
    assert learn(exposures(make, n=2, values=6000), FRAME_S, 1e-5) is None
    assert learn(exposures(make, n=4, values=1000), FRAME_S, 1e-5) is None  # 3.3 min
    assert learn(exposures(make, n=4, values=1600), FRAME_S, 1e-5) is not None
    assert shown(make(99)) is None


def test_exposures_in_which_something_was_wrong_teach_nothing() -> None:
    rng = np.random.default_rng(6)
    make = lambda n: 0.1 * rng.standard_normal(n)  # noqa: E731
    leaking = shown(70.0 - 3e-3 * np.arange(1800) + make(1800))
    loud = shown(70.0 + 0.6 * rng.standard_normal(1800))
    good = exposures(make, n=12)
    assert leaking is not None and loud is not None
    assert learn([*good, leaking, loud], FRAME_S, 1e-5) == learn(good, FRAME_S, 1e-5)


def test_odd_values_do_not_change_what_is_learned() -> None:
    rng = np.random.default_rng(7)

    def odd(n: int) -> np.ndarray:
        values = 0.1 * rng.standard_normal(n)
        values[rng.integers(0, n, 12)] -= 30.0
        return values

    model = learned(odd)
    assert model.sigma_kpa == pytest.approx(0.1, rel=0.03) and not model.weights


def test_rates_are_a_minute_whatever_theinterval_of_values() -> None:
    rng = np.random.default_rng(8)
    good = exposures(lambda n: 0.1 * rng.standard_normal(n), values=3600)
    often, seldom = learn(good, 0.05, 1e-5), learn(good, 0.2, 1e-5)
    rarer = learn(good, 0.05, 0.25e-5)
    assert often is not None and seldom is not None and rarer is not None
    for (k, h), (_, fewer), (_, rare) in zip(
        often.cusums, seldom.cusums, rarer.cusums, strict=True
    ):
        if h > 3.0:
            assert fewer == pytest.approx(h - math.log(4.0) / (2.0 * k), rel=0.06)
            assert rare == pytest.approx(h + math.log(4.0) / (2.0 * k), rel=0.06)


# --- the bank -------------------------------------------------------------------------------


def calls(model: NoiseModel, values: np.ndarray) -> int:
    """How often a fall or unsteadiness is called, each time anew."""
    found, bank = 0, Bank(model, list(map(float, values[:60])))
    for value in map(float, values[60:]):
        bank.add(value)
        if bank.signals or bank.unsteady:
            found, bank = found + 1, Bank(model, [bank.level_kpa] * 60)
    return found


@pytest.mark.parametrize("weights", [[], [0.95]])
def test_false_calls_come_as_often_as_is_stated(weights: list[float]) -> None:
    """At a stated rate of one in two minutes, for two hours; the bench has rare ones and more
    kinds of noise."""
    rng = np.random.default_rng(9)
    model = learned(lambda n: ar(weights, 0.1, n, rng), 0.5)
    found = calls(model, 70.0 + ar(weights, 0.1, 120 * 1200, rng))
    assert 0.4 * 60.0 < found < 2.0 * 60.0


@pytest.mark.parametrize("odd_kpa", [5.0, 70.0])
@pytest.mark.parametrize("model", ["prior", "learned"])
def test_two_odd_values_in_a_row_signal_nothing(model: str, odd_kpa: float) -> None:
    rng = np.random.default_rng(10)
    make = lambda n: 0.1 * rng.standard_normal(n)  # noqa: E731
    bank = Bank(prior(FRAME_S, 1e-5) if model == "prior" else learned(make), [70.0] * 60)
    for i, value in enumerate(70.0 + make(1200)):
        bank.add(float(value) - (odd_kpa if i % 100 in (50, 51) else 0.0))
        assert not (bank.signals or bank.unsteady)


@pytest.mark.parametrize(("kpa", "values"), [(16.0, 3), (2.0, 3), (1.0, 4), (0.5, 10)])
def test_a_step_is_called_within_some_values(kpa: float, values: int) -> None:
    rng = np.random.default_rng(11)
    model = learned(lambda n: 0.1 * rng.standard_normal(n))
    bank, noise = Bank(model, [70.0] * 60), 0.1 * rng.standard_normal(800)
    for value in noise[:600]:
        bank.add(70.0 + float(value))
    for value in noise[600 : 600 + values]:
        assert not bank.signals
        bank.add(70.0 - kpa + float(value))
        if bank.signals:
            break
    assert bank.signals and bank.falls_for <= values + 5


def test_a_fall_that_is_over_is_over() -> None:
    bank = Bank(prior(FRAME_S, 1e-5), [70.0] * 60)
    for i in range(600):
        bank.add(70.0 if i < 100 or i > 200 else 50.0)
        assert not bank.signals or 100 < i < 480
    assert bank.sums == [0.0] * len(bank.sums) and bank.falls_for == 0


def test_a_rise_is_no_unsteadiness() -> None:
    rng = np.random.default_rng(12)
    bank = Bank(learned(lambda n: 0.1 * rng.standard_normal(n)), [70.0] * 60)
    for i, value in enumerate(0.1 * rng.standard_normal(2000)):
        bank.add(70.0 + float(value) + (2.0 if i > 300 else 0.0))
        assert not (bank.signals or bank.unsteady)


def test_the_slowest_is_made_for_small_shifts() -> None:
    assert list(KS) == sorted(KS) and len(KS) == 6
