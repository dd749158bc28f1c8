"""What an exposure shows of its lamps: their starts, how they came up, where they stood. Pure.

It goes into the end of the run, so that years of lamps are read without reading their samples.
"""

from __future__ import annotations

from collections import deque
from typing import Any

from platelink.link import messages as m
from platelink.sensing.readings import Reading

LEVEL_S = 1.0
"""The level is the mean over so much light."""
COURSE_S = (1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0, 256.0, 512.0, 1024.0)
"""Times of the level since the lamps were first seen, in the first light of a run."""


class LitLamps:
    """One a run. ``owned``: the device switches the lamps; else they are on while they are seen."""

    def __init__(self, dark_mw_cm2: float, *, owned: bool) -> None:
        self._dark_mw_cm2, self._owned = dark_mw_cm2, owned
        self._windows: deque[tuple[float, tuple[float, ...]]] = deque()
        self._lit = False
        self._seen_s = 0.0
        self._last_t: float | None = None
        self._starts = 0
        self._level: tuple[float, tuple[float, ...]] | None = None
        self._course: list[tuple[float, float]] = []

    def add(self, sample: m.Sample, reading: Reading) -> None:
        """Take a sample of the run."""
        irradiance, last_t, self._last_t = reading.irradiance_mw_cm2, self._last_t, reading.t
        seen = irradiance is not None and irradiance > self._dark_mw_cm2
        lit, was_lit = bool(sample.outputs & m.LAMP_BIT) if self._owned else seen, self._lit
        self._lit = lit
        if lit and not was_lit:
            self._level = self._newest_level()
            self._starts += 1
            self._seen_s = 0.0
            self._windows.clear()
        if not (lit and was_lit and seen) or last_t is None or irradiance is None:
            return  # the window of a close, or of a strike, is light in part
        self._seen_s += reading.t - last_t
        self._windows.append((self._seen_s, (irradiance, *reading.channel_mw_cm2)))
        while self._seen_s - self._windows[0][0] > LEVEL_S:
            self._windows.popleft()
        n = len(self._course)
        if self._starts == 1 and n < len(COURSE_S) and self._seen_s >= COURSE_S[n]:
            level = self._newest_level()
            assert level is not None  # the course begins when there is one
            self._course.append((self._seen_s - LEVEL_S / 2.0, level[1][0]))

    def _newest_level(self) -> tuple[float, tuple[float, ...]] | None:
        """Of this light; of the one before while this one is too short for one."""
        if self._seen_s < LEVEL_S:
            return self._level
        rows = [row for _, row in self._windows]
        return self._seen_s, tuple(sum(column) / len(rows) for column in zip(*rows, strict=True))

    def told(self) -> dict[str, Any] | None:
        """For the end of the run: ``starts``; in the last second of light, which ended
        ``level_at_s`` after the strike, ``irradiance_mw_cm2`` of the unit and ``channels_mw_cm2``;
        ``course``: s and mW/cm² of the first light. None without light."""
        if not self._starts:
            return None
        found: dict[str, Any] = {"starts": self._starts}
        if (newest := self._newest_level()) is not None:
            at_s, level = newest
            found["level_at_s"] = round(at_s, 2)
            found["irradiance_mw_cm2"] = round(level[0], 5)
            found["channels_mw_cm2"] = [round(one, 5) for one in level[1:]]
        if self._course:
            found["course"] = [[round(t, 2), round(e, 5)] for t, e in self._course]
        return found
