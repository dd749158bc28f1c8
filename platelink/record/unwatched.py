"""Light that nobody watched, since a crash. Pure.

How long it was, how strong at most, and whether what the device counted of it can be.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from pydantic import JsonValue

from platelink.events.event import EventName, read
from platelink.events.light import Armed, LampOff
from platelink.ledger.by import to_ms
from platelink.record.account import OrderLight, calibration_of, last_value
from platelink.record.stored import OpenRun
from platelink.runs import RunEvent
from platelink.warming import MAY_RISE, STRIKE_S, may_rise

POWER_CUT_UNSEEN_S = 2.0
"""Light that no sample on disk tells of when the power fails: a second in hand, one not flushed."""
LEAST_SHARE = 0.98
"""Of the light seen last: lamps that go on burning give no less. More is a step (see the steps of
a light that is watched)."""
RIPPLE = 0.2
"""Of the light: so much too much may a sensor have told that stood still at a peak of it."""
DARK_SHARE = 0.02
"""Less than this share of fresh lamps is none."""


def implausible_mj_cm2(
    run: OpenRun, events: Sequence[RunEvent], light: OrderLight
) -> tuple[float, float]:
    """What may have fallen beyond what the device counted after the last sample, and what of that
    may not have fallen. Nothing where it fits the light seen last; less than that is a sensor that
    went dark or a lamp that failed, and more than it can have risen to a sensor that jumped: nobody
    saw which. Lamps that nobody saw strike are taken to do so as they did before."""
    after, seconds = light.after_last_sample_mj_cm2, light.after_last_sample_s
    seen = last_value(run.last, "irradiance_mw_cm2") or 0.0
    fresh, struck = _fresh_mw_cm2(run), _struck(run, events)
    if light.watched and seen > DARK_SHARE * fresh:
        most = _rate(run, _strongest_mw_cm2(run, events, seconds)) * seconds
        least = LEAST_SHARE * _rate(run, seen) * seconds
    else:
        irradiance, dark_s = struck if struck is not None else (fresh, 0.0)
        risen = MAY_RISE * irradiance if struck is not None else fresh
        foretold = number(_learned(run).get("high_mw_cm2"))
        most = _rate(run, foretold or max(fresh, risen)) * seconds
        least = LEAST_SHARE * _rate(run, irradiance) * max(0.0, seconds - dark_s)
    if after < least:
        return max(0.0, most - after), RIPPLE * after
    return 0.0, after - least if 0.0 < most < LEAST_SHARE * after else 0.0


def _struck(run: OpenRun, events: Sequence[RunEvent]) -> tuple[float, float] | None:
    """Irradiance of the light before, in this run or in another, and how much of its time was lost
    to striking and warming up; None: there was none."""
    offs = [read(LampOff, event.name, event.data) for event in events]
    for off in reversed(offs):
        if off is not None and off.irradiance_mw_cm2 and off.light_s and off.plain_mj_cm2:
            return off.irradiance_mw_cm2, off.light_s - off.plain_mj_cm2 / off.irradiance_mw_cm2
    learned = _learned(run)
    irradiance = number(learned.get("irradiance_mw_cm2"))
    return (irradiance, number(learned.get("warm_up_deficit_s")) or 0.0) if irradiance else None


def lit_s(run: OpenRun, events: Sequence[RunEvent]) -> float:
    """Light of the order not yet over until the last sample, by the times noted."""
    newest = next(
        (e for e in reversed(events) if e.name in (EventName.ARMED, EventName.LAMP_ON)), None
    )
    if newest is None or newest.name == EventName.ARMED or run.last is None:
        return 0.0
    return max(0.0, (int(run.last.at_utc_ms[-1]) - to_ms(newest.at_utc)) / 1000.0)


def gap_s(run: OpenRun, at_utc: datetime) -> float:
    """Since its last sample, by the computer's clock."""
    last_ms = int(run.last.at_utc_ms[-1]) if run.last else to_ms(run.start.at_utc)
    return (to_ms(at_utc) - last_ms) / 1000.0


def longest_s(
    run: OpenRun, events: Sequence[RunEvent], armed: Armed | None, at_utc: datetime, *, over: bool
) -> float:
    """Light until now, or not ``over`` yet, but for the guard time that the device keeps by
    itself."""
    guard_s = armed.guard_s if armed else None
    away_s = gap_s(run, at_utc)
    if guard_s is None:
        return max(away_s, POWER_CUT_UNSEEN_S)
    left_s = max(0.0, guard_s - lit_s(run, events))
    # A clock that has been set back tells nothing.
    return left_s if away_s < 0.0 or not over else min(away_s, left_s)


def greatest_rate(
    run: OpenRun, events: Sequence[RunEvent], armed: Armed | None, unseen_s: float
) -> float:
    """Effective dose a second at the strongest light that may have been: that of the exposure
    before, or what lamps as last seen may have warmed up to, within what was foretold of them. Of
    lamps that may not have struck when they were last seen: what was foretold, or fresh ones."""
    learned = number(_learned(run).get("irradiance_mw_cm2"))
    rate = _rate(run, max(learned or 0.0, _strongest_mw_cm2(run, events, unseen_s)))
    predicted_s = armed.predicted_s if armed else None
    if learned is None and predicted_s and predicted_s > 0.0:
        rate = max(rate, (run.start.target_dose_mj_cm2 or 0.0) / predicted_s)
    return rate


def _strongest_mw_cm2(run: OpenRun, events: Sequence[RunEvent], later_s: float) -> float:
    """What the light seen last may have risen to by then."""
    seen, before_s = last_value(run.last, "irradiance_mw_cm2") or 0.0, lit_s(run, events)
    foretold = number(_learned(run).get("high_mw_cm2"))
    most = seen * may_rise(before_s, later_s)
    if foretold is not None:
        most = min(most, max(seen, foretold))
    if before_s <= STRIKE_S:
        most = max(most, _fresh_mw_cm2(run) if foretold is None else foretold)
    return most


def afterglow_s(run: OpenRun) -> float:
    """What was known of it when the run began."""
    return number(_learned(run).get("afterglow_s")) or 0.0


def _fresh_mw_cm2(run: OpenRun) -> float:
    """What fresh lamps give; 0 where that is not recorded."""
    light = run.start.conditions.get("light")
    return number(light.get("expected_mw_cm2")) or 0.0 if isinstance(light, dict) else 0.0


def _learned(run: OpenRun) -> dict[str, JsonValue]:
    """What earlier exposures had taught when the run began."""
    learned = run.start.conditions.get("learned")
    return learned if isinstance(learned, dict) else {}


def number(value: JsonValue) -> float | None:
    """None where it is none."""
    return float(value) if isinstance(value, int | float) else None


def _rate(run: OpenRun, irradiance_mw_cm2: float) -> float:
    """Effective dose a second."""
    irradiance, calibration = np.array([irradiance_mw_cm2]), calibration_of(run)
    return float((calibration.rate_mw_cm2(irradiance) if calibration else irradiance)[0])
