"""How well a depth is foretold before washout, and its cause named after it: years of shops whose
plates follow no curve of ours, with faults that nobody enters.

Every plate is foretold from its record; what the interval means decides whether it is measured;
only measured plates teach. The truth of plates that nobody measured is known here all the same.
*Shuffled*: each plate comes with the record of another of its year.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from platelink.finding.causes import ODD, Cause, Causes, Inspected, words
from platelink.finding.foretell import Exposed, Foreteller, Verdict
from platesim.year import DAYS, Trouble, Year, year

TOLERANCE_UM = 3.5
DITHER = 0.012
"""Spread of the logarithm of dose from plate to plate, within ±3 %."""
CORRECTED_UM, CORRECTED_BY, CORRECTED_MOST = 1.2, 0.5, 0.08
"""People change the dose when a plate is so far off, by this share of it, and no more at once."""
FOUND = 0.8
"""Of causes looked for that somebody finds and confirms."""
QUARTERS = 4
MOVING_RANGES, CHARTED = 2.66, 10
"""Limits of an individuals chart, and values it needs (NIST/SEMATECH e-Handbook 6.3.2.2)."""
CAUSE_OF = {
    Trouble.NONE: Cause.NOTHING, Trouble.LAMP_SWAP: Cause.LIGHT, Trouble.FOULED_SENSOR: Cause.LIGHT,
    Trouble.LEAK: Cause.CONTACT, Trouble.COLD_BATH: Cause.WASHOUT, Trouble.OLD_LOT: Cause.STOCK,
    Trouble.SHORT_BAKE: Cause.BAKE,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shuffled:
    """The same with the records of other plates."""

    coverage_by_quarter: tuple[float, ...]
    measurements_saved_pct: float
    false_release_pct: float


@dataclass(frozen=True, slots=True)
class ForetellBench:
    """Of all plates of all shops, in per cent."""

    shops: int
    plates: int
    tolerance_um: float
    coverage_by_quarter: tuple[float, ...]
    """Readings within their interval (95 % stated)."""
    width_um: float
    """Median of the whole interval."""
    false_release_pct: float
    """Of plates that went on unmeasured: outside the limits."""
    outside_pct: float
    """Of all plates: what passing them unseen would release."""
    measurements_saved_pct: float
    stopped_pct: float
    stopped_rightly_pct: float | None
    asked: int
    """Plates whose cause was asked for."""
    cause_calibration_max: float | None
    """Greatest difference between a probability and how often it came true, over its deciles with
    CALIBRATION_LEAST or more."""
    cause_calibration: tuple[tuple[float, float, int, float], ...]
    """Of each decile: mean probability, share that came true, number, and what chance alone makes
    of their difference (95 %; plates of one shop are not independent)."""
    top_cause_right_pct: float | None
    base_rate_right_pct: float | None
    """Always the most frequent cause."""
    charts_right_pct: float | None
    """The cause whose own individuals chart is furthest out, else nothing."""
    fault_first_pct: float | None
    """Of plates asked about that had a fault: its cause came first of those where to look."""
    fault_first_by_charts_pct: float | None
    """The same by the chart that is furthest out, whether beyond its limits or not."""
    shuffled: Shuffled


CALIBRATION_LEAST = 100
"""Probabilities in a decile that tell its calibration."""


@dataclass(frozen=True, slots=True)
class Played:
    """One shop's year: [plates] each; then of plates asked about, probabilities by Cause, its true
    cause, and the charts'."""

    quarter: np.ndarray
    held: np.ndarray
    outside: np.ndarray
    measured: np.ndarray
    stopped: np.ndarray
    width: np.ndarray
    probabilities: np.ndarray
    truth: np.ndarray
    chart: np.ndarray
    chart_first: np.ndarray


def bench_foretell(
    shops: int, *, tolerance_um: float = TOLERANCE_UM, often: float = 1.0, processes: int = 1
) -> ForetellBench:
    """So many shops, seeds 0 on, each with its records and with shuffled ones; faults ``often``
    times as often as where the tables of causes were counted."""
    plain, mixed = (
        list(_all([(seed, tolerance_um, often, shuffled) for seed in range(shops)], processes))
        for shuffled in (False, True)
    )
    return judged(plain, mixed, tolerance_um)


