"""Checking a run: integrate the stored raw sums again and count everything that was recorded. Pure.

Straightforward numpy over the whole run, from the device's cumulative sums and the calibration
recorded with it; nothing of the controller is used but the dose it claimed. Of a run without light
only what was recorded is counted.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, ValidationError

from platelink.events.event import EventName
from platelink.record.again import Limits, bake_again, contact_again
from platelink.record.light import Floats, LightCalibration, darks_of
from platelink.record.stored import WITHOUT_LIGHT, RunRecord
from platelink.runs import RunEvent, SampleBlock

LIMIT_PCT = 0.10
"""Accuracy the dose control promises; a record that differs more does not support it."""
LEAST_MJ_CM2 = 5.0
"""The limit is a share of at least this dose: of light that was ended at once, a sensor's noise is
any share."""
_GAP_FACTOR = 1.5
"""A window longer than this many usual ones lacks a frame."""
_MAX_COUNTS = 65_535.0
"""No converter gives more: a larger mean says that the device restarted its sums in the window."""


class CheckResult(BaseModel):
    """What the check found. ``ok`` needs every count right and the difference within its limit;
    of a run without light there is no dose to differ."""

    model_config = ConfigDict(frozen=True)

    run_id: str
    kind: str
    light: bool
    """False of a plate or a bake."""
    ok: bool
    verdict: str
    problems: tuple[str, ...]
    recorded_mj_cm2: float | None
    reintegrated_mj_cm2: float | None
    difference_pct: float | None
    limit_pct: float
    samples: int
    events: int
    gaps: int
    """Windows (of counted light, where there is light) in which at least one frame is missing; no
    dose is lost by them."""
    longest_gap_s: float
    breaks: int
    """Windows in which the device's sums began anew: their light is unknown."""
    missing_entries: int
    recorded_in_band_s: float | None = None
    again_in_band_s: float | None = None
    """Of a bake, from its readings."""
    removed: str | None = None
    """Why nothing can be computed from its samples: they were removed on purpose. ``ok`` is False
    then, and ``problems`` are those of the entries alone."""
    out_of_contact_s: float | None = None
    """The longest time of counted light with the vacuum out of its band; None where no contact was
    asked for."""


@dataclass(frozen=True, slots=True)
class Integral:
    """Dose of a run's samples, window by window between two samples of every channel."""

    dose_mj_cm2: float
    irradiance_mw_cm2: Floats
    seconds: Floats
    counted: npt.NDArray[np.bool_]
    breaks: int


def check_run(
    run: RunRecord,
    samples: SampleBlock,
    events: Sequence[RunEvent],
    *,
    missing_entries: int,
    limit_pct: float = LIMIT_PCT,
    contact: Limits | None = None,
) -> CheckResult:
    """Check a run given everything recorded of it, and the band its contact was asked to keep."""
    problems = _miscounted(run, len(samples), len(events), missing_entries)
    integral = recorded = difference = None
    light = run.start.run_kind not in WITHOUT_LIGHT
    in_band = again_in_band = out_of_contact = None
    if light:
        integral, recorded, difference = _light(run, samples, events, limit_pct, problems)
        out_of_contact, wrong = contact_again(samples, events, contact)
        gaps, longest = _gaps(integral.seconds[integral.counted]) if integral else (0, 0.0)
    else:
        problems += _not_without_light(run, samples)
        in_band, again_in_band, wrong = bake_again(run, samples)
        gaps, longest = _gaps(np.diff(samples.at_utc_ms) / 1000.0)
    problems += [wrong] if wrong else []
    return CheckResult(
        run_id=run.start.run_id,
        kind=run.start.run_kind,
        light=light,
        ok=not problems,
        verdict=_verdict(problems, run, recorded, difference, limit_pct),
        problems=tuple(problems),
        recorded_mj_cm2=recorded,
        reintegrated_mj_cm2=integral.dose_mj_cm2 if integral else None,
        difference_pct=difference,
        limit_pct=limit_pct,
        samples=len(samples),
        events=len(events),
        gaps=gaps,
        longest_gap_s=longest,
        breaks=integral.breaks if integral else 0,
        missing_entries=missing_entries,
        recorded_in_band_s=in_band,
        again_in_band_s=again_in_band,
        out_of_contact_s=out_of_contact,
    )


