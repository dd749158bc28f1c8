"""A run as plots of text for a terminal, in braille dots or plain ASCII. Pure.

Each column of dots shows the least and the greatest value of its stretch of time, so that a short
dip is never lost between columns. A stretch without values stays empty.
"""

from __future__ import annotations

import numpy as np

from platelink.record.light import Floats
from platelink.runs import SampleBlock

_LIGHT = ("irradiance_mw_cm2", "dose_mj_cm2", "vacuum_kpa")
_HEAT = ("oven_c",)
_LABEL_WIDTH = 10
_DOTS = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
"""Bits of a braille cell by column and row from the top (Unicode block U+2800)."""


def plotted(samples: SampleBlock) -> list[str]:
    """Columns to plot: those of light and contact, the oven's of a run that records no light."""
    names = _LIGHT if "irradiance_mw_cm2" in samples.values else (*_LIGHT, *_HEAT)
    return [name for name in names if name in samples.values]


def plot(
    t_s: Floats,
    values: Floats,
    *,
    title: str = "",
    width: int = 80,
    height: int = 8,
    ascii_only: bool = False,
) -> str:
    """One column against time in seconds; lines of at most ``width`` (from 30 on) characters."""
    columns = max(1, width - _LABEL_WIDTH - 2)
    good = np.isfinite(values)
    if not good.any():
        return f"{title}\n{'no values':>{_LABEL_WIDTH}}"
    low, high = float(values[good].min()), float(values[good].max())
    if ascii_only:
        title = title.replace("²", "2").replace("°", "").encode("ascii", "replace").decode()
        picture = _ascii(_raster(t_s, values, low, high, columns, height))
    else:
        picture = _braille(_raster(t_s, values, low, high, 2 * columns, 4 * height))
    labels = ["" for _ in picture]
    labels[0], labels[-1] = (_number(high) if high > low else ""), _number(low)
    bar = "|" if ascii_only else "│"
    lines = [
        f"{label:>{_LABEL_WIDTH}} {bar}{row}" for label, row in zip(labels, picture, strict=True)
    ]
    start, end = f"{float(t_s[0]):.1f} s", f"{float(t_s[-1]):.1f} s"
    foot = start + end.rjust(max(len(end) + 1, columns - len(start)))
    return "\n".join([title[:width], *(line.rstrip() for line in lines), " " * 12 + foot])


Raster = np.typing.NDArray[np.bool_]


def _raster(  # noqa: PLR0917 -- a picture and its four bounds
    t_s: Floats, values: Floats, low: float, high: float, columns: int, rows: int
) -> Raster:
    """Dots [rows from the top, columns]; each column filled from its least to its greatest."""
    dots = np.zeros((rows, columns), np.bool_)
    span_s = float(t_s[-1] - t_s[0]) or 1.0
    column = np.minimum(((t_s - t_s[0]) / span_s * columns).astype(np.int64), columns - 1)
    scale = (rows - 1) / (high - low) if high > low else 0.0
    good = np.isfinite(values)
    row = np.zeros(len(values), np.int64)
    row[good] = rows - 1 - np.rint((values[good] - low) * scale).astype(np.int64)
    top, bottom = np.full(columns, rows), np.full(columns, -1)
    np.minimum.at(top, column[good], row[good])
    np.maximum.at(bottom, column[good], row[good])
    for c in range(columns):
        dots[top[c] : bottom[c] + 1, c] = True
    return dots


def _braille(dots: Raster) -> list[str]:
    rows, columns = dots.shape
    cells = np.full((rows // 4, columns // 2), 0x2800, np.int64)
    for x, bits in enumerate(_DOTS):
        for y, bit in enumerate(bits):
            cells += bit * dots[y::4, x::2]
    return ["".join(map(chr, row)).replace("\u2800", " ") for row in cells.tolist()]


def _ascii(dots: Raster) -> list[str]:
    return ["".join("*" if dot else " " for dot in row) for row in dots.tolist()]


def _number(value: float) -> str:
    return f"{value:.4g}"
