"""A plate's depth and its causes from its own record and those of the plates before it. Pure.

The plates are gone through in the order they were exposed, one foretelling for each point of the
inspection; only depths that were read before this plate's exposure ended are taken, so that what
is told of an old plate is what could have been told then.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from platelink.contract.predicted import (
    CauseLikely,
    DepthFrom,
    DepthPredicted,
    PointPredicted,
    Verdict,
)
from platelink.finding.causes import LOOK, ODD, SYMPTOMS, Causes, Inspected, words
from platelink.finding.foretell import ONE_IN, Exposed, Foreteller, Foretold
from platelink.finding.foretell import Verdict as Means
from platelink.record.stored import ExposedPlate

LEAST = 5
"""Measured plates below which nothing is told: it would be what was assumed, not what was seen."""
USUAL_OF, USUAL_LEAST = 60, 5
"""Newest exposures whose median is the usual light, and how many it needs. Over so many lamps fade
by less than what counts as odd."""
MOST_FOR = 30
"""Plates that a measured one stands for at most."""
PLACE, BATH = "place on the bed", "age and area of the bath"
_WORD: dict[Means, Verdict] = {
    Means.GO_ON: "go on", Means.MEASURE: "measure", Means.STOP: "stop before wash",
}  # fmt: skip
_ORDER: tuple[Verdict, ...] = ("go on", "measure", "cannot tell", "stop before wash")


def depth_foretold(
    plate: ExposedPlate, before: Sequence[ExposedPlate], lamps_touched: Sequence[datetime] = (), *,
    symptom: str = "",
) -> DepthPredicted:  # fmt: skip
    """Of this plate; ``before`` are those like it, oldest first; ``lamps_touched`` when lamps were
    changed or cleaned. ``symptom`` is one of SYMPTOMS or nothing; ValueError names them."""
    if symptom and symptom not in SYMPTOMS:
        raise ValueError(f"symptoms are {', '.join(SYMPTOMS)}")
    records = [*before, plate]
    off = [_light_off_pct(records[: i + 1], lamps_touched) for i in range(len(records))]
    baths = _baths(records)
    exposed = [
        _exposed(one, records, 0.0 if pct is None else pct, bath)
        for one, pct, bath in zip(records, off, baths, strict=True)
    ]
    points = [_at_point(name, plate, list(zip(before, exposed[:-1], strict=True)), exposed[-1])
              for name in plate.limits_um]  # fmt: skip
    told = [point.told for point in points]
    verdict = max((one.verdict for one in told), key=_ORDER.index)
    causes, why_none = _causes(points, symptom)
    known = plate.bath_days is not None and plate.bath_m2 is not None
    absent = ((PLACE, plate.place_pct is None), (BATH, not known))
    record = DepthFrom(
        step=plate.step,
        exposed_utc=plate.exposed_utc.astimezone(UTC).isoformat(timespec="milliseconds"),
        dose_mj_cm2=plate.dose_mj_cm2, lot=plate.lot, days_open=exposed[-1].days_open,
        contact_kpa=plate.contact_kpa, light_off_pct=off[-1],
        bath_days=plate.bath_days if known else None, bath_m2=plate.bath_m2 if known else None,
        not_recorded=[name for name, missing in absent if missing],
    )  # fmt: skip
    return DepthPredicted(
        plate=plate.plate, record=record, points=told, verdict=verdict,
        picked=is_one_in(plate.plate), text=_means(verdict, plate.plate), causes=causes,
        why_no_causes=why_none, symptoms=list(SYMPTOMS),
    )  # fmt: skip


def not_foretold(plate: str, why: str) -> DepthPredicted:
    """Of a plate whose record says nothing of its depth."""
    return DepthPredicted(
        plate=plate, record=None, points=[], verdict="cannot tell", picked=False, text=why,
        causes=[], why_no_causes=why, symptoms=list(SYMPTOMS),
    )  # fmt: skip


def is_one_in(plate: str, n: int = ONE_IN) -> bool:
    """This plate is the one in ``n`` that is measured: by its name, so that nobody picks."""
    return int.from_bytes(hashlib.sha256(plate.encode()).digest()[:8], "big") % n == 0


def _means(verdict: Verdict, plate: str) -> str:
    match verdict:
        case "go on" if is_one_in(plate):
            return f"inside the limits; this is the one in {ONE_IN} to measure all the same"
        case "go on":
            return f"inside the limits: continue; it need not be measured (one in {ONE_IN} is)"
        case "measure":
            return "measure after the bake"
        case "stop before wash":
            return "outside the limits: do not wash, find the cause"
        case "cannot tell":
            return f"cannot tell before {LEAST} plates like it have been measured: measure"


def _light_off_pct(records: Sequence[ExposedPlate], lamps: Sequence[datetime]) -> float | None:
    """Of the last, against those before it since the lamps were touched, on the same scale."""
    *before, one = records
    since = max((at for at in lamps if at <= one.exposed_utc), default=None)
    usual = [
        old.irradiance_mw_cm2 for old in before[-USUAL_OF:]
        if old.irradiance_mw_cm2 and old.calibrations == one.calibrations
        and (since is None or old.exposed_utc > since)
    ]  # fmt: skip
    if one.irradiance_mw_cm2 is None or len(usual) < USUAL_LEAST:
        return None
    return 100.0 * (one.irradiance_mw_cm2 / float(np.median(usual)) - 1.0)


def _baths(records: Sequence[ExposedPlate]) -> list[tuple[float, float]]:
    """Days and area of each bath. Nothing where the last one's is not known; an older plate whose
    bath is not known gets the usual one, which says neither more nor less."""
    known = [(r.bath_days, r.bath_m2) for r in records]
    ages = [(d, a) for d, a in known if d is not None and a is not None]
    if not ages or None in known[-1]:
        return [(0.0, 0.0)] * len(records)
    usual = float(np.median([d for d, _ in ages])), float(np.median([a for _, a in ages]))
    return [usual if d is None or a is None else (d, a) for d, a in known]


def _days_open(one: ExposedPlate, records: Sequence[ExposedPlate]) -> float:
    """By the day the lot was opened where all of its plates tell it, else by the first of them."""
    of_lot = [r for r in records if r.lot == one.lot]
    if one.lot_open_days is not None and all(r.lot_open_days is not None for r in of_lot):
        return one.lot_open_days
    first = min((r.exposed_utc for r in of_lot), default=one.exposed_utc)
    return (one.exposed_utc - first).total_seconds() / 86_400.0


def _exposed(
    one: ExposedPlate, records: Sequence[ExposedPlate], light_off_pct: float,
    bath: tuple[float, float],
) -> Exposed:  # fmt: skip
    return Exposed(
        dose_mj_cm2=one.dose_mj_cm2, lot=one.lot, place_pct=one.place_pct or 0.0,
        contact_kpa=one.contact_kpa,
        days_open=_days_open(one, records), bath_days=bath[0], bath_m2=bath[1],
        light_off_pct=light_off_pct,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Point:
    """What is told of a point, and of whom its causes are asked."""

    told: PointPredicted
    before: list[Inspected]
    plate: Inspected


def _at_point(
    name: str, plate: ExposedPlate, before: list[tuple[ExposedPlate, Exposed]], exposed: Exposed
) -> _Point:
    low, high = plate.limits_um[name]
    teller = Foreteller((low + high) / 2.0, low, high, plate.target_mj_cm2)
    inspected: list[Inspected] = []
    gone_on, of_them_measured = 0, 0
    for one, its in before:
        known = one.inspected_utc is not None and one.inspected_utc <= plate.exposed_utc
        depth = one.depths_um.get(name) if known else None
        told = teller.foretold(its)
        if told.verdict is Means.GO_ON:
            gone_on, of_them_measured = gone_on + 1, of_them_measured + (depth is not None)
            share = round(gone_on / max(of_them_measured, 1))
            teller = replace(teller, one_in=min(share, MOST_FOR))
        if depth is not None:
            inspected.append(_inspected(one, its, depth, told))
        teller = teller.seen(its, depth)
    measured = plate.depths_um.get(name)
    if teller.measured < LEAST:
        point = PointPredicted(
            point=name, limit_low_um=low, limit_high_um=high, depth_um=None, low_um=None,
            high_um=None, measured_um=measured, learned_from=teller.measured,
            verdict="cannot tell",
            text=f"cannot tell: {teller.measured} of at least {LEAST} plates like it were measured "
            "there",
        )  # fmt: skip
        return _Point(point, inspected, _inspected(plate, exposed, None, None))
    found = replace(teller, one_in=ONE_IN).foretold(exposed)
    point = PointPredicted(
        point=name, limit_low_um=low, limit_high_um=high, depth_um=found.depth_um,
        low_um=found.low_um, high_um=found.high_um, measured_um=measured,
        learned_from=teller.measured, verdict=_WORD[found.verdict], text=found.text,
    )  # fmt: skip
    return _Point(point, inspected, _inspected(plate, exposed, measured, found))


def _inspected(
    one: ExposedPlate, its: Exposed, depth_um: float | None, told: Foretold | None
) -> Inspected:
    off = None
    if depth_um is not None and told is not None:
        off = (depth_um - told.depth_um) / told.sd_um
    return Inspected(record=its, off=off, bake_min=one.bake_min, water_c=one.water_c)


def _causes(points: Sequence[_Point], symptom: str) -> tuple[list[CauseLikely], str]:
    """By the point furthest off; nothing where all is as foretold and the press saw nothing."""
    point = max(points, key=lambda one: abs(one.plate.off or 0.0))
    outside = any(
        one.told.measured_um is not None
        and not one.told.limit_low_um <= one.told.measured_um <= one.told.limit_high_um
        for one in points
    )
    if not (symptom or outside or abs(point.plate.off or 0.0) > ODD):
        if point.plate.off is None:
            return [], "not measured, or not predicted; name what the press saw"
        return [], f"as predicted, within {ODD:g} spreads, and inside the limits"
    return [
        CauseLikely(cause=str(one.cause), probability=one.probability, speaks=list(one.speaks),
                    look=LOOK[one.cause])
        for one in Causes().likely(words(point.before, point.plate), symptom)
    ], ""  # fmt: skip
