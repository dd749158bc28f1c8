"""A level between two rungs, as far as a curve of few points decides it. Pure.

Of a column with more samples than points a curve keeps the least and the greatest of each of 299
parts, and the first and the last. So a sample that was left out between two points is of the part
of one of them, and lies between the least and the greatest of these two and of one more on either
side. What is surely on one side of a level for the whole way between points is a least time, what
may be is a greatest one.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from platelink.facts.curve import Curve, off_by
from platelink.facts.ladder import HALF_MS_A_S, Bools, Floats, Side

Times = npt.NDArray[np.int64]
_EVER = 1 << 62


def least_and_most_s(
    curve: Curve, whole: bool, unbroken: Sequence[tuple[int, int]], side: Side, level: float
) -> tuple[float, float]:
    """Between what two times the longest stretch strictly on one side of the level lies.

    ``whole``: the curve has every sample. ``unbroken``: where the values are without a break, as a
    ``Span`` has it; where it has none, nothing is known."""
    at_ms, values = curve
    if not unbroken or not len(values):
        return 0.0, np.inf
    off = off_by(values)
    if side == "above":
        values, level = -values, -level
    begin = 2 * at_ms
    end = np.append(begin[1:], _EVER)
    low, high = (
        (values, values) if whole else (_around(values, np.minimum), _around(values, np.maximum))
    )
    sure, may = high + off < level, low - off < level
    never = values - off >= level
    least = _longest(begin, end, sure, np.zeros(len(sure), np.bool_), unbroken)
    most = _longest(begin, end, may, never, unbroken)
    return least / HALF_MS_A_S, most / HALF_MS_A_S


def _around(values: Floats, extreme: np.ufunc) -> Floats:
    """Of what may lie between each point and the next."""
    padded = np.pad(values, (1, 2), mode="edge")
    found: Floats = extreme.reduce([padded[i : i + len(values)] for i in range(4)])
    found[-1] = values[-1]  # after the last one there is nothing
    return found


def _longest(
    begin: Times, end: Times, on: Bools, parted: Bools, unbroken: Sequence[tuple[int, int]]
) -> int:
    """The longest way that is on, within one of the unbroken parts, in half milliseconds. Where
    ``parted``, a way ends and another begins."""
    joined = on[1:] & on[:-1] & ~parted[1:]
    first, last = on.copy(), on.copy()
    first[1:] &= ~joined
    last[:-1] &= ~joined
    begins, ends = begin[first], end[last]
    longest = 0
    for from_ms, half_ms in unbroken if len(begins) else ():
        within = np.minimum(ends, 2 * from_ms + half_ms) - np.maximum(begins, 2 * from_ms)
        longest = max(longest, int(within.max()))
    return longest