def _all(jobs: list[tuple[int, float, float, bool]], processes: int) -> Iterator[Played]:
    if processes == 1:
        yield from map(played, jobs)
        return
    with ProcessPoolExecutor(processes) as pool:
        yield from pool.map(played, jobs, chunksize=4)


def _records(it: Year, rng: np.random.Generator, shuffled: bool) -> list[Exposed]:
    order = rng.permutation(len(it.day)) if shuffled else np.arange(len(it.day))
    return [
        Exposed(
            dose_mj_cm2=it.first_dose_mj_cm2, lot=str(it.lot[i]),
            place_pct=float(it.place_pct[i]), days_open=float(it.days_open[i]),
            bath_m2=float(it.bath_m2[i]), bath_days=float(it.bath_days[i]),
            contact_kpa=float(it.contact_kpa[i]), light_off_pct=float(it.light_off_pct[i]),
        )
        for i in order
    ]  # fmt: skip


def played(job: tuple[int, float, float, bool]) -> Played:
    """One shop's year."""
    seed, tolerance, often, shuffled = job
    it, rng = year(seed, often=often), np.random.default_rng([seed, 42])
    low, high = it.target_um - tolerance, it.target_um + tolerance
    teller = Foreteller(it.target_um, low, high, it.first_dose_mj_cm2)
    records = _records(it, rng, shuffled)
    doses = rng.permutation(len(it.day))
    causes, before, dose = Causes(), list[Inspected](), it.first_dose_mj_cm2
    given: list[float] = []
    rows, asked = [], []
    for i, record in enumerate(records):
        given.append(dose * math.exp(min(max(rng.normal(0.0, DITHER), -0.03), 0.03)))
        # A shuffled record has the dose of some plate before.
        recorded = given[doses[i] % len(given)] if shuffled else given[i]
        plate = replace(record, dose_mj_cm2=recorded)
        told, read = teller.foretold(plate), it.depth_um(i, given[i])
        measured = told.verdict is not Verdict.GO_ON or rng.random() < 1.0 / teller.one_in
        rows.append((
            int(it.day[i]) * QUARTERS // DAYS, told.low_um <= read <= told.high_um,
            not low <= read <= high, measured, told.verdict is Verdict.STOP,
            told.high_um - told.low_um,
        ))  # fmt: skip
        teller = teller.seen(plate, read if measured else None)
        if not measured:
            continue
        bake, water = float(it.bake_min[i]), float(it.water_c[i])
        off = (read - told.depth_um) / told.sd_um
        inspected = Inspected(
            record=plate, off=off,
            bake_min=None if math.isnan(bake) else bake,
            water_c=None if math.isnan(water) else water,
        )  # fmt: skip
        if abs(off) > ODD or not low <= read <= high:
            found, truth = words(before, inspected), CAUSE_OF[it.trouble[i]]
            by = {one.cause: one.probability for one in causes.likely(found)}
            asked.append(([by[c] for c in Cause], (truth, *_charted(before, inspected))))
            if rng.random() < FOUND:
                causes = causes.confirmed(found, truth)
        before.append(inspected)
        if abs(read - it.target_um) > CORRECTED_UM:
            by_um = CORRECTED_BY * (read - it.target_um) / -teller.slope_um
            dose *= math.exp(min(max(by_um, -CORRECTED_MOST), CORRECTED_MOST))
    quarter, held, outside, was_measured, stopped, width = (
        np.array(column) for column in zip(*rows, strict=True)
    )
    order = list(Cause)
    return Played(
        quarter, held, outside, was_measured, stopped, width,
        np.array([p for p, _ in asked]).reshape(-1, len(order)),
        *(np.array([order.index(named[k]) for _, named in asked], np.int64) for k in range(3)),
    )  # fmt: skip


