"""What a curve tells of a level, against the exact answer over all samples."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from facts.shop import brute_longest_s
from platelink.facts import ladder
from platelink.facts.between import least_and_most_s
from platelink.facts.curve import POINTS, off_by, pack, unpack
from platelink.facts.digest import plain, span_in
from platelink.facts.ladder import COLUMNS, Side, Span, courses, span_of
from platelink.runs import SampleBlock

SIDE = st.sampled_from(["below", "above"])
SHAPES = ("noise", "walk", "steps", "spikes", "slow wave")


def block_of(n: int, column: str, shape: str, odd: float, seed: int) -> SampleBlock:
    """Samples of a run; ``odd``: share of gaps, of values that are missing, of dark times."""
    draw = np.random.default_rng(seed)
    values = {
        "noise": lambda: draw.normal(55.0, 9.0, n),
        "walk": lambda: 55.0 + np.cumsum(draw.normal(0.0, 0.5, n)),
        "steps": lambda: np.repeat(draw.choice([40.0, 55.0, 57.5], n), 7)[:n],
        "spikes": lambda: 55.0 + 20.0 * draw.choice([0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 1, -1], n),
        "slow wave": lambda: 55.0 + 10.0 * np.sin(np.arange(n) / draw.uniform(5.0, 300.0)),
    }[shape]()
    apart = np.where(draw.random(n) < odd, draw.integers(1, 4000, n), 50)
    values[draw.random(n) < odd] = math.nan
    columns = {column: np.round(values, 2)}
    if column != "oven_c":
        columns["counting"] = (draw.random(n) >= odd).astype(float)
        columns["counting"][: n // 7] = 0.0
    at_ms = 1_772_000_000_000 + np.cumsum(apart)
    return SampleBlock(np.arange(n) + 1, at_ms, {}, columns)


def kept(block: SampleBlock, column: str) -> tuple[Span, tuple[float, float]] | None:
    course = courses(block).get(COLUMNS[column])
    return None if course is None else span_in(plain(span_of(COLUMNS[column], course)))


def by_curve(block: SampleBlock, column: str, side: Side, level: float) -> tuple[float, float]:
    span, curve = kept(block, column), unpack(pack(block))[column]
    return least_and_most_s(curve, span.of <= POINTS, span.unbroken, side, level)


BLOCKS = st.builds(
    block_of,
    st.one_of(st.integers(1, 40), st.integers(590, 610), st.integers(601, 3000)),
    st.sampled_from(sorted(COLUMNS)), st.sampled_from(SHAPES),
    st.sampled_from([0.0, 0.001, 0.005, 0.2]), st.integers(0, 1 << 30),
)  # fmt: skip


@settings(max_examples=600, deadline=None)
@given(BLOCKS, SIDE, st.floats(-0.05, 1.05), st.booleans())
@example(block_of(700, "oven_c", "walk", 0.0, 1), "below", 0.5, False)
def test_the_longest_stretch_lies_between_what_the_curve_tells(
    block: SampleBlock, side: Side, share: float, on_a_value: bool
) -> None:
    column = next(name for name in block.values if name != "counting")
    if kept(block, column) is None:
        return
    values = block.values[column]
    level = float(np.nanmin(values) + share * (np.nanmax(values) - np.nanmin(values)))
    if on_a_value:
        level = float(values[np.nanargmin(abs(values - level))])
    exact = brute_longest_s(block, column, side, level)
    least, most = by_curve(block, column, side, level)
    assert least - 1e-9 <= exact <= most + 1e-9
    span = kept(block, column)
    at_least, at_most = ladder.least_and_most_s(span, COLUMNS[column], side, level)
    assert at_least - 1e-9 <= exact <= at_most + 1e-9
    near = np.nanmin(abs(values - level)) <= 2.0 * off_by(values[np.isfinite(values)])
    if len(block) <= POINTS and span.unbroken and not near:
        assert least == most


def test_a_long_curve_tells_it_to_the_width_of_its_parts() -> None:
    """Of twelve thousand samples a part has forty, two seconds: an error of some parts."""
    t_s = np.arange(12_000) * 0.05
    values = 80.0 - 60.0 * ((t_s > 100.0) & (t_s <= 160.0))
    at_ms = 1_772_000_000_000 + np.arange(12_000) * 50
    columns = {"vacuum_kpa": values, "counting": np.ones(12_000)}
    block = SampleBlock(np.arange(12_000) + 1, at_ms, {}, columns)
    least, most = by_curve(block, "vacuum_kpa", "below", 47.0)
    assert least <= 60.0 <= most
    assert most - least < 8.0
    assert by_curve(block, "vacuum_kpa", "below", 15.0) == (0.0, 0.0)


@pytest.mark.parametrize("breaks", [ladder.UNBROKEN - 1, ladder.UNBROKEN])
def test_of_a_run_in_many_parts_nothing_is_told(breaks: int) -> None:
    n = 10 * (breaks + 1)
    apart = np.where(np.arange(n) % 10 == 0, 1000, 50)
    block = SampleBlock(
        np.arange(n) + 1, np.cumsum(apart), {}, {"oven_c": np.linspace(50.0, 60.0, n)}
    )
    known = by_curve(block, "oven_c", "below", 55.0) == (0.6, 0.6)
    assert known is (breaks < ladder.UNBROKEN)
    if not known:
        assert by_curve(block, "oven_c", "below", 55.0) == (0.0, math.inf)
