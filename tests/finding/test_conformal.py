"""Intervals that hold as often as they say, whatever the model is wrong about."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from platelink.finding.conformal import LEAST, MOST, SHARE, Conformal, weighted_quantile

# (reading, half of the interval before it, share left out after it), by MAPIE 1.6.0: its
# TimeSeriesRegressor, method "aci", gamma 0.01, scores 2.5 |sin(1 + 0.7 i)|, i = 0 to 119, of a
# model that says 0.
MAPIE = (
    (0.3, 2.48880154, 0.0505), (2.45, 2.48880154, 0.051), (1.1, 2.48880154, 0.0515),
    (2.49, 2.48880154, 0.042), (0.2, 2.49242388, 0.0425), (2.499, 2.49242388, 0.033),
    (1.9, 2.4975537, 0.0335), (0.9, 2.49534154, 0.034), (2.493, 2.49534154, 0.0345),
    (2.7, 2.49534154, 0.025), (1.5, 2.4975537, 0.0255), (0.4, 2.4975537, 0.026),
)  # fmt: skip


def test_as_the_library_mapie() -> None:
    scores = tuple((2.5 * abs(float(np.sin(1.0 + 0.7 * i))), 1.0) for i in range(120))
    now = Conformal(scores=scores, step=0.01)
    for reading, half, left_out in MAPIE:
        assert now.quantile == pytest.approx(half, abs=1e-8)
        now = replace(now.updated(reading), scores=scores)
        assert now.left_out == pytest.approx(left_out, abs=1e-12)


def test_it_holds_its_share_while_the_model_gets_worse() -> None:
    """Readings scatter three times as widely as the model says, later five times."""
    rng, now, held = np.random.default_rng(4), Conformal(), []
    for i in range(1600):
        score = abs(rng.normal(0.0, 3.0 if i < 800 else 5.0))
        held.append(score <= now.quantile)
        now = now.updated(score)
    assert np.mean(held[200:800]) == pytest.approx(SHARE, abs=0.02)
    assert np.mean(held[1000:]) == pytest.approx(SHARE, abs=0.02)


def test_plates_measured_seldom_count_for_those_that_were_not() -> None:
    """One plate in ten is of a bad kind and always measured, the others one in eight: the share is
    that of all, not of those measured."""
    rng, now, held = np.random.default_rng(5), Conformal(), []
    for i in range(12_000):
        bad = rng.random() < 0.1
        score = abs(rng.normal(0.0, 3.0 if bad else 1.0))
        if i > 2000:
            held.append(score <= now.quantile)
        if bad:
            now = now.updated(score)
        elif rng.random() < 1.0 / 8.0:
            now = now.updated(score, 8.0)
    assert np.mean(held) == pytest.approx(SHARE, abs=0.012)


def test_the_share_left_out_stays_within_its_ends() -> None:
    worse = better = Conformal()
    for i in range(600):
        worse, better = worse.updated(10.0 + i), better.updated(0.0)
    assert worse.left_out == LEAST and better.left_out == MOST
    assert worse.quantile == 10.0 + 599


def test_quantile_of_weights() -> None:
    """With equal weights the ⌈(n + 1) share⌉-th of the values; a weight of 3 is three values."""
    values = np.array([5.0, 1.0, 4.0, 2.0, 3.0])
    ones = np.ones(5)
    assert weighted_quantile(values, ones, 0.5) == 3.0
    assert weighted_quantile(values, ones, 0.51) == 4.0
    assert weighted_quantile(values, ones, 0.99) == 5.0
    assert weighted_quantile(np.array([1.0, 2.0]), np.array([3.0, 1.0]), 0.5) == 1.0
