"""How long a plate lags behind the air of the oven, from a probe in a plate. Pure.

A plate is put in cold, with a probe in it; its temperature is read as it comes up. The lag is the
constant of the first-order answer (``followed_c``) to the air as the oven's own sensor told it,
fitted together with the plate's temperature at the start and what the two sensors differ by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from platelink.control.steps.lagging import followed_c
from platelink.finding.curve import F64, NoFitError, fitted

LEAST_READINGS = 8
LEAST_COLDER_C = 10.0
"""The plate must begin so much colder than the air becomes: else there is little to follow."""
LEAST_LAGS = 2.0
"""The trial must go on for so many lags: before, lag and end cannot be told apart."""
MOST_SCATTER = 0.04
"""Of the rise: readings that are farther from the curve are not of one lag."""
MOST_UNSURE = 0.25
"""Half of the interval, of the lag."""
MOST_APART_S = 15.0
"""Between two readings of the air: farther apart, what it did is not known."""
MOST_OFFSET_C = 5.0
"""Sensors of oven and probe that differ by more do not measure the same oven."""
LAGS_S = 5.0, 1800.0
"""Shortest and longest that can be told."""
_FIRST_LAG_S = 80.0


@dataclass(frozen=True, slots=True)
class Lag:
    """What a probe trial found."""

    lag_s: float
    low_s: float
    high_s: float
    """Its 95 % interval."""
    start_c: float
    """The plate at the first reading of the probe."""
    offset_c: float
    """The probe tells so much more than the oven's sensor, at rest."""
    sd_c: float
    """Of the readings about the curve."""
    readings: int


def lag_of(
    air_s: Sequence[float], air_c: Sequence[float], probe_s: Sequence[float],
    probe_c: Sequence[float],
) -> Lag:  # fmt: skip
    """The lag, from the air and the probe on one clock (s, °C), the plate put in at the first
    reading of the probe. NoFitError says why the readings cannot tell it, and what would."""
    ts, air, at, told = (np.asarray(v, float) for v in (air_s, air_c, probe_s, probe_c))
    _must_be_there(ts, air, at, told)
    ts, air = ts[(ts >= at[0] - MOST_APART_S)], air[(ts >= at[0] - MOST_APART_S)]
    grid = np.union1d(at, ts[(ts > at[0]) & (ts < at[-1])])
    on_grid = np.interp(grid, ts, air)
    rise = float(np.median(on_grid[len(grid) // 2 :])) - float(told[0])
    if rise < LEAST_COLDER_C:
        raise NoFitError(
            f"the plate began {rise:.1f} °C below the air (at least {LEAST_COLDER_C:.0f}): begin "
            "with a plate as cold as the room in a warm oven"
        )

    def plate(x: F64, constants: F64) -> F64:
        lag_s, start_c, offset_c = constants
        if not LAGS_S[0] / 5.0 < lag_s < 5.0 * LAGS_S[1]:
            return np.full_like(x, np.nan)
        followed = np.empty_like(grid)
        followed[0] = now_c = start_c - offset_c
        for i in range(1, len(grid)):
            seconds = grid[i] - grid[i - 1]
            now_c = followed_c(now_c, on_grid[i - 1], on_grid[i], seconds, lag_s)
            followed[i] = now_c
        at_x: F64 = np.interp(x, grid, followed) + offset_c
        return at_x

    curve = fitted(plate, at, told, (_FIRST_LAG_S, float(told[0]), 0.0))
    lag_s, start_c, offset_c = curve.constants
    off = plate(at, np.array(curve.constants)) - told
    low_s, high_s = curve.interval(0, inflated=_inflated(off))
    if curve.sd > MOST_SCATTER * rise:
        raise NoFitError(
            f"the readings are {curve.sd:.1f} °C off any single lag's curve (limit "
            f"{MOST_SCATTER * rise:.1f}): fix the probe in the plate and repeat the trial"
        )
    if at[-1] - at[0] < LEAST_LAGS * lag_s:
        raise NoFitError(
            f"the trial took {at[-1] - at[0]:.0f} s, and the plate lags by about {lag_s:.0f} "
            f"s: continue for {LEAST_LAGS * lag_s:.0f} s, until it is warm"
        )
    if not LAGS_S[0] <= lag_s <= LAGS_S[1]:
        raise NoFitError(
            f"a lag of {lag_s:.0f} s is not possible: {LAGS_S[0]:.0f} to {LAGS_S[1]:.0f} s"
        )
    if high_s - lag_s > MOST_UNSURE * lag_s:
        raise NoFitError(
            f"the lag is {lag_s:.0f} s, but anything from {low_s:.0f} to {high_s:.0f} s fits: take "
            "more readings, most of them while the plate is still coming up"
        )
    if abs(offset_c) > MOST_OFFSET_C:
        raise NoFitError(
            f"at rest the probe reads {offset_c:+.1f} °C more than the oven's sensor (limit "
            f"{MOST_OFFSET_C:.0f}): compare both at one temperature first"
        )
    return Lag(lag_s, low_s, high_s, start_c, offset_c, curve.sd, len(told))


def _must_be_there(ts: F64, air: F64, at: F64, told: F64) -> None:
    if not all(np.isfinite(v).all() for v in (ts, air, at, told)):
        raise NoFitError("a reading is not a finite number")
    if len(at) < LEAST_READINGS:
        raise NoFitError(f"{len(at)} readings of the probe: at least {LEAST_READINGS} are needed")
    if not ((np.diff(at) > 0.0).all() and (np.diff(ts) > 0.0).all()):
        raise NoFitError("readings must be in the order of their times")
    inside = ts[(ts >= at[0] - MOST_APART_S) & (ts <= at[-1] + MOST_APART_S)]
    edges = np.concatenate(([at[0]], inside, [at[-1]]))
    if len(inside) == 0 or float(np.abs(np.diff(edges)).max()) > MOST_APART_S:
        raise NoFitError(
            f"the air of the oven is not known all the time (at most {MOST_APART_S:.0f} s between "
            "two readings): take the trial within one bake that is recorded"
        )


def _inflated(off: F64) -> float:
    """The interval is so much wider where each reading is off like the one before."""
    spread = float(off @ off)
    alike = float(off[1:] @ off[:-1]) / spread if spread > 0.0 else 0.0
    alike = min(max(alike, 0.0), 0.9)
    return math.sqrt((1.0 + alike) / (1.0 - alike))
