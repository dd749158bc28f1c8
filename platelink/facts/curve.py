"""The curves of a step as few bytes: at most 600 points of each column, with every extreme. Pure.

Values are kept in 65,535 steps between the least and the greatest of the column, times to the
millisecond; so a point is off by at most 1/131,070 of the column's range.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt
from tsdownsample import MinMaxDownsampler

from platelink.runs import SampleBlock

POINTS = 600
DRAWN = ("irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa", "oven_c")
_FULL = 65_535.0
_LEVEL = 1
_EXTREMES: Any = MinMaxDownsampler
Curve = tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]]
"""Times in UTC milliseconds, and values."""


def drawn(samples: SampleBlock) -> tuple[str, ...]:
    """Columns to draw: of a run of light not the oven's."""
    light = "counting" in samples.values
    return tuple(n for n in DRAWN if n in samples.values and not (light and n == "oven_c"))


def pack(samples: SampleBlock) -> bytes | None:
    """The curves; None of a run without samples."""
    heads, parts = [], []
    for name in drawn(samples):
        good = np.isfinite(samples.values[name]).nonzero()[0]
        values, at_ms = samples.values[name][good], samples.at_utc_ms[good]
        if not len(good):
            continue
        if len(good) > POINTS:
            index = _EXTREMES().downsample(values, n_out=POINTS - 2).astype(np.int64)
            index = np.unique(np.concatenate([[0], index, [len(good) - 1]]))
            values, at_ms = values[index], at_ms[index]
        low, high = float(values.min()), float(values.max())
        scaled = np.rint((values - low) * (_FULL / (high - low) if high > low else 0.0))
        heads.append([name, len(values), low, high, int(at_ms[0])])
        parts += [_planes(scaled, "<u2"), _planes(at_ms - at_ms[0], "<u4")]
    if not heads:
        return None
    return zlib.compress(json.dumps(heads).encode() + b"\n" + b"".join(parts), _LEVEL)


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


def as_series(curves: Mapping[str, Curve]) -> dict[str, dict[str, list[float]]]:
    """As plain lists."""
    return {
        name: {"at_utc_ms": at_ms.tolist(), "values": values.tolist()}
        for name, (at_ms, values) in curves.items()
    }
