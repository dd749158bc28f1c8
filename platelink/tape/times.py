"""Stamps of a tape's records as columns, exact to the bit. Pure.

Times are microseconds: of inputs, kind by kind, for each kind comes by a beat of its own; of all
else, which comes of an input, since the record before it. The few times that are no whole
microseconds stand aside, with their place. UTC goes with the time, but for one number, and where
the computer's clock was set.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from platelink.tape.inputs import Kind
from platelink.tape.parts import Parts, words_in
from platelink.unit.stamp import Stamp

_MICRO = 1e6
_INPUTS = (Kind.DATA, Kind.TICK, Kind.CALL, Kind.SAME)
Ints = npt.NDArray[np.int64]


def by_kind(kinds: npt.NDArray[np.uint8]) -> Ints:
    """Places of the records, kind by kind."""
    return np.argsort(kinds, kind="stable")


def _inputs_first(kinds: npt.NDArray[np.uint8]) -> tuple[Ints, Ints]:
    """Places of inputs, kind by kind, and of all else."""
    places = by_kind(kinds)
    inputs = np.isin(kinds[places], _INPUTS)
    return places[inputs], np.sort(places[~inputs])


def apart(kinds: npt.NDArray[np.uint8], stamps: Sequence[Stamp]) -> Parts:
    """The parts of these stamps, at least one."""
    now = np.array([at.now for at in stamps])
    utc_ms = np.array([at.utc_ms for at in stamps], np.int64)
    whole = np.round(now * _MICRO)
    odd = np.flatnonzero(whole / _MICRO != now)
    us = whole.astype(np.int64)
    inputs, rest = _inputs_first(kinds)
    ahead_us = np.int64(np.median(1000 * utc_ms + 500 - us))
    return {
        "came_us": us[inputs].view(np.uint64),
        "after_us": np.diff(us, prepend=0)[rest].view(np.uint64),
        "odd": odd.astype(np.uint64),
        "odd_bits": now[odd].view(np.uint64),
        "ahead_us": np.array([ahead_us]).view(np.uint64),
        "utc_ms": (utc_ms - (us + ahead_us) // 1000).view(np.uint64),
    }


def together(kinds: npt.NDArray[np.uint8], parts: Parts) -> tuple[list[float], list[int]]:
    """Times and UTC of the stamps. KeyError, ValueError, IndexError: these are no parts of
    ``apart``."""
    came, after, odd, odd_bits, ahead, beside = (
        words_in(parts, name)
        for name in ("came_us", "after_us", "odd", "odd_bits", "ahead_us", "utc_ms")
    )
    inputs, rest = _inputs_first(kinds)
    steps = np.zeros(len(kinds), np.int64)
    steps[rest] = after.view(np.int64)
    since = np.cumsum(steps)
    us = np.zeros(len(kinds), np.int64)
    us[inputs] = came.view(np.int64) - since[inputs]
    begun = np.zeros(len(kinds), np.int64)
    begun[inputs] = inputs
    us = us[np.maximum.accumulate(begun)] + since
    now = us / _MICRO
    now[odd.view(np.int64)] = odd_bits.view(np.float64)
    utc_ms = beside.view(np.int64) + (us + ahead.view(np.int64)[0]) // 1000
    return now.tolist(), utc_ms.tolist()