def check_removed(
    run: RunRecord, samples: int, events: Sequence[RunEvent], missing_entries: int
) -> CheckResult:
    """Of a run whose samples were removed, of which its entries tell so many: neither confirmed nor
    contradicted."""
    assert run.removed is not None
    problems = _miscounted(run, samples, len(events), missing_entries)
    recorded = run.end.dose_mj_cm2 if run.end is not None else None
    why = f"cannot be recomputed: {run.removed.text}"
    return CheckResult(
        run_id=run.start.run_id,
        kind=run.start.run_kind,
        light=run.start.run_kind not in WITHOUT_LIGHT,
        ok=False,
        verdict=f"not confirmed: {'; '.join(problems)}; {why}" if problems else why,
        problems=tuple(problems),
        recorded_mj_cm2=recorded,
        reintegrated_mj_cm2=None,
        difference_pct=None,
        limit_pct=LIMIT_PCT,
        samples=samples,
        events=len(events),
        gaps=0,
        longest_gap_s=0.0,
        breaks=0,
        missing_entries=missing_entries,
        removed=run.removed.text,
    )


def _light(
    run: RunRecord,
    samples: SampleBlock,
    events: Sequence[RunEvent],
    limit_pct: float,
    problems: list[str],
) -> tuple[Integral | None, float | None, float | None]:
    """The integral, the dose claimed, percent between; what is wrong is added to ``problems``."""
    integral: Integral | None = None
    recorded = _recorded(run, samples)
    if not len(samples) and not recorded and not any(e.name == EventName.ARMED for e in events):
        return None, None, None  # over before its first sample, and before any light
    try:
        integral = integrate(_calibration(run), samples, events)
    except ValueError as error:
        problems.append(str(error))
    difference = None
    if recorded is None:
        problems.append("no dose was recorded")
    elif integral is not None:
        difference = _difference_pct(run, recorded, integral.dose_mj_cm2)
        limit_mj_cm2 = limit_pct / 100.0 * max(abs(recorded), LEAST_MJ_CM2)
        if not abs(integral.dose_mj_cm2 - recorded) <= limit_mj_cm2:  # also when it is not a number
            problems.append(
                f"integrated again {integral.dose_mj_cm2:.3f} mJ/cm², recorded {recorded:.3f}: "
                f"{difference:+.3f} % apart, limit {limit_pct} % of "
                f"{max(abs(recorded), LEAST_MJ_CM2):.3f} mJ/cm²"
            )
    if integral is not None and integral.breaks:
        problems.append(f"the device restarted its sums in {integral.breaks} windows of light")
    return integral, recorded, difference


def _not_without_light(run: RunRecord, samples: SampleBlock) -> list[str]:
    """What a run without light must not have, and what a bake must."""
    kind, end = run.start.run_kind, run.end
    problems = []
    if run.start.target_dose_mj_cm2 is not None or (end and end.dose_mj_cm2 is not None):
        problems.append(f"a dose is recorded, and a {kind} has none")
    wanted = kind == "bake" and (len(samples) or (end and end.state == "complete"))
    if wanted and not np.isfinite(_column(samples, "oven_c", np.nan)).any():
        problems.append("no temperature of the oven was recorded")
    return problems


