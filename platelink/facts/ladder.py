"""How long a quantity stayed below or above a level: rungs for finding, and the exact answer. Pure.

A sample's value holds until the next one, at most three usual distances, so that nothing is said of
a gap. A stretch is what holds without a break on one side of the level; ``below`` and ``above`` are
strict. Both grow shorter or longer with the level only, so two rungs bound every level between.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
import numpy.typing as npt

from platelink.runs import SampleBlock

Side = Literal["below", "above"]
Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]
COLUMNS: Mapping[str, str] = MappingProxyType(
    {"vacuum_kpa": "vacuum", "irradiance_mw_cm2": "irradiance", "oven_c": "oven"}
)
"""Columns that can be asked for, and the quantity of each."""
RUNGS: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "vacuum": tuple(float(kpa) for kpa in range(5, 101, 5)),
        "irradiance": (0.5, 1.0, *(float(e) for e in range(2, 31, 2)), 40.0, 60.0, 100.0),
        "oven": tuple(float(c) for c in range(20, 131, 2)),
    }
)
COUNTING = "counting"
"""The column that says whether light is counted; a run of light has it."""
UNBROKEN = 20
"""Parts without a break that are told one by one."""
_HOLDS = 3
"""Usual distances of two samples that a value holds at most."""
HALF_MS_A_S = 2000.0


@dataclass(frozen=True, slots=True)
class Course:
    """Values that count, and how long each holds, in half milliseconds: exact, whatever is summed.
    ``begins`` where a break is before the value."""

    at_ms: npt.NDArray[np.int64]
    values: Floats
    holds: npt.NDArray[np.int64]
    begins: Bools
    of: int
    """Samples of the run, with those that do not count."""


@dataclass(frozen=True, slots=True)
class Span:
    """A quantity over one step: extremes, mean, the longest time without a break, the longest
    stretch at each rung between the extremes as (side, rung, seconds); then where it is without a
    break, as milliseconds of the begin and half milliseconds for how long, none where that is
    more than ``UNBROKEN`` times; and how many samples the run has."""

    low: float
    high: float
    mean: float
    longest_s: float
    rungs: tuple[tuple[Side, float, float], ...]
    unbroken: tuple[tuple[int, int], ...]
    of: int


def courses(samples: SampleBlock) -> dict[str, Course]:
    """Each quantity of a run: of light and contact while light is counted; of a run without light
    the oven's."""
    lit = samples.values.get(COUNTING)
    wanted = ("vacuum", "irradiance") if lit is not None else ("oven",)
    found: dict[str, Course] = {}
    holds, breaks = _holds(samples.at_utc_ms)
    lighted = None if lit is None else lit > 0.0
    alike: dict[bytes, tuple[npt.NDArray[np.intp], npt.NDArray[np.int64], Bools]] = {}
    for column, quantity in COLUMNS.items():
        if quantity not in wanted or column not in samples.values:
            continue
        values = samples.values[column]
        counts = np.isfinite(values)
        if lighted is not None:
            counts &= lighted
        key = counts.tobytes()
        if key not in alike:
            index = counts.nonzero()[0]
            begins = np.ones(len(index), np.bool_)
            begins[1:] = (index[1:] - index[:-1] > 1) | breaks[index[:-1]]
            alike[key] = index, holds[index], begins
        index, held, begins = alike[key]
        if len(index):
            at_ms = samples.at_utc_ms[index]
            found[quantity] = Course(at_ms, values[index], held, begins, len(counts))
    return found


def _holds(at_ms: npt.NDArray[np.int64]) -> tuple[npt.NDArray[np.int64], Bools]:
    """How long each sample holds, and whether a gap follows it."""
    apart = 2 * (at_ms[1:] - at_ms[:-1])
    usual = _median(apart) if len(apart) else 0
    holds, breaks = np.full(len(at_ms), usual), np.zeros(len(at_ms), np.bool_)
    holds[:-1] = np.minimum(apart, _HOLDS * usual)
    breaks[:-1] = apart > _HOLDS * usual
    return holds, breaks


