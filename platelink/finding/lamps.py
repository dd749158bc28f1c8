"""The lamp set in use, from the unit's own exposures. Pure.

Levels are those in the last second of light of the longer exposures: lamps are warm then. What
happened to the set is told from how its channels changed together; with one channel a lamp that
fades and a sensor that ages look alike, and a person is asked for a reading of a hand meter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from typing import Any, Literal

import numpy as np

from platelink.calibrations.made import Made
from platelink.contract.lamps import (
    ChannelNow,
    HandReading,
    LampForecast,
    LampsNow,
    SetBefore,
)
from platelink.events.unit import LampsMeasured
from platelink.finding.curve import F64, NoFitError, fitted
from platelink.finding.fade import Fade, fade_of
from platelink.finding.lamp_set import (
    DAY_MS,
    LONGER,
    LampSet,
    Levels,
    at_s_of,
    deficit_of,
    event_of,
    levels_of,
    sets_of,
    unit_mw_cm2,
)
from platelink.finding.lamp_steps import (
    break_rows,
    found_steps,
    lamp_steps,
    pct_of,
    scale_changes,
    utc_of,
)
from platelink.finding.scale import not_used_yet, on_one_scale, with_causes
from platelink.ledger.by import to_ms
from platelink.record.stored import LitRun
from platelink.runs import RunEvent, RunStart

NEAR_DAYS = 3.0
"""A hand meter's reading is beside an exposure of about that time."""
READING_REPEATS_PCT = 1.0
"""So well does a hand reading repeat (k = 1): place and tilt. Common practice, no source."""
ASK_AFTER_PCT = 5.0
ASK_AFTER_DAYS = 90.0
COURSES = 20
"""Newest exposures whose rise is fitted."""
USES: tuple[Literal["100 burn hours", "1,000 starts"], ...] = ("100 burn hours", "1,000 starts")


def lamps_now(
    runs: Sequence[LitRun], events: Sequence[RunEvent], longest: RunStart | None, *,
    names: Sequence[str] = (), made: Sequence[Made] = (),
) -> LampsNow:  # fmt: skip
    """Everything that is known of the set in use; arguments as ``lamp_record`` gives them, and all
    calibrations of light."""
    unused = not_used_yet(runs, made)
    runs, scalings = on_one_scale(runs, made)
    *before, lamps = sets_of(runs, with_causes(events, made))
    scalings = [one for one in scalings if one.at_ms > (lamps.since_ms or 0)]
    breaks = sorted({one.at_ms for one in scalings if one.ratio is None})
    lamps = replace(lamps, breaks_ms=tuple(breaks))
    levels = levels_of(lamps)
    n = levels.by_hours.level.shape[1] if levels is not None else 0
    labels = [names[i] if i < len(names) and names[i] else f"light {i}" for i in range(n)]
    steps = lamp_steps(lamps, levels, labels, scalings) if levels is not None else []
    fade, per, why_no_fade = _fade(lamps, levels)
    readings = _readings(lamps)
    forecast, why_no_forecast = _forecast(lamps, levels, fade, why_no_fade, longest)
    if unused:
        forecast, why_no_forecast = None, f"no exposure yet since {unused} is in force"
    warm_up_s = deficit_s(lamps)
    low, high = _of_fade(fade, per)
    return LampsNow(
        since_utc=utc_of(lamps.since_ms) if lamps.since_ms is not None else None,
        entered=lamps.entered,
        burn_h=round(lamps.burn_h, 2),
        starts=lamps.starts,
        exposures=len(lamps.runs),
        before=[
            SetBefore(
                since_utc=utc_of(old.since_ms) if old.since_ms is not None else None,
                until_utc=utc_of(new.since_ms or 0),
                burn_h=round(old.burn_h, 2),
                starts=old.starts,
                exposures=len(old.runs),
            )
            for old, new in pairwise([*before, lamps])
        ],
        warm_up_s=warm_up_s,
        warm_up=warm_up_of(lamps.runs),
        fade_pct=pct_of(fade.per_used * _unit(per)) if fade is not None else None,
        fade_low_pct=low,
        fade_high_pct=high,
        fade_per=per if fade is not None else None,
        why_no_fade=why_no_fade,
        channels=_channels(lamps, levels, labels),
        steps=steps,
        scales=scale_changes(lamps, levels, labels, scalings),
        readings=readings,
        asks=_asks(lamps, levels, readings, n),
        sensor=_sensor(lamps, readings, n),
        forecast=forecast,
        why_no_forecast=why_no_forecast,
    )


# --- fade and forecast -------------------------------------------------------------------------