def _charted(before: list[Inspected], plate: Inspected) -> tuple[Cause, Cause]:
    """By individuals charts (limits at 2.66 mean moving ranges), one for each value recorded: the
    cause whose chart is furthest beyond its limits, else nothing; and the furthest one."""
    each = (*before[-100:], plate)
    values: dict[Cause, list[float]] = {
        Cause.LIGHT: [one.record.light_off_pct for one in each],
        Cause.CONTACT: [one.record.contact_kpa for one in each],
        Cause.WASHOUT: [one.water_c for one in each if one.water_c is not None]
        or [one.record.bath_days for one in each],
        Cause.STOCK: [one.record.days_open for one in each],
        Cause.BAKE: [one.bake_min for one in each if one.bake_min is not None],
    }
    furthest, most = Cause.LIGHT, 0.0
    for cause, told in values.items():
        if len(told) < CHARTED:
            continue
        past = np.array(told[:-1])
        limit = MOVING_RANGES * float(np.abs(np.diff(past)).mean())
        away = abs(told[-1] - float(past.mean())) / max(limit, 1e-9)
        if away > most:
            furthest, most = cause, away
    return furthest if most > 1.0 else Cause.NOTHING, furthest


def judged(shops: list[Played], mixed: list[Played], tolerance_um: float) -> ForetellBench:
    """Of all shops, and of the same with shuffled records."""
    assert next(iter(Cause)) is Cause.NOTHING
    outside, measured, stopped = (_all_of(shops, n) for n in ("outside", "measured", "stopped"))
    p, truth = _all_of(shops, "probabilities"), _all_of(shops, "truth")
    chart, first = _all_of(shops, "chart"), _all_of(shops, "chart_first")
    deciles, faulty = _deciles(shops), truth > 0
    told = [abs(mean - share) for mean, share, n, _ in deciles if n >= CALIBRATION_LEAST]
    return ForetellBench(
        len(shops), len(outside), tolerance_um, _coverage(shops),
        float(np.median(_all_of(shops, "width"))), _pct(outside[~measured]) or 0.0,
        _pct(outside) or 0.0, _pct(~measured) or 0.0, _pct(stopped) or 0.0,
        _pct(outside[stopped]), len(truth), max(told) if told else None, deciles,
        _pct(p.argmax(axis=1) == truth),
        _pct(truth == np.bincount(truth).argmax()) if len(truth) else None, _pct(chart == truth),
        _pct((p[:, 1:].argmax(axis=1) + 1 == truth)[faulty]), _pct((first == truth)[faulty]),
        Shuffled(
            _coverage(mixed), _pct(~_all_of(mixed, "measured")) or 0.0,
            _pct(_all_of(mixed, "outside")[~_all_of(mixed, "measured")]) or 0.0,
        ),
    )  # fmt: skip


def _all_of(shops: list[Played], name: str) -> np.ndarray:
    return np.concatenate([getattr(shop, name) for shop in shops])


def _coverage(shops: list[Played]) -> tuple[float, ...]:
    quarter, held = _all_of(shops, "quarter"), _all_of(shops, "held")
    return tuple(100.0 * float(held[quarter == q].mean()) for q in range(QUARTERS))


def _deciles(shops: list[Played]) -> tuple[tuple[float, float, int, float], ...]:
    """The spread of the difference is that of sums over whole shops (Liang and Zeger 1986)."""
    sums = np.zeros((10, len(shops), 3))
    for i, shop in enumerate(shops):
        p = shop.probabilities
        true = np.arange(p.shape[1]) == shop.truth[:, None]
        which = np.minimum((p * 10).astype(int), 9)
        for k in range(10):
            at = which == k
            sums[k, i] = p[at].sum(), true[at].sum(), at.sum()
    found = []
    for one in sums:
        told, came, n = one.sum(axis=0)
        if n:
            by_chance = 1.96 * float(np.sqrt(((one[:, 1] - one[:, 0]) ** 2).sum())) / n
            found.append((float(told / n), float(came / n), int(n), float(by_chance)))
    return tuple(found)


def _pct(which: np.ndarray) -> float | None:
    return 100.0 * float(which.mean()) if len(which) else None
