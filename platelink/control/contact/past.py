"""What this unit's last exposures have shown of its vacuum: its noise, and its pull-downs. Pure.

The same from the record as from the exposures themselves; only complete ones with contact count.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platelink.control.contact.noise import NoiseModel, Shown, learn, prior, shown
from platelink.control.contact.pulldown import NOT_KNOWN, Usual, usual

KEPT = 40
"""Exposures; with usual ones an hour of light."""
MOST_VALUES = 6000
"""Of one exposure, its newest."""
SETTLED_S = 15.0
"""The pump still gains in the first seconds, which is no noise; of a short exposure a third."""
SAME_PACE = 0.2
"""Values came as often as now, within this share."""


@dataclass(frozen=True, slots=True)
class Told:
    """One complete exposure as the record tells it."""

    t_s: NDArray[np.float64]
    vacuum_kpa: NDArray[np.float64]
    """In the light; NaN: no value."""
    held_kpa: float | None = None
    settles_s: float | None = None


class ContactPast:
    """One a unit. ``frame_s``: between two gauge values in the light. ``held``: the record's
    samples come more often, and repeat the newest value."""

    def __init__(self, frame_s: float, *, held: bool = False) -> None:
        self.frame_s, self._held_between = frame_s, held
        self.shown: deque[Shown] = deque(maxlen=KEPT)
        self._held: deque[tuple[float, float]] = deque(maxlen=KEPT)
        self._now: list[tuple[float, float]] = []
        self._held_now: tuple[float, float] | None = None
        self._models: dict[float, NoiseModel] = {}

    @classmethod
    def at_pace_of(cls, times_s: Iterable[NDArray[np.float64]]) -> ContactPast:
        """With the interval that values in the record have."""
        steps = [np.diff(t_s) for t_s in times_s]
        every = np.concatenate([*steps, np.zeros(0)])
        return cls(float(np.median(every)) if every.size else 1.0)

    def model(self, false_per_min: float) -> NoiseModel:
        """The noise to go by, for so many false calls a minute."""
        found = self._models.get(false_per_min)
        if found is None:
            found = learn(self.shown, self.frame_s, false_per_min)
            found = found or prior(self.frame_s, false_per_min)
            self._models = {false_per_min: found}
        return found

    @property
    def usual(self) -> Usual:
        """Of the unit's pull-downs."""
        return usual(list(self._held)) if self._held else NOT_KNOWN

    # --- of the present exposure -----------------------------------------------------------

    def held(self, vacuum_kpa: float, settles_s: float) -> None:
        """A hold test has passed."""
        self._now, self._held_now = [], (vacuum_kpa, settles_s)

    def add(self, vacuum_kpa: float | None, *, now: float) -> None:
        """A value while contact is watched."""
        if vacuum_kpa is not None:
            self._now.append((now, vacuum_kpa))

    def spoilt(self) -> None:
        """A fall was told: it teaches nothing."""
        self._now, self._held_now = [], None

    def ended(self, *, complete: bool) -> None:
        """The exposure is over."""
        if complete and self._held_now is not None:
            t_s, kpa = np.array(self._now or [(0.0, math.nan)]).T
            self.remember([Told(t_s, kpa, *self._held_now)])
        self.spoilt()

    # --- of earlier ones -------------------------------------------------------------------

    def remember(self, exposures: Iterable[Told]) -> None:
        """Oldest first."""
        for told in exposures:
            if told.held_kpa is not None:
                settles_s = math.nan if told.settles_s is None else told.settles_s
                self._held.append((told.held_kpa, settles_s))
            one = shown(self._evenly(told.t_s, told.vacuum_kpa))
            if one is not None:
                self.shown.append(one)
                self._models = {}

    def _evenly(self, t_s: NDArray[np.float64], kpa: NDArray[np.float64]) -> NDArray[np.float64]:
        """At equal intervals, without the beginning; what is missing lies between its neighbours.
        Nothing where values came at another pace."""
        known = np.isfinite(kpa) & np.isfinite(t_s)
        t_s, kpa = t_s[known], kpa[known]
        if t_s.size < 2 or np.any(np.diff(t_s) <= 0.0):
            return np.zeros(0)
        pace = float(np.median(np.diff(t_s))) / self.frame_s
        slower = 0.0 if self._held_between else 1.0 - SAME_PACE
        if not slower <= pace <= 1.0 + SAME_PACE:
            return np.zeros(0)
        begin = t_s[0] + min(SETTLED_S, (t_s[-1] - t_s[0]) / 3.0)
        begin = max(begin, t_s[-1] - MOST_VALUES * self.frame_s)
        at = np.arange(begin, t_s[-1], self.frame_s)
        nearest = np.clip(np.searchsorted(t_s, at), 1, t_s.size - 1)
        nearest -= at - t_s[nearest - 1] < t_s[nearest] - at
        values = kpa[nearest]
        missing = np.abs(t_s[nearest] - at) > self.frame_s
        if missing.any():
            values[missing] = np.interp(at[missing], t_s, kpa)
        return values
