"""Light on one scale: what calibrations changed of it, and what they tell of the lamps. Pure.

A routine calibration of the same sensor changes what a count is worth and not what is counted:
levels before it are multiplied by the ratio of both slopes. Where the sensor itself became another
(replaced, cleaned, set up otherwise), or nobody knows why, levels on both sides are not compared.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any

from platelink.calibrations.made import Made, in_force
from platelink.events.event import Event
from platelink.events.unit import LampsChanged, LampsCleaned
from platelink.finding.lamp_set import channels_of, event_of, unit_mw_cm2
from platelink.ledger.by import to_ms
from platelink.record.stored import LightScale, LitRun
from platelink.runs import RunEvent
from platelink.sensing.calibration import Cause

CONFIGURED = "as configured"
SAME_COUNTS = frozenset({Cause.ROUTINE, Cause.NEW_LAMPS})
"""Causes that leave the sensor as it was."""
SAME_WORK = timedelta(days=14)
"""What a person entered so near to a calibration with that cause is the same work. Common practice,
no source."""


@dataclass(frozen=True, slots=True)
class Rescaling:
    """A channel is read by another calibration from one exposure on."""

    at_ms: int
    """Of that exposure."""
    channel: int
    after: LightScale
    cause: Cause | None
    """None: not known, or its settings are others besides."""
    ratio: float | None
    """Of both slopes; None: levels before it are on another scale."""


def on_one_scale(
    runs: Sequence[LitRun], made: Sequence[Made]
) -> tuple[list[LitRun], list[Rescaling]]:
    """The runs on the scale of the newest, as far back as that is known; and the changes of it."""
    named = {one.name: one for one in made}
    found: list[Rescaling] = []
    scaled: list[LitRun] = []
    factors: list[float] = []
    later: LitRun | None = None
    for run in reversed(runs):
        if run.light:
            if later is None or len(later.light) != len(run.light):
                factors = [1.0] * len(run.light)
            else:
                changes = _changes(run, later, named)
                for one in changes:
                    factors[one.channel] *= one.ratio or 0.0
                    factors[one.channel] = factors[one.channel] or 1.0
                found += reversed(changes)
            later = run
        scaled.append(_scaled(run, factors))
    return scaled[::-1], found[::-1]


def _changes(run: LitRun, later: LitRun, named: dict[str, Made]) -> list[Rescaling]:
    found = []
    for i, (before, after) in enumerate(zip(run.light, later.light, strict=True)):
        alike = _alike(before.settings, after.settings)
        if alike and _worth(before) == _worth(after):
            continue
        cause = _cause(before, after, named) if alike else None
        ratio = None
        if cause in SAME_COUNTS:
            ratio = after.slope_mw_cm2_per_count / before.slope_mw_cm2_per_count
        found.append(Rescaling(later.at_ms, i, after, cause, ratio))
    return found


def _cause(before: LightScale, after: LightScale, named: dict[str, Made]) -> Cause | None:
    """Why, over all approved between both; None where any of that is not known."""
    low, high = sorted((_revision(before), _revision(after)))
    sensor = after.calibration.rpartition("@")[0] or before.calibration.rpartition("@")[0]
    each = [named.get(f"{sensor}@{n}") for n in range(low + 1, high + 1)]
    causes = [m.plan.cause for m in each if m is not None and m.approved is not None]
    if None in each or not causes or after.calibration == CONFIGURED:
        return None
    return next((c for c in causes if c not in SAME_COUNTS), causes[-1])


def _worth(scale: LightScale) -> tuple[str, float]:
    return scale.calibration, scale.slope_mw_cm2_per_count


def _alike(before: dict[str, Any], after: dict[str, Any]) -> bool:
    """Of what both name: a later release may know more settings."""
    return all(before[key] == after[key] for key in before.keys() & after.keys())


def _revision(scale: LightScale) -> int:
    number = scale.calibration.rpartition("@")[2]
    return int(number) if number.isdecimal() else 0


def _scaled(run: LitRun, factors: Sequence[float]) -> LitRun:
    """Levels and dose of the run on another scale; its lost light stays what it was."""
    channels = channels_of(run)
    if len(channels) != len(factors) or all(f == 1.0 for f in factors):
        return run
    told = len(run.light) == len(factors)
    weights = [s.weight for s in run.light] if told else [1.0] * len(factors)
    whole = sum(w * c for w, c in zip(weights, channels, strict=True))
    now = [c * f for c, f in zip(channels, factors, strict=True)]
    by = sum(w * c for w, c in zip(weights, now, strict=True)) / whole if whole > 0.0 else 1.0
    dose = run.dose_mj_cm2
    return replace(
        run,
        dose_mj_cm2=None if dose is None else dose * by,
        lamps=run.lamps | {"irradiance_mw_cm2": unit_mw_cm2(run) * by, "channels_mw_cm2": now},
    )


def with_causes(events: Sequence[RunEvent], made: Sequence[Made]) -> list[RunEvent]:
    """What people entered, and what calibrations say besides of new lamps and a cleaned sensor;
    once, where both say it."""
    found = list(events)
    for one in sorted(made, key=lambda m: m.begun.at_utc):
        if one.approved is None or one.dropped is not None:
            continue
        why, who = f"calibration {one.name}: {one.plan.cause.value}", one.approved.who
        if one.plan.cause is Cause.NEW_LAMPS:
            said: Event = LampsChanged(who, why)
        elif one.plan.cause is Cause.CLEANED:
            said = LampsCleaned(who, why, "sensor")
        else:
            continue
        first, last = one.begun.at_utc - SAME_WORK, one.approved.at_utc + SAME_WORK
        if not any(first <= e.at_utc <= last and _same(said, e) for e in found):
            # It was done before the comparison began.
            found.append(RunEvent(
                id=f"calibration-{one.name}", run_id=None, unit="", at_utc=one.begun.at_utc,
                name=said.name, data=said.data(),
            ))  # fmt: skip
    return sorted(found, key=lambda e: e.at_utc)


def _same(said: Event, event: RunEvent) -> bool:
    if isinstance(said, LampsChanged):
        return event_of(LampsChanged, event) is not None
    cleaned = event_of(LampsCleaned, event)
    return cleaned is not None and cleaned.part != "lamps"


def not_used_yet(runs: Sequence[LitRun], made: Sequence[Made]) -> str:
    """Calibrations that hold since the newest exposure: no level is on their scale. Empty: none."""
    newest = next((run for run in reversed(runs) if run.light), None)
    if newest is None:
        return ""
    found = []
    for i, scale in enumerate(newest.light):
        of = [m for m in made if m.sensor == f"light {i}" and m.approved is not None]
        holds = in_force(of)
        name = CONFIGURED if holds is None else holds.name
        signed = [s for m in of for s in (m.approved, m.dropped) if s is not None]
        if name != scale.calibration and any(to_ms(s.at_utc) > newest.at_ms for s in signed):
            found.append(name if holds is not None else f"light {i} {CONFIGURED}")
    return ", ".join(found)
