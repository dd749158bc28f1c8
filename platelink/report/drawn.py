"""Curves of a run as SVG: panes above each other over one time, with numbered marks. Pure.

Only digits stand in it: names and texts stand beside it, where any script can be set.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from tsdownsample import NaNMinMaxDownsampler

from platelink.report.sealed import Floats

WIDTH, PANE, GAP, LEFT, TOP, FOOT = 360, 52, 6, 40, 12, 12
_MOST_POINTS = 400
_DOWNSAMPLER = NaNMinMaxDownsampler()  # type: ignore[no-untyped-call]


@dataclass(frozen=True, slots=True)
class Pane:
    """One column against time, and between which values it was to be. ``least``: what the axis
    spans at least, from zero on, so that noise of nothing does not look like something."""

    values: Floats
    low: float | None = None
    high: float | None = None
    least: float = 0.0


def drawn(t_s: Floats, panes: Sequence[Pane], marks: Sequence[tuple[float, str]]) -> str:
    """``t_s`` seconds, increasing; ``marks`` are moments and their numbers."""
    height = TOP + len(panes) * (PANE + GAP) + FOOT
    span = (float(t_s[0]), max(float(t_s[-1]), float(t_s[0]) + 1.0))
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {height}" '
        f'width="{WIDTH}" height="{height}" font-family="Roboto, sans-serif" font-size="8">'
    ]
    for row, pane in enumerate(panes):
        parts.append(_pane(t_s, pane, span, TOP + row * (PANE + GAP)))
    bottom = TOP + len(panes) * (PANE + GAP) - GAP
    last = -99.0
    for t, number in marks:
        x = _x(min(max(t, span[0]), span[1]), span)
        parts.append(f'<path d="M{x:.1f} {TOP}V{bottom}" stroke="#555" stroke-dasharray="2 2"/>')
        if x - last >= 4.0 + 4.5 * len(number):  # numbers must not lie on each other
            parts.append(f'<text x="{x:.1f}" y="{TOP - 3}" text-anchor="middle">{number}</text>')
            last = x
    for t, anchor in ((span[0], "start"), (span[1], "end")):
        told = f"{t:.0f} s" if span[1] < 600 else f"{t / 60:.0f} min"
        parts.append(
            f'<text x="{_x(t, span):.1f}" y="{bottom + 10}" text-anchor="{anchor}">{told}</text>'
        )
    return "".join([*parts, "</svg>"])


def _x(t: float, span: tuple[float, float]) -> float:
    return LEFT + (WIDTH - LEFT - 4) * (t - span[0]) / (span[1] - span[0])


def _pane(t_s: Floats, pane: Pane, span: tuple[float, float], top: int) -> str:
    values = pane.values
    good = values[np.isfinite(values)]
    limits = [x for x in (pane.low, pane.high) if x is not None]
    limits += [0.0, pane.least] if pane.least else []
    low = min([*limits, float(good.min()) if len(good) else 0.0])
    high = max([*limits, float(good.max()) if len(good) else 1.0])
    high = high if high > low else low + 1.0
    frame = f'<rect x="{LEFT}" y="{top}" width="{WIDTH - LEFT - 4}" height="{PANE}" '
    parts = [frame + 'fill="none" stroke="#999" stroke-width="0.5"/>']

    def y(value: float) -> float:
        return top + PANE * (1.0 - (value - low) / (high - low))

    if pane.low is not None and pane.high is not None:
        parts.append(
            f'<rect x="{LEFT}" y="{y(pane.high):.1f}" width="{WIDTH - LEFT - 4}" '
            f'height="{y(pane.low) - y(pane.high):.1f}" fill="#e4e4e4"/>'
        )
    parts.append(f'<path d="{_path(t_s, values, span, y)}" fill="none" stroke="#000"/>')
    for value, at in ((high, top + 7), (low, top + PANE)):
        parts.append(f'<text x="{LEFT - 3}" y="{at}" text-anchor="end">{value:.3g}</text>')
    return "".join(parts)


def _path(
    t_s: Floats, values: Floats, span: tuple[float, float], y: Callable[[float], float]
) -> str:
    """A line through the least and the greatest value of each stretch; broken where none are."""
    if len(values) > _MOST_POINTS:
        kept = _DOWNSAMPLER.downsample(
            np.ascontiguousarray(t_s), np.ascontiguousarray(values), n_out=_MOST_POINTS
        )
        t_s, values = t_s[kept], values[kept]
    path, pen = [], "M"
    for t, value in zip(t_s.tolist(), values.tolist(), strict=True):
        if np.isfinite(value):
            path.append(f"{pen}{_x(t, span):.1f} {y(value):.1f}")
            pen = "L"
        else:
            pen = "M"
    return "".join(path)
