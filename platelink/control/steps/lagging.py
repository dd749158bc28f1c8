"""The plate in the oven: it follows the air that is measured, with a lag. Pure.

A plate takes up heat in proportion to how much colder than the air it is: a first-order lag
(Newton's law of cooling). Between two readings the air is taken as a straight line, for which the
plate's temperature is exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from platelink.control.steps.oven import NODES, acceleration

START_C = 20.0
"""A plate that is put in, or may have been taken out meanwhile, has the temperature of the room.
Common practice, no source; it makes the plate rather too cold than too warm."""


def followed_c(start_c: float, from_c: float, to_c: float, seconds: float, lag_s: float) -> float:
    """Temperature after ``seconds`` in air that has gone from one temperature to another, at a
    constant rate. Solution of lag · dT/dt = air - T."""
    if seconds <= 0.0:
        return start_c
    behind = (to_c - from_c) / seconds * lag_s  # of one that follows for ever
    return to_c - behind + (start_c - from_c + behind) * math.exp(-seconds / lag_s)


@dataclass(slots=True)
class PlateTotals:
    """Sums of one bake so far, of the plate. Times in seconds."""

    plate_c: float = START_C
    plate_max_c: float | None = None
    plate_equivalent_s: float = 0.0
    """An index; 0 without an activation energy."""


class LaggingPlate:
    """Follows the readings of the air."""

    def __init__(
        self, lag_s: float, *, gap_limit_s: float, reference_c: float,
        activation_kj_mol: float | None,
    ) -> None:  # fmt: skip
        self.totals = PlateTotals()
        self._lag_s, self._gap_limit_s = lag_s, gap_limit_s
        self._reference_c, self._activation_kj_mol = reference_c, activation_kj_mol
        self._last: tuple[float, float] | None = None

    def pause(self) -> None:
        """The plate may be taken out: it begins anew, as cold as the room."""
        self._last = None
        self.totals.plate_c = min(START_C, self.totals.plate_c)

    def add(self, t: float, air_c: float) -> None:
        """Take one reading of the air, later than the one before."""
        totals, last = self.totals, self._last
        self._last = (t, air_c)
        if last is None:
            return
        seconds, from_c, start_c = t - last[0], last[1], totals.plate_c
        totals.plate_c = followed_c(start_c, from_c, air_c, seconds, self._lag_s)
        if totals.plate_max_c is None or totals.plate_c > totals.plate_max_c:
            totals.plate_max_c = totals.plate_c
        if self._activation_kj_mol is None or seconds > self._gap_limit_s:
            return  # what is not measured does not count, though the plate gets warm in it
        for share, weight in NODES:
            air_at_c = from_c + share * (air_c - from_c)
            at_c = followed_c(start_c, from_c, air_at_c, share * seconds, self._lag_s)
            totals.plate_equivalent_s += (
                weight
                * seconds
                * acceleration(
                    at_c, reference_c=self._reference_c, activation_kj_mol=self._activation_kj_mol
                )
            )