def _fade(
    lamps: LampSet, levels: Levels | None
) -> tuple[Fade | None, Literal["100 burn hours", "1,000 starts"], str]:
    """By hours or by starts, whichever the level follows better: a start wears lamps too, and where
    both go together either will do."""
    if levels is None:
        return None, USES[0], "no exposure has recorded its level yet"
    steps = found_steps(lamps, levels)
    since = steps[-1].index if steps else 0
    try:
        by_hours = fade_of(levels.by_hours, since)
    except NoFitError as error:
        return None, USES[0], str(error)
    try:
        by_starts = fade_of(levels.by_starts, since)
    except NoFitError:
        return by_hours, USES[0], ""
    return (by_starts, USES[1], "") if by_starts.sd < 0.9 * by_hours.sd else (by_hours, USES[0], "")


def _unit(per: str) -> float:
    return 100.0 if per == USES[0] else 1000.0


def _of_fade(fade: Fade | None, per: str) -> tuple[float | None, float | None]:
    if fade is None:
        return None, None
    half = 2.0 * fade.u_per_used
    return pct_of((fade.per_used - half) * _unit(per)), pct_of((fade.per_used + half) * _unit(per))


def _forecast(
    lamps: LampSet, levels: Levels | None, fade: Fade | None, why: str, longest: RunStart | None
) -> tuple[LampForecast | None, str]:
    if longest is None or longest.target_dose_mj_cm2 is None:
        return None, "no step with a dose is in use"
    limit_s = _limit_s(longest)
    if limit_s is None:
        return None, f"the limit of {longest.step} is not recorded with it"
    if fade is None or levels is None:
        return None, why
    dose, law = longest.target_dose_mj_cm2, _law(longest)
    lost_s = deficit_s(lamps) or 0.0
    now_s = dose / law(math.exp(fade.level)) + lost_s
    if limit_s <= lost_s:
        return None, f"the limit of {limit_s:.0f} s is shorter than the warm-up"
    if dose / law(1e-9) + lost_s < limit_s:
        return None, "the limit will not be reached"
    weakest = math.log(_irradiance_for(dose / (limit_s - lost_s), law))
    days = fade.below(weakest)
    newest = levels.at_ms[-1]

    def on(days_on: float | None) -> str | None:
        return None if days_on is None else utc_of(newest + round(days_on * DAY_MS))

    early, likely, late = (on(d) for d in days)
    return LampForecast(
        step=longest.step, target_dose_mj_cm2=dose, limit_s=limit_s, now_s=round(now_s, 1),
        early_utc=early, likely_utc=likely, late_utc=late,
        until_utc=utc_of(newest + int(fade.days) * DAY_MS),
    ), ""  # fmt: skip


def _limit_s(start: RunStart) -> float | None:
    """The longest exposure that the unit allows, as recorded with the run."""
    config = start.conditions.get("config")
    exposure = config.get("exposure") if isinstance(config, dict) else None
    limit = exposure.get("max_exposure_s") if isinstance(exposure, dict) else None
    return float(limit) if isinstance(limit, int | float) else None


def _law(start: RunStart) -> Any:
    """mJ/cm² a second at an irradiance, by the reciprocity recorded with the run."""
    light = start.conditions.get("light")
    light = light if isinstance(light, dict) else {}
    p, reference = light.get("reciprocity_p"), light.get("reference_mw_cm2")
    if not isinstance(p, int | float) or not isinstance(reference, int | float):
        return lambda irradiance: irradiance
    return lambda irradiance: reference * (irradiance / reference) ** p


def _irradiance_for(rate: float, law: Any) -> float:
    """The irradiance of a rate, by bisection: it rises with it."""
    low, high = 1e-9, 1e6
    for _ in range(200):
        middle = math.sqrt(low * high)
        low, high = (middle, high) if law(middle) < rate else (low, middle)
    return low


# --- warm-up -----------------------------------------------------------------------------------


def warm_up_of(runs: Sequence[LitRun]) -> str:
    """How the lamps come up, fitted to the newest exposures, or why it is not known."""
    rises: list[tuple[float, float]] = []
    for run in [r for r in runs if len(r.lamps.get("course", ())) >= 5][-COURSES:]:
        course = [(float(t), float(e)) for t, e in run.lamps["course"]]
        rises += [(t, e / course[-1][1]) for t, e in course if course[-1][1] > 0.0]
    if not rises:
        return "not known: no exposure was long enough (16 s of light)"
    at, share = np.array([t for t, _ in rises]), np.array([e for _, e in rises])

    def rise(x: F64, c: F64) -> F64:
        risen: F64 = c[2] * (1.0 - c[0] * np.exp(-x / c[1]))
        return risen

    try:
        curve = fitted(rise, at, share, (0.3, 20.0, 1.0))
    except NoFitError as error:
        return f"not known: {error}"
    missing, tau_s = curve.constants[0], curve.constants[1]
    low, high = curve.interval(1)
    if not (0.0 <= missing <= 1.0 and low > 0.0):
        return "not known: these exposures show no rise"
    return (
        f"{100.0 * missing:.0f} % is missing at the strike, and made up with a time constant of "
        f"{tau_s:.0f} s ({low:.0f} to {high:.0f} s)"
    )


