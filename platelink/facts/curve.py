"""The curves of a step as few bytes: at most 600 points of each column, with every extreme. Pure.

Values are kept in 65,535 steps between the least and the greatest of the column, times to the
millisecond; so a point is off by at most 1/131,070 of the column's range.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Collection, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler

from platelink.facts.ladder import COUNTING
from platelink.runs import SampleBlock

POINTS = 600
DRAWN = ("irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa", "oven_c")
_FULL = 65_535.0
_LEVEL = 1
_MIN_MAX: Any = MinMaxDownsampler
Curve = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]
"""Times in UTC milliseconds, and values."""


def drawn(names: Collection[str]) -> tuple[str, ...]:
    """Columns to draw, of those that a run has: of a run of light not the oven's."""
    light = COUNTING in names
    return tuple(n for n in DRAWN if n in names and not (light and n == "oven_c"))


def pack(samples: SampleBlock) -> bytes | None:
    """The curves; None of a run without samples."""
    heads, parts = [], []
    all_ms: tuple[int, bytes] | None = None
    for name in drawn(samples.values):
        values, at_ms = samples.values[name], samples.at_utc_ms
        good = np.isfinite(values)
        all_of_it = bool(good.all())
        if not all_of_it:
            values, at_ms = values[good], at_ms[good]
        if not len(values):
            continue
        if len(values) > POINTS:
            index = _extremes(values)
            values, at_ms = values[index], at_ms[index]
            all_of_it = False
        low, high = float(values.min()), float(values.max())
        scaled = np.rint((values - low) * (_FULL / (high - low) if high > low else 0.0))
        if not all_of_it:
            times = _times(at_ms)
        else:  # the same of each column
            all_ms = times = all_ms or _times(at_ms)
        heads.append([name, len(values), low, high, times[0]])
        parts += [_planes(scaled, "<u2"), times[1]]
    if not heads:
        return None
    return zlib.compress(json.dumps(heads).encode() + b"\n" + b"".join(parts), _LEVEL)


def _extremes(values: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Where the first, the last, and the least and greatest of each of 299 parts are, in order."""
    index = np.empty(POINTS, np.int64)
    index[0], index[-1] = 0, len(values) - 1
    index[1:-1] = _MIN_MAX().downsample(values, n_out=POINTS - 2)
    once = np.empty(POINTS, np.bool_)
    once[0] = True
    np.not_equal(index[1:], index[:-1], out=once[1:])
    return index[once]


def _times(at_ms: npt.NDArray[np.int64]) -> tuple[int, bytes]:
    return int(at_ms[0]), _planes(at_ms - at_ms[0], "<u4")


def unpack(packed: bytes | None) -> dict[str, Curve]:
    """The curves by column."""
    if packed is None:
        return {}
    head, _, body = zlib.decompress(packed).partition(b"\n")
    found: dict[str, Curve] = {}
    at = 0
    for name, n, low, high, first_ms in json.loads(head):
        scaled, after_ms = _whole(body, at, n, "<u2"), _whole(body, at + 2 * n, n, "<u4")
        found[name] = (
            first_ms + after_ms.astype(np.int64), low + scaled * ((high - low) / _FULL)
        )  # fmt: skip
        at += 6 * n
    return found


def _planes(numbers: npt.NDArray[Any], kind: str) -> bytes:
    """Differences modulo the kind's size, the low bytes of all first: the high ones are few."""
    whole = numbers.astype(kind)
    whole[1:] -= whole[:-1].copy()
    return whole.view(np.uint8).reshape(len(whole), -1).T.tobytes()


def _whole(body: bytes, at: int, n: int, kind: str) -> npt.NDArray[Any]:
    size = np.dtype(kind).itemsize
    planes = np.frombuffer(body, np.uint8, n * size, at).reshape(size, n).T
    return np.add.accumulate(np.ascontiguousarray(planes).view(kind)[:, 0], dtype=kind)


def off_by(values: npt.NDArray[np.float64]) -> float:
    """By how much a curve's values can be off: half a step, and what sums of floats lose."""
    low, high = float(values.min()), float(values.max())
    return 0.5001 * (high - low) / _FULL + 1e-12 * max(abs(low), abs(high)) + 1e-9


def as_series(curves: Mapping[str, Curve]) -> dict[str, dict[str, list[float]]]:
    """As plain lists."""
    return {
        name: {"at_utc_ms": at_ms.tolist(), "values": values.tolist()}
        for name, (at_ms, values) in curves.items()
    }
