"""The exposures of a plate on today's scale of light, and the lamps of today. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any, NamedTuple

import numpy as np

from platelink.calibrations.made import Made
from platelink.finding.lamp_set import DAY_MS, LampSet, channels_of, levels_of, sets_of, unit_mw_cm2
from platelink.finding.lamps import deficit_s
from platelink.finding.scale import Rescaling, on_one_scale, with_causes
from platelink.ledger.by import from_ms, to_ms
from platelink.record.stored import LightScale, LitRun, RunRecord
from platelink.runs import RunEvent

NEWEST_MS = 3 * DAY_MS
"""Levels of so long tell how strong the light is today."""


class Law(NamedTuple):
    """``reference · (E / reference)^p`` a second."""

    p: float
    reference_mw_cm2: float

    def rate(self, irradiance_mw_cm2: float) -> float:
        """Effective dose of a second."""
        return float(self.reference_mw_cm2 * (irradiance_mw_cm2 / self.reference_mw_cm2) ** self.p)


PLAIN = Law(1.0, 10.0)


@dataclass(frozen=True, slots=True)
class LampsToday:
    """What the next exposure will be made with."""

    nth_set: int
    level_mw_cm2: float | None
    """Of warm lamps; None: no exposure with them yet."""
    seen_on: date | None
    """The newest day of that level."""
    channels_mw_cm2: tuple[float, ...]
    warm_up_s: float
    limit_s: float | None
    """Longest exposure that the unit allows; None: not known."""


@dataclass(frozen=True, slots=True)
class Given:
    """One exposure of the plate, on today's scale of light."""

    run: RunRecord
    dose_mj_cm2: float
    recorded_mj_cm2: float
    """As the record has it, restated where a person did so."""
    restated: bool
    level_mw_cm2: float | None
    law: Law
    changes: tuple[Rescaling, ...]
    channels_mw_cm2: tuple[float, ...]
    nth_set: int

    @property
    def by(self) -> float:
        """What the calibrations since then are worth."""
        return self.dose_mj_cm2 / self.recorded_mj_cm2 if self.recorded_mj_cm2 else 1.0


class OnToday:
    """All exposures on today's scale of light."""

    def __init__(
        self, runs: Sequence[LitRun], events: Sequence[RunEvent], made: Sequence[Made],
        light: tuple[LightScale, ...], *, now_ms: int, limit_s: float | None,
    ) -> None:  # fmt: skip
        """``light``: of each channel, as the next exposure is read."""
        # A computer's clock may have been ahead, or be behind.
        now_ms = max([now_ms, *(run.at_ms + 1 for run in runs[-1:])])
        ahead = LitRun("", now_ms, False, 0.0, None, {}, light)
        scaled, self._changes = on_one_scale([*runs, *([ahead] if light else [])], made)
        self._scaled = {run.run_id: run for run in scaled}
        self._recorded = {run.run_id: run for run in runs}
        sets = sets_of([one for one in scaled if one.run_id], with_causes(events, made))
        self._begins = [one.since_ms or 0 for one in sets]
        breaks = tuple(sorted({c.at_ms for c in self._changes if c.ratio is None}))
        newest = replace(sets[-1], breaks_ms=tuple(b for b in breaks if b <= now_ms))
        self.now = _lamps_now(newest, len(sets), light, limit_s)

    def given(self, run: RunRecord) -> Given | None:
        """An exposure of the plate; None without a dose."""
        summary, run_id = run.summary, run.start.run_id
        dose = summary.dose_mj_cm2
        if dose is None or not dose > 0.0:
            return None
        at_ms = to_ms(run.start.at_utc)
        changes = tuple(c for c in self._changes if c.at_ms > at_ms)
        law = _law_of(run)
        lit, recorded = self._scaled.get(run_id), self._recorded.get(run_id)
        by = _scale_by(recorded, lit, changes)
        level = unit_mw_cm2(lit) if lit is not None else 0.0
        if not level and law.p == 1.0 and summary.light_s:
            level = by * dose / summary.light_s
        return Given(
            run, dose * by**law.p, dose, False, level or None, law, changes,
            tuple(channels_of(lit)) if lit is not None else (),
            max(1, sum(at_ms >= begin for begin in self._begins)),
        )  # fmt: skip


def restated(given: Given, dose_mj_cm2: float) -> Given:
    """The same with the dose as a person stated it again: calibrations since are in it already."""
    return replace(given, dose_mj_cm2=dose_mj_cm2, recorded_mj_cm2=dose_mj_cm2, restated=True)


def _lamps_now(
    lamps: LampSet, nth: int, light: Sequence[LightScale], limit_s: float | None
) -> LampsToday:
    levels = levels_of(lamps)
    channels: tuple[float, ...] = ()
    level = seen_on = None
    if levels is not None:
        at_ms, newest_ms = np.array(levels.at_ms), levels.at_ms[-1]
        since = max([newest_ms - NEWEST_MS, *(b for b in lamps.breaks_ms if b <= newest_ms)])
        newest = np.median(levels.by_hours.level[at_ms >= since], axis=0)
        channels = tuple(math.exp(float(one)) for one in newest)
        weights = [one.weight for one in light] if len(light) == len(channels) else []
        weights = weights if sum(weights) > 0.0 else [1.0] * len(channels)
        level = sum(w * c for w, c in zip(weights, channels, strict=True)) / sum(weights)
        seen_on = from_ms(newest_ms).date()
        if any(begin > newest_ms for begin in lamps.breaks_ms):
            level, channels = None, ()  # nothing was seen on today's scale
    return LampsToday(nth, level, seen_on, channels, deficit_s(lamps) or 0.0, limit_s)


def _scale_by(
    recorded: LitRun | None, scaled: LitRun | None, changes: Sequence[Rescaling]
) -> float:
    """Today's irradiance over that recorded of the same counts."""
    if recorded is not None and scaled is not None and unit_mw_cm2(recorded):
        return unit_mw_cm2(scaled) / unit_mw_cm2(recorded)
    if len({c.channel for c in changes}) == 1 and recorded is not None and len(recorded.light) == 1:
        return math.prod(c.ratio or 1.0 for c in changes)
    return 1.0


def _law_of(run: RunRecord) -> Law:
    light: Any = run.start.conditions.get("light")
    light = light if isinstance(light, dict) else {}
    p, reference = light.get("reciprocity_p"), light.get("reference_mw_cm2")
    if isinstance(p, int | float) and isinstance(reference, int | float) and p > 0.0 < reference:
        return Law(float(p), float(reference))
    return PLAIN