def deficit_s(lamps: LampSet) -> float | None:
    """Light that an exposure loses to warm-up: the median of the newest of the longer ones."""
    newest = [run for run in lamps.runs[-300:] if at_s_of(run)]
    longest_s = max((at_s_of(run) for run in newest), default=0.0)
    own = (deficit_of(run) for run in newest if at_s_of(run) >= LONGER * longest_s)
    return _median([one for one in own if one is not None])


# --- lamps or sensor ---------------------------------------------------------------------------


def _readings(lamps: LampSet) -> list[HandReading]:
    found = []
    for event in lamps.events:
        reading = event_of(LampsMeasured, event)
        if reading is None:
            continue
        at_ms = to_ms(event.at_utc)
        near = [
            r for r in lamps.runs if abs(r.at_ms - at_ms) <= NEAR_DAYS * DAY_MS and unit_mw_cm2(r)
            and _scale_at(lamps, r.at_ms) == _scale_at(lamps, at_ms)
        ]  # fmt: skip
        longest_s = max((at_s_of(r) for r in near), default=0.0)
        ours = _median([unit_mw_cm2(r) for r in near if at_s_of(r) >= LONGER * longest_s])
        found.append(HandReading(
            at_utc=utc_of(at_ms), who=reading.who, meter=reading.meter, u_pct=reading.u_pct,
            irradiance_mw_cm2=reading.irradiance_mw_cm2, ours_mw_cm2=ours,
        ))  # fmt: skip
    return found


def _scale_at(lamps: LampSet, at_ms: int) -> int:
    """Which of the scales of light, numbered."""
    return sum(at_ms >= one for one in lamps.breaks_ms)


def _on_this_scale(lamps: LampSet, reading: HandReading) -> bool:
    at_ms = to_ms(datetime.fromisoformat(reading.at_utc))
    return _scale_at(lamps, at_ms) == len(lamps.breaks_ms)


def _sensor(own: LampSet, readings: Sequence[HandReading], channels: int) -> str:
    """What hand readings tell of lamps and sensor."""
    beside = [r for r in readings if r.ours_mw_cm2 and _on_this_scale(own, r)]
    same = [r for r in beside if r.meter == beside[-1].meter] if beside else []
    if len(same) >= 2:
        first, last = same[0], same[-1]
        assert first.ours_mw_cm2 is not None and last.ours_mw_cm2 is not None
        ours = math.log(last.ours_mw_cm2 / first.ours_mw_cm2)
        lamps = math.log(last.irradiance_mw_cm2 / first.irradiance_mw_cm2)
        unsure = 2.0 * math.sqrt(2.0) * READING_REPEATS_PCT
        return (
            f"from {first.at_utc[:10]} to {last.at_utc[:10]} the lamps changed by "
            f"{pct_of(lamps):+.1f} % by {last.meter}, and by {pct_of(ours):+.1f} % by our sensor: "
            f"the sensor has shifted by {pct_of(ours - lamps):+.1f} % (±{unsure:.1f} %, k = 2)"
        )
    if channels == 1:
        return "one channel: fading lamps and an ageing sensor look the same"
    return "several channels: a change of one alone is that sensor's, or of a tube near it"


def _asks(
    lamps: LampSet, levels: Levels | None, readings: Sequence[HandReading], channels: int
) -> str:
    if levels is None or channels != 1:
        return ""
    tell = "platelink lamps measured"
    if not readings:
        return (
            "take a hand meter reading at the sensor's place, lamps warm, and record it "
            f"({tell}): with one channel nothing else separates lamps from sensor"
        )
    newest = lamps.runs[-1].at_ms
    days = (newest - to_ms(datetime.fromisoformat(readings[-1].at_utc))) / DAY_MS
    ours = readings[-1].ours_mw_cm2 if _on_this_scale(lamps, readings[-1]) else None
    now = math.exp(float(np.median(levels.by_hours.level[-5:, 0])))
    moved = 0.0 if not ours else 100.0 * abs(now / ours - 1.0)
    if moved > ASK_AFTER_PCT or days > ASK_AFTER_DAYS:
        return (
            f"since the last hand meter reading, {days:.0f} days ago, our sensor's reading "
            "changed by "
            f"{moved:.0f} %: take another and record it ({tell})"
        )
    return ""


# --- small things ------------------------------------------------------------------------------


def _channels(lamps: LampSet, levels: Levels | None, labels: Sequence[str]) -> list[ChannelNow]:
    if levels is None:
        return []
    level = levels.by_hours.level[max(break_rows(lamps, levels), default=0) :]
    first, now = np.median(level[:3], axis=0), np.median(level[-3:], axis=0)
    return [
        ChannelNow(
            name=name, first_mw_cm2=round(math.exp(first[i]), 3),
            now_mw_cm2=round(math.exp(now[i]), 3), change_pct=pct_of(float(now[i] - first[i])),
        )
        for i, name in enumerate(labels)
    ]  # fmt: skip


def _median(values: Sequence[float]) -> float | None:
    return round(float(np.median(values)), 3) if values else None
