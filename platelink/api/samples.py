"""Samples of a run made few enough to draw, with every extreme and every gap kept. Pure.

Lines of a chart have no more columns than a screen: each column gets the least and the greatest
value of its stretch of time, and a stretch with a missing value keeps one that says so.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler, NaNMinMaxDownsampler

from platelink.contract.runs import Samples, SamplesQuery, Series
from platelink.runs import SampleBlock

GAP = 3.0
"""Times the usual distance of two samples: farther apart is a gap."""
Index = npt.NDArray[np.int64]
_EXTREMES: Any = MinMaxDownsampler
_WITH_MISSING: Any = NaNMinMaxDownsampler


def few(run: str, samples: SampleBlock, units: Mapping[str, str], query: SamplesQuery) -> Samples:
    """Each column as times and values, some ``points`` of it at most; a gap is a null between."""
    at_ms = samples.at_utc_ms
    inside = np.ones(len(at_ms), dtype=bool)
    if query.from_ms is not None:
        inside &= at_ms >= query.from_ms
    if query.until_ms is not None:
        inside &= at_ms < query.until_ms
    at_ms = at_ms[inside]
    gaps = gaps_of(at_ms)
    return Samples(
        run_id=run,
        samples=len(at_ms),
        from_ms=int(at_ms[0]) if len(at_ms) else None,
        until_ms=int(at_ms[-1]) if len(at_ms) else None,
        gaps=[[int(at_ms[i]), int(at_ms[i + 1])] for i in gaps],
        series={
            name: _series(at_ms, column[inside], gaps, query.points, units.get(name, ""))
            for name, column in samples.values.items()
        },
    )


def gaps_of(at_ms: npt.NDArray[np.int64]) -> Index:
    """Indices of the samples that a gap follows."""
    if len(at_ms) < 3:
        return np.array([], dtype=np.int64)
    apart = np.diff(at_ms)
    return np.flatnonzero(apart > GAP * np.median(apart))


def extremes(values: npt.NDArray[np.float64], points: int) -> Index:
    """Indices of the values to draw: both ends, the extremes of each stretch, and missing ones."""
    n = len(values)
    if n <= points:
        return np.arange(n, dtype=np.int64)
    out = max(2, points // 2 * 2)
    good = np.flatnonzero(np.isfinite(values))
    chosen = [np.array([0, n - 1], dtype=np.int64)]
    if len(good) < n:
        with_missing = _WITH_MISSING().downsample(values, n_out=out)
        chosen.append(with_missing.astype(np.int64))
    if len(good) > out:
        chosen_of = _EXTREMES().downsample(values[good], n_out=out)
        good = good[chosen_of.astype(np.int64)]
    chosen.append(good)
    return np.unique(np.concatenate(chosen))


def _series(
    at_ms: npt.NDArray[np.int64], values: npt.NDArray[np.float64], gaps: Index, points: int,
    unit: str,
) -> Series:  # fmt: skip
    ends = np.concatenate([gaps, gaps + 1])
    index = np.union1d(extremes(values, points), ends).astype(np.int64)
    times = [int(t) for t in at_ms[index]]
    numbers = [float(v) if np.isfinite(v) else None for v in values[index]]
    for i in reversed(gaps.tolist()):
        place = int(np.searchsorted(index, i)) + 1
        times.insert(place, (int(at_ms[i]) + int(at_ms[i + 1])) // 2)
        numbers.insert(place, None)
    return Series(at_utc_ms=times, values=numbers, unit=unit)
