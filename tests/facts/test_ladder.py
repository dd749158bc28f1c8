"""Longest stretches against a loop over all samples, and between the rungs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from facts.shop import brute_longest_s
from platelink.facts.curve import POINTS, pack, unpack
from platelink.facts.digest import plain, span_in
from platelink.facts.ladder import COLUMNS, RUNGS, courses, least_and_most_s, longest_s, span_of
from platelink.runs import SampleBlock

VALUES = st.one_of(
    st.sampled_from([math.nan, 50.0, 49.999, 50.001, 55.0, 0.0, -0.0]),
    st.floats(-5.0, 140.0, allow_nan=False),
)
STEPS_MS = st.one_of(st.just(50), st.integers(1, 80), st.integers(100, 4000))


@st.composite
def blocks(draw: st.DrawFn) -> tuple[str, SampleBlock]:
    column = draw(st.sampled_from(sorted(COLUMNS)))
    values = draw(st.lists(VALUES, min_size=1, max_size=60))
    n = len(values)
    apart = draw(st.lists(STEPS_MS, min_size=n, max_size=n))
    columns = {column: np.array(values)}
    if column != "oven_c":
        lit = draw(st.lists(st.sampled_from([0.0, 1.0, 1.0, 1.0]), min_size=n, max_size=n))
        columns["counting"] = np.array(lit)
    at_ms = np.cumsum(np.array(apart, np.int64))
    return column, SampleBlock(ticks=at_ms.copy(), at_utc_ms=at_ms, raw={}, values=columns)


SIDE = st.sampled_from(["below", "above"])
LEVEL = st.one_of(st.floats(-10.0, 150.0), st.sampled_from([50.0, 55.0, 4.0, 135.0, 0.0]))


@settings(max_examples=400, deadline=None)
@given(blocks(), SIDE, LEVEL)
def test_the_longest_stretch_is_what_a_loop_over_all_samples_finds(drawn, side, level) -> None:
    column, block = drawn
    wanted = brute_longest_s(block, column, side, level)
    course = courses(block).get(COLUMNS[column])
    found = longest_s(course, side, level) if course else 0.0
    assert found == pytest.approx(wanted, abs=1e-9)


@settings(max_examples=400, deadline=None)
@given(blocks(), SIDE, LEVEL)
def test_what_is_kept_bounds_every_level_and_tells_every_rung(drawn, side, level) -> None:
    column, block = drawn
    quantity = COLUMNS[column]
    course = courses(block).get(quantity)
    if course is None:
        return
    span = span_in(plain(span_of(quantity, course)))
    least, most = least_and_most_s(span, quantity, side, level)
    exact = longest_s(course, side, level)
    assert least - 1e-9 <= exact <= most + 1e-9
    for rung in RUNGS[quantity]:
        told = least_and_most_s(span, quantity, side, rung)
        assert told == (longest_s(course, side, rung),) * 2


def test_a_gap_and_a_missing_value_end_a_stretch() -> None:
    at_ms = np.array([0, 50, 100, 150, 1150, 1200, 1250], np.int64)
    values = np.array([40.0, 40.0, math.nan, 40.0, 40.0, 40.0, 40.0])
    block = SampleBlock(at_ms, at_ms, {}, {"vacuum_kpa": values, "counting": np.ones(7)})
    # 0.05 + 0.05 | missing | 0.15 of the gap | 0.05 · 3
    assert longest_s(courses(block)["vacuum"], "below", 50.0) == 0.15


@pytest.mark.parametrize("n", [1, 2, 599, 600, 5000])
def test_curves_keep_every_extreme_in_few_points(n: int) -> None:
    noise = np.random.default_rng(n)
    values = noise.normal(70.0, 5.0, n)
    values[n // 2] = 12.0
    if n > 10:
        values[7] = math.nan
    at_ms = 1_772_000_000_000 + np.cumsum(noise.integers(1, 90_000, n))
    block = SampleBlock(at_ms, at_ms, {}, {"vacuum_kpa": values, "counting": np.ones(n)})
    times, kept = unpack(pack(block))["vacuum_kpa"]
    assert len(kept) <= POINTS
    assert kept.min() == pytest.approx(np.nanmin(values), abs=1e-3)
    assert kept.max() == pytest.approx(np.nanmax(values), abs=1e-3)
    of = {int(t): v for t, v in zip(at_ms, values, strict=True)}
    wide = np.nanmax(values) - np.nanmin(values)
    assert all(abs(of[int(t)] - v) <= wide / 131_000 for t, v in zip(times, kept, strict=True))


def test_a_run_without_samples_has_no_curve() -> None:
    empty = np.empty(0, np.int64)
    assert pack(SampleBlock(empty, empty, {}, {})) is None
    assert unpack(None) == {}
