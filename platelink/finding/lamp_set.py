"""The exposures of one lamp set, and its days. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from platelink.events.event import E, read
from platelink.events.unit import LampsChanged
from platelink.finding.fade import Days
from platelink.ledger.by import to_ms
from platelink.record.stored import LitRun
from platelink.runs import RunEvent

DAY_MS = 86_400_000
LONGER = 0.5
"""Of the longest exposures: these are warm enough at their end to be compared."""


@dataclass(frozen=True, slots=True)
class LampSet:
    """The exposures of one lamp set, oldest first."""

    runs: list[LitRun]
    entered: bool
    since_ms: int | None
    burnt_h: float
    """Before it was put in."""
    events: list[RunEvent]
    breaks_ms: tuple[int, ...] = ()
    """First exposures of another scale of light, oldest first: levels before are not compared."""

    @property
    def burn_h(self) -> float:
        """All hours that it has burned, as far as is known."""
        return self.burnt_h + sum(run.light_s for run in self.runs) / 3600.0

    @property
    def starts(self) -> int:
        """Since it was put in, or is recorded."""
        return sum(starts_of(run) for run in self.runs)


@dataclass(frozen=True, slots=True)
class Levels:
    """Days of a set: by hours and by starts."""

    by_hours: Days
    by_starts: Days
    at_ms: list[int]
    """Of the first exposure of each day."""


def sets_of(runs: Sequence[LitRun], events: Sequence[RunEvent]) -> list[LampSet]:
    """The lamp sets that the record tells of, oldest first; the last one is in use."""
    changed = [i for i, event in enumerate(events) if event_of(LampsChanged, event) is not None]
    found = []
    for first, end in pairwise([0, *changed, len(events)]):
        until = to_ms(events[end].at_utc) if end < len(events) else math.inf
        own = [run for run in runs if run.at_ms < until]
        found.append(set_in_use(own, events[first:end]))
    # Before lamps were ever entered there may have been no light.
    return found if found[0].runs or len(found) == 1 else found[1:]


def set_in_use(runs: Sequence[LitRun], events: Sequence[RunEvent]) -> LampSet:
    """The exposures since lamps were put in last."""
    changed = [(e, c) for e in events if (c := event_of(LampsChanged, e)) is not None]
    if not changed:
        since = runs[0].at_ms if runs else None
        return LampSet(list(runs), False, since, 0.0, list(events))
    event, how = changed[-1]
    since = to_ms(event.at_utc)
    own = [run for run in runs if run.at_ms >= since]
    return LampSet(own, True, since, how.burn_h, [e for e in events if e.at_utc >= event.at_utc])


def levels_of(lamps: LampSet) -> Levels | None:
    """The median of each day, of the exposures that can be compared; None without any."""
    hours = np.cumsum([run.light_s / 3600.0 for run in lamps.runs])
    starts = np.cumsum([starts_of(run) for run in lamps.runs])
    told = [(i, run) for i, run in enumerate(lamps.runs) if channels_of(run) and at_s_of(run)]
    if not told:
        return None
    longest_s = float(np.quantile([at_s_of(run) for _, run in told], 0.9))
    n = len(channels_of(told[-1][1]))
    good = [
        (i, r) for i, r in told if at_s_of(r) >= LONGER * longest_s and len(channels_of(r)) == n
    ]
    each: dict[int, list[int]] = {}
    for i, run in good:
        each.setdefault(run.at_ms // DAY_MS, []).append(i)
    for at_ms in lamps.breaks_ms:  # a day is of one scale, the later one
        day_of = at_ms // DAY_MS
        each[day_of] = [i for i in each.get(day_of, []) if lamps.runs[i].at_ms >= at_ms]
    each = {day: rows for day, rows in each.items() if rows}
    if not each:
        return None
    first_day = min(each)
    level = np.array([
        np.median([[math.log(c) for c in channels_of(lamps.runs[i])] for i in rows], axis=0)
        for _, rows in sorted(each.items())
    ])  # fmt: skip
    rows = [rows for _, rows in sorted(each.items())]
    day = np.array([float(d - first_day) for d in sorted(each)])
    by_hours = Days(day, np.array([float(np.median(hours[r])) for r in rows]), level)
    by_starts = Days(day, np.array([float(np.median(starts[r])) for r in rows]), level)
    return Levels(by_hours, by_starts, [lamps.runs[r[0]].at_ms for r in rows])


def day_ms(at_ms: int) -> int:
    """The beginning of its day, UTC as all days here."""
    return at_ms // DAY_MS * DAY_MS


def event_of(kind: type[E], event: RunEvent) -> E | None:
    return read(kind, event.name, event.data)


def starts_of(run: LitRun) -> int:
    starts = run.lamps.get("starts")
    return starts if isinstance(starts, int) and starts > 0 else 1


def at_s_of(run: LitRun) -> float:
    at_s = run.lamps.get("level_at_s")
    return float(at_s) if isinstance(at_s, int | float) else 0.0


def unit_mw_cm2(run: LitRun) -> float:
    level = run.lamps.get("irradiance_mw_cm2")
    return float(level) if isinstance(level, int | float) and level > 0.0 else 0.0


def channels_of(run: LitRun) -> list[float]:
    """Of each channel; none where one saw nothing: its logarithm is none."""
    told = run.lamps.get("channels_mw_cm2")
    good = isinstance(told, list) and all(isinstance(c, int | float) and c > 0.0 for c in told)
    return [float(c) for c in told] if good and isinstance(told, list) else []


def deficit_of(run: LitRun) -> float | None:
    """Light that was lost to warm-up, of a complete exposure in one stretch."""
    level = unit_mw_cm2(run)
    if not (run.complete and level and run.dose_mj_cm2) or starts_of(run) != 1:
        return None
    return max(0.0, run.light_s - run.dose_mj_cm2 / level)