def integrate(
    calibration: LightCalibration, samples: SampleBlock, events: Sequence[RunEvent]
) -> Integral:
    """Dose by the device's cumulative sums: mean counts of each window times its device time.

    Columns: ``light_sum_i`` and ``light_count_i`` (the latter modulo 2^32); ``tick_s`` and
    ``head_c`` at the end of a window; ``counting`` 0 where a window's light is none of the run's.
    ValueError names what is missing."""
    channels = range(len(calibration.channels))
    wanted = [f"light_{kind}_{i}" for kind in ("sum", "count") for i in channels]
    missing = [name for name in wanted if name not in samples.raw]
    if missing:
        raise ValueError(f"samples have no columns {', '.join(missing)}; they cannot be integrated")
    counts = np.array([samples.raw[f"light_count_{i}"] for i in channels])
    rows = _sampled(counts & np.uint64(0xFFFF_FFFF))
    sums = np.array([samples.raw[f"light_sum_{i}"] for i in channels])[:, rows]
    counted_ticks = np.diff(counts[:, rows], axis=1) & np.uint64(0xFFFF_FFFF)
    mean = np.diff(sums, axis=1).astype(np.float64) / counted_ticks  # differences modulo 2^64
    ticks, at_end = samples.ticks[rows], rows[1:]

    times, darks = darks_of(calibration, events)
    dark = darks[:, np.searchsorted(times, ticks[1:], side="left") - 1]
    head_c = _column(samples, "head_c", np.nan)[at_end]
    irradiance = calibration.irradiance_mw_cm2(mean, dark, head_c)
    seconds = np.diff(ticks) * _tick_s(calibration, samples)[at_end]
    counted = _column(samples, "counting", 1.0)[at_end] > 0.0
    broken = (mean > _MAX_COUNTS).any(axis=0)
    good = counted & ~broken
    dose = float((calibration.rate_mw_cm2(irradiance[good]) * seconds[good]).sum())
    return Integral(dose, irradiance, seconds, counted, int((broken & counted).sum()))


def _sampled(counts: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """Rows between which every channel was sampled; the others join the window after them."""
    rows = np.arange(counts.shape[1])
    while (still := (np.diff(counts[:, rows], axis=1) == 0).any(axis=0)).any():
        rows = np.delete(rows, 1 + int(np.argmax(still)))
    return rows


def _column(samples: SampleBlock, name: str, otherwise: float) -> Floats:
    column = samples.values.get(name)
    return np.full(len(samples), otherwise) if column is None else column


def _tick_s(calibration: LightCalibration, samples: SampleBlock) -> Floats:
    fixed = np.nan if calibration.tick_s is None else calibration.tick_s
    column = _column(samples, "tick_s", fixed)
    filled = np.where(np.isnan(column), fixed, column)
    if np.isnan(filled).any():
        raise ValueError("the length of a device tick was not recorded")
    return filled


def _calibration(run: RunRecord) -> LightCalibration:
    try:
        return LightCalibration.model_validate(run.start.conditions.get("light"))
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in ("light", *first["loc"]))
        raise ValueError(f"the conditions give no calibration: {place}: {first['msg']}") from error


def _recorded(run: RunRecord, samples: SampleBlock) -> float | None:
    """The dose claimed; of a run cut short only up to its last sample."""
    if run.end is not None and run.end.state != "interrupted":
        return run.end.dose_mj_cm2
    column = _column(samples, "dose_mj_cm2", np.nan)
    known = column[np.isfinite(column)]
    return float(known[-1]) if len(known) else None


def _difference_pct(run: RunRecord, recorded: float, again: float) -> float:
    """Of the recorded dose; of the target where nothing was recorded."""
    return 100.0 * (again - recorded) / (recorded or run.start.target_dose_mj_cm2 or 1.0)


def _miscounted(run: RunRecord, samples: int, events: int, missing_entries: int) -> list[str]:
    problems = []
    if missing_entries:
        problems.append(f"{missing_entries} entries between start and end are missing")
    if run.end is None:
        problems.append("the run has no end yet")
    elif (run.end.samples, run.end.events) != (samples, events):
        problems.append(
            f"the end counts {run.end.samples} samples and {run.end.events} events, stored are "
            f"{samples} and {events}"
        )
    return problems


def _gaps(seconds: Floats) -> tuple[int, float]:
    """Windows in which a frame is missing, of all that count, and the longest."""
    if not len(seconds):
        return 0, 0.0
    long = seconds[seconds > _GAP_FACTOR * np.median(seconds)]
    return len(long), float(long.max(initial=0.0))


def _verdict(
    problems: list[str],
    run: RunRecord,
    recorded: float | None,
    difference: float | None,
    limit_pct: float,
) -> str:
    if problems:
        return "not confirmed: " + "; ".join(problems)
    if recorded is None:
        kind = run.start.run_kind
        what = f"a {kind}" if kind in WITHOUT_LIGHT else "an exposure that ended before any light"
        return f"confirmed: every entry is there; {what} has no dose to compare"
    return (
        f"confirmed: {recorded:.2f} mJ/cm² recorded, {difference:+.4f} % by the stored samples "
        f"(limit {limit_pct} %), every entry is there"
    )
