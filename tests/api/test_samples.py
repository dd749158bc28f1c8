"""Samples made few: what must not be lost of them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.api.samples import extremes, few, gaps_of
from platelink.contract.runs import Samples, SamplesQuery
from platelink.runs import SampleBlock

T0_MS = 1_772_438_400_000


def few_of(samples: SampleBlock, points: int, **within: int) -> Samples:
    return few("r1", samples, {}, SamplesQuery(points=points, **within))


def block(values: list[float], at_ms: list[int] | None = None) -> SampleBlock:
    n = len(values)
    at = np.array(at_ms if at_ms is not None else range(0, 50 * n, 50), dtype=np.int64) + T0_MS
    return SampleBlock(
        ticks=np.arange(n, dtype=np.int64), at_utc_ms=at, raw={}, values={"x": np.array(values)}
    )


VALUES = st.lists(
    st.floats(-1e6, 1e6) | st.just(float("nan")) | st.just(12.0), min_size=0, max_size=600
)


@given(VALUES, st.integers(10, 100))
def test_ends_extremes_and_missing_values_are_kept(values: list[float], points: int) -> None:
    series = few_of(block(values), points).series["x"]
    drawn, times = series.values, series.at_utc_ms
    assert len(drawn) == len(times) <= 2 * points + 4
    assert times == sorted(set(times))
    at = {T0_MS + 50 * i: v for i, v in enumerate(values)}
    assert all(v is None or v == at[t] for t, v in zip(times, drawn, strict=True))
    assert all((v is None) == bool(np.isnan(at[t])) for t, v in zip(times, drawn, strict=True))
    if values:
        assert (times[0], times[-1]) == (min(at), max(at))
    there = [v for v in values if not np.isnan(v)]
    shown = [v for v in drawn if v is not None]
    if there:
        assert (min(shown), max(shown)) == (min(there), max(there))
    if len(there) < len(values):
        assert None in drawn


@given(st.integers(0, 4000), st.sampled_from([0.0, 30.0]))
def test_one_short_dip_is_never_lost(place: int, dip: float) -> None:
    values = np.full(4001, 12.0)
    values[place] = dip
    chosen = extremes(values, 100)
    assert place in chosen and len(chosen) <= 102


def test_a_long_stretch_without_values_stays_one() -> None:
    values = np.sin(np.arange(10_000) / 50.0)
    values[3000:6000] = np.nan
    series = few_of(block(values.tolist()), 200).series["x"]
    missing = [t for t, v in zip(series.at_utc_ms, series.values, strict=True) if v is None]
    assert missing[0] <= T0_MS + 50 * 3100 and missing[-1] >= T0_MS + 50 * 5900
    inside = [t for t in series.at_utc_ms if missing[0] <= t <= missing[-1]]
    assert inside == missing


def test_a_gap_is_told_and_drawn_as_one() -> None:
    at_ms = [*range(0, 5000, 50), *range(65_000, 70_000, 50)]
    drawn = few_of(block([float(i) for i in range(len(at_ms))], at_ms), 20)
    assert drawn.gaps == [[T0_MS + 4950, T0_MS + 65_000]]
    series = drawn.series["x"]
    at = series.values.index(None)
    assert series.values[at - 1] == 99.0 and series.values[at + 1] == 100.0
    assert T0_MS + 4950 < series.at_utc_ms[at] < T0_MS + 65_000
    assert series.at_utc_ms == sorted(series.at_utc_ms)


def test_a_part_of_a_run() -> None:
    samples = block([float(i) for i in range(100)])
    drawn = few_of(samples, 50, from_ms=T0_MS + 1000, until_ms=T0_MS + 2000)
    assert (drawn.samples, drawn.from_ms, drawn.until_ms) == (
        20, T0_MS + 1000, T0_MS + 1950,
    )  # fmt: skip
    assert drawn.series["x"].values == [float(i) for i in range(20, 40)]
    nothing = few_of(samples, 50, from_ms=T0_MS + 9_000_000)
    assert nothing.model_dump() == {
        "run_id": "r1", "samples": 0, "from_ms": None, "until_ms": None, "gaps": [],
        "removed_utc": None, "removed_days": None, "removed_seal_holds": None,
        "series": {"x": {"at_utc_ms": [], "values": [], "unit": ""}},
    }  # fmt: skip


@pytest.mark.parametrize("n", [0, 1, 2])
def test_few_samples_have_no_gaps(n: int) -> None:
    assert len(gaps_of(np.arange(n, dtype=np.int64) * 100_000)) == 0