def _median(numbers: npt.NDArray[np.int64]) -> int:
    """Of whole numbers, towards 0; ``np.median`` takes five times as long for a few hundred."""
    half = len(numbers) // 2
    low, high = (half, half) if len(numbers) % 2 else (half - 1, half)
    parted = np.partition(numbers, (low, high))
    return int((int(parted[low]) + int(parted[high])) / 2)


def longest_s(course: Course, side: Side, level: float) -> float:
    """The longest stretch strictly on one side of the level, in seconds; 0 where there is none."""
    on = course.values < level if side == "below" else course.values > level
    return float(_longest_s(course, on[None, :])[0])


def _longest_s(course: Course, on: Bools) -> Floats:
    """Of each row of ``on``. Of the time that has passed at each value, what had passed at the
    newest break or value that is not on is taken away."""
    passed = course.holds.cumsum()
    begun = np.where(course.begins, passed - course.holds, 0)
    before = np.where(on, begun, passed)
    np.maximum.accumulate(before, axis=1, out=before)
    longest = np.subtract(passed, before, out=before).max(axis=1)
    return np.asarray(longest / HALF_MS_A_S)


def span_of(quantity: str, course: Course) -> Span:
    """What is kept of a step's course."""
    values = course.values
    low, high = float(values.min()) + 0.0, float(values.max()) + 0.0  # never -0.0
    total = int(course.holds.sum())
    mean = float(values @ course.holds) / total if total else low
    ladder = RUNGS[quantity]
    below = ladder[bisect_right(ladder, low) : bisect_right(ladder, high)]
    above = ladder[bisect_left(ladder, low) : bisect_left(ladder, high)]
    on = np.empty((len(below) + len(above) + 1, len(values)), np.bool_)
    np.less(values, np.array(below)[:, None], out=on[: len(below)])
    np.greater(values, np.array(above)[:, None], out=on[len(below) : -1])
    on[-1] = True
    *each, whole = _longest_s(course, on).tolist()
    rungs: list[tuple[Side, float, float]] = []
    rungs += (("below", rung, s) for rung, s in zip(below, each, strict=False))
    rungs += (("above", rung, s) for rung, s in zip(above, each[len(below) :], strict=True))
    return Span(low, high, mean, whole, tuple(rungs), _unbroken(course), course.of)


def _unbroken(course: Course) -> tuple[tuple[int, int], ...]:
    begins = course.begins.nonzero()[0]
    if len(begins) > UNBROKEN:
        return ()
    lasts = np.add.reduceat(course.holds, begins).tolist()
    return tuple(zip(course.at_ms[begins].tolist(), lasts, strict=True))


def bounds(quantity: str, level: float) -> tuple[float | None, float | None]:
    """The rungs at or around a level; None beyond the ladder's ends."""
    ladder = RUNGS[quantity]
    under, over = bisect_right(ladder, level) - 1, bisect_left(ladder, level)
    return (ladder[under] if under >= 0 else None, ladder[over] if over < len(ladder) else None)


def least_and_most_s(span: Span, quantity: str, side: Side, level: float) -> tuple[float, float]:
    """Between what two times the longest stretch lies, from what is kept; the same twice where it
    is known."""
    if side == "below":
        all_of_it, none = span.high < level, span.low >= level
    else:
        all_of_it, none = span.low > level, span.high <= level
    if all_of_it or none:
        longest = span.longest_s if all_of_it else 0.0
        return longest, longest
    under, over = bounds(quantity, level)
    lower, upper = (under, over) if side == "below" else (over, under)
    return (
        0.0 if lower is None else _at_rung(span, side, lower),
        span.longest_s if upper is None else _at_rung(span, side, upper),
    )


def _at_rung(span: Span, side: Side, rung: float) -> float:
    whole = span.high < rung if side == "below" else span.low > rung
    if whole:
        return span.longest_s
    none = span.low >= rung if side == "below" else span.high <= rung
    return 0.0 if none else next(s for on, at, s in span.rungs if on == side and at == rung)
