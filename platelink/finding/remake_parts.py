"""Contact, oven, water, screen and lot of a plate to be made again. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, NamedTuple

import numpy as np

from platelink.contract.remake import Match, RemakeLine
from platelink.contract.runs import BakeEnd
from platelink.contract.story import StageTold
from platelink.control.steps.oven import acceleration
from platelink.finding.remake_line import line_of
from platelink.finding.shifted import LOT_SD
from platelink.recipe.steps import BakeStep, ExposeStep, WashStep
from platelink.recipe.supplies import (
    Expired,
    FilmNow,
    LotNow,
    ScreenNow,
    film_findings,
    lot_findings,
    screen_findings,
)
from platelink.record.stored import RunRecord
from platelink.sensing.calibration import Line
from platelink.sensing.vacuum import ReachingGauge

NEWEST = 5
"""So many exposures and bakes tell what the frame and the oven do today."""
WEAKER_KPA = 2.0
"""A change of the vacuum that is told. Common practice, no source."""
WARMER_K = 1.0
"""The same of an oven's mean. Common practice, no source."""
MINUTES_SHARE = 0.02
"""A smaller change of a bake's minutes is none."""
HOLD_RULES = ("pull_down_limit_s", "hold_test_s", "draw_down_s", "fall_limit_kpa_per_min")
"""What a recipe may leave to the unit."""
Config = Mapping[str, Any]


class Part(NamedTuple):
    """A step to be made again: its lines, what the draft has otherwise, and the evidence."""

    lines: list[RemakeLine]
    changes: dict[str, Any]
    evidence: str


@dataclass(frozen=True, slots=True)
class Oven:
    """The oven of today."""

    reach_c: tuple[float, float] | None
    """What its sensor can tell; None: none is configured."""
    means_c: Sequence[tuple[float, float, float]]
    """Band and mean of the newest complete bakes, newest first."""
    then_line: Line | None = None
    """Of the calibration that the plate's bake was read with; None: as configured."""
    line: Line | None = None
    """Of the one in force."""
    comparable: bool = True
    """Both calibrations are of the same sensor, and known."""
    names: tuple[str, str] = ("as configured", "as configured")


# --- contact -----------------------------------------------------------------------------------


def contact_of(
    step: ExposeStep, then_kpa: Sequence[float], newest_kpa: Sequence[float], *,
    gauge: ReachingGauge | None, then: Config, today: Config,
) -> Part:  # fmt: skip
    """Means of the vacuum while light was counted, of this step and of the newest exposures; the
    section [contact] of then and of today."""
    band = step.contact
    if band is None:
        return Part([], {}, "")
    lines, changes = [], {}
    was = float(np.median(then_kpa)) if then_kpa else None
    now = float(np.median(newest_kpa[:NEWEST])) if newest_kpa else None
    match: Match = "same"
    off = None
    text = f"the band is {band.low_kpa:g} to {band.high_kpa:g} kPa"
    problem = ""
    if gauge is not None:
        problem = gauge.reach_problem(band.low_kpa)
        problem = problem or gauge.band_problem(band.low_kpa, band.high_kpa)
    if gauge is None:
        match, text = "cannot", "this unit has no vacuum gauge: configure [vacuum]"
    elif problem:
        match, text = "cannot", f"{text}, and the gauge cannot tell it: {problem}"
    elif was is None or now is None:
        which = "this plate" if was is None else "newer exposures"
        match, text = "not known", f"{text}; no vacuum of {which} is on record"
    elif now < band.low_kpa:
        match, off = "cannot", 100.0 * (now / was - 1.0)
        text = f"{text}; the newest exposures did not hold it: look for a leak"
    elif abs(now - was) > WEAKER_KPA:
        match, off = "differs", 100.0 * (now / was - 1.0)
        text = f"{text}; the newest exposures were held at {now - was:+.1f} kPa of it"
    lines.append(
        line_of(step.name, "contact", match, text, then=was, today=now, unit="kPa", off_pct=off)
    )
    for rule in HOLD_RULES:
        before, after = then.get(rule), today.get(rule)
        if getattr(band, rule) is None and before is not None and before != after:
            changes[rule] = before
            name = rule.removesuffix("_s").removesuffix("_kpa_per_min").replace("_", " ")
            unit = "kPa/min" if rule.endswith("per_min") else "s"
            text = "the recipe leaves it to the unit, which had it otherwise; the draft has it"
            lines.append(
                line_of(step.name, name, "changed", text, then=before, today=after, unit=unit)
            )
    evidence = f"{step.name}: hold rules of then" if changes else ""
    return Part(lines, changes, evidence)


# --- oven --------------------------------------------------------------------------------------


def bake_of(step: BakeStep, runs: Sequence[RunRecord], oven: Oven) -> Part:
    """Minutes in the band and the mean temperature; the same drying at the oven's mean of today, by
    Arrhenius, where the recipe has an activation energy."""
    limits = _oven_limits(step, oven)
    ends = [BakeEnd.model_validate(run.end.data) for run in runs if run.end is not None]
    done = [end for end in ends if end.in_band_s]
    if not done:
        text = "no bake of it is on record: it is as the recipe has it"
        line = line_of(step.name, "bake", "not known", text, today=step.in_band_s, unit="s")
        return Part([*limits, line], {}, "")
    in_band_s = sum(end.in_band_s or 0.0 for end in done)
    shift_k = _shift_k(oven, step.nominal_c)
    then_c = _mean_c(done, step.nominal_c) + (shift_k or 0.0)
    of_band = [c for low, high, c in oven.means_c if (low, high) == (step.low_c, step.high_c)]
    today_c = float(np.median(of_band[:NEWEST])) if of_band else step.nominal_c
    said = [_of_calibration(oven, shift_k)] if oven.names[0] != oven.names[1] else []
    said.append("the newest bakes' mean" if of_band else "no newer bake in this band: nominal")
    energy = step.activation_energy_kj_mol
    match: Match = "same" if shift_k is not None else "not known"
    if energy is None:
        factor = 1.0
        if abs(then_c - today_c) > WARMER_K:
            match = "not known"
            said.append("the recipe has no activation energy, so the time in band is kept")
    else:
        of_then, of_today = (
            acceleration(c, reference_c=step.nominal_c, activation_kj_mol=energy)
            for c in (then_c, today_c)
        )
        factor = of_then / of_today
        said.append(f"the same drying by {energy:g} kJ/mol")
    kept = abs(in_band_s * factor / step.in_band_s - 1.0) < MINUTES_SHARE
    new_s = step.in_band_s if kept else max(1.0, round(in_band_s * factor / 10.0) * 10.0)
    if not kept and match == "same":
        match = "changed"
    text = "; ".join(said)
    lines = [
        line_of(step.name, "bake", "same" if kept else "changed", "time in the band",
                then=in_band_s, today=new_s, unit="s"),
        line_of(step.name, "oven mean", match, text, then=then_c, today=today_c, unit="°C"),
    ]  # fmt: skip
    told = f"{then_c:.1f} °C then, {today_c:.1f} °C today; {text}"
    evidence = "" if kept else f"{step.name} {step.in_band_s:g} to {new_s:g} s in band ({told})"
    return Part([*limits, *lines], {} if kept else {"in_band_s": new_s}, evidence)


def _oven_limits(step: BakeStep, oven: Oven) -> list[RemakeLine]:
    """What the oven's sensor cannot tell."""
    if oven.reach_c is None:
        text = "this unit has no oven sensor: configure [oven]"
    elif not oven.reach_c[0] <= step.low_c <= step.limit_c <= oven.reach_c[1]:
        low, high = oven.reach_c
        text = (
            f"limits of {step.low_c:g} to {step.limit_c:g} °C, and the sensor reads {low:.0f} to "
            f"{high:.0f} °C only"
        )
    else:
        return []
    return [line_of(step.name, "oven", "cannot", text)]


def _mean_c(done: Sequence[BakeEnd], nominal_c: float) -> float:
    """Over all bakes of the step."""
    means = [(end.mean_c, end.in_band_s or 0.0) for end in done if end.mean_c is not None]
    return sum(c * s for c, s in means) / sum(s for _, s in means) if means else nominal_c


def _shift_k(oven: Oven, at_c: float) -> float | None:
    """How much more the same oven reads today; None where that is not known."""
    if not oven.comparable:
        return None
    x = at_c if oven.then_line is None else (at_c - oven.then_line.offset) / oven.then_line.gain
    return (x if oven.line is None else oven.line.value(x)) - at_c


def _of_calibration(oven: Oven, shift_k: float | None) -> str:
    then, now = oven.names
    if shift_k is None:
        return f"the oven is read by {now}, then by {then}: how both compare is not known"
    return f"by {now} the same oven reads {shift_k:+.1f} K of {then}"


# --- water -------------------------------------------------------------------------------------


def wash_of(step: WashStep, told: Sequence[StageTold]) -> Part:
    """Stages as they were timed: the draft takes what was beyond its tolerance."""
    lines, stages, changed = [], [], []
    by_name = {one.name: one for one in told}
    for stage in step.stage:
        one, lasts_s = by_name.get(stage.name), stage.duration_s
        match: Match = "same"
        if one is None:
            match = "not known"
        elif abs(one.actual_s - stage.duration_s) > stage.tolerance_s:
            match, lasts_s = "changed", max(1.0, float(round(one.actual_s)))
            changed.append(f"{stage.name} {lasts_s:g} s")
        stages.append(stage.model_dump(mode="json") | {"duration_s": lasts_s})
        lines.append(line_of(
            step.name, stage.name, match, "" if one else "not on record",
            then=one.actual_s if one else None, today=lasts_s, unit="s",
        ))  # fmt: skip
    means = [one.water_mean_c for one in told if one.water_mean_c is not None]
    if means:
        text = "have the bath so warm"
        if step.water_low_c is not None:
            text += f"; the band is {step.water_low_c:g} to {step.water_high_c:g} °C"
        mean_c = sum(means) / len(means)
        lines.append(line_of(step.name, "water", "not known", text, then=mean_c, unit="°C"))
    text = "how old they were then and are today is not compared"
    lines.append(line_of(step.name, "bath and brush", "not known", text))
    evidence = f"{step.name}: as timed, {', '.join(changed)}" if changed else ""
    return Part(lines, {"stage": stages} if changed else {}, evidence)


# --- screen and lot ----------------------------------------------------------------------------

_ANOTHER = "depth belongs to the screen: another one needs a dose of its own"


def screen_of(step: ExposeStep, shelf: Mapping[str, ScreenNow]) -> list[RemakeLine]:
    """The same screen, if it is there."""
    if step.screen is None:
        return []
    now = shelf.get(step.screen)
    if now is None:
        text = f"screen {step.screen} is not entered; {_ANOTHER}"
        return [line_of(step.name, "screen", "cannot", text, then=step.screen)]
    found = screen_findings(now, wanted=None)
    text = "; ".join(one.text for one in found) or f"used {now.uses} times"
    if any(one.blocks for one in found):
        return [line_of(step.name, "screen", "cannot", f"{text}; {_ANOTHER}", then=step.screen)]
    match: Match = "not known" if found else "same"
    return [line_of(step.name, "screen", match, text, then=step.screen, today=step.screen)]


def film_of(
    name: str, films: Sequence[FilmNow], *, least_density: float | None, today: date
) -> RemakeLine:
    """The same artwork film, if it is there. ``least_density``: as the shop has it."""
    now = next((one for one in films if one.film.name == name), None)
    if now is None:
        text = f"film {name} is not entered: nobody knows whether it is as it was"
        return line_of("", "artwork film", "not known", text, then=name)
    found = film_findings(now, least_density=least_density, today=today)
    text = "; ".join(one.text for one in found) or f"used {now.uses} times"
    if any(one.blocks for one in found):
        return line_of("", "artwork film", "cannot", text, then=name)
    match: Match = "not known" if found else "same"
    return line_of("", "artwork film", match, text, then=name, today=name)


_GONE = ("lot closed", "lot used up", "not enough area")


def lot_of(
    name: str | None, stock: str | None, area_cm2: float, lots: Sequence[LotNow], *, today: date,
    expired: Expired,
) -> RemakeLine:  # fmt: skip
    """The same lot, or another of its stock."""
    if name is None:
        return line_of("", "lot", "not known", "no lot is recorded of this plate")
    own = next((one for one in lots if one.lot.name == name), None)
    against, gone = [f"lot {name} is not entered"], True
    if own is not None:
        stock = stock or own.lot.stock
        found = lot_findings(own, stock=stock, area_cm2=area_cm2, today=today, expired=expired)
        if not found:
            return line_of("", "lot", "same", "", then=name, today=name)
        against = [one.text for one in found]
        gone = any(one.blocks or one.name in _GONE for one in found)
    others = [
        one.lot.name for one in lots
        if one.lot.name != name and stock is not None
        and not lot_findings(one, stock=stock, area_cm2=area_cm2, today=today, expired=expired)
    ]  # fmt: skip
    said = "; ".join(against)
    if not gone:
        return line_of("", "lot", "not known", said, then=name, today=name)
    if not others:
        text = f"{said}; no other lot of {stock or 'its stock'} is in use"
        return line_of("", "lot", "cannot", text, then=name)
    spread = 2.0 * 100.0 * LOT_SD
    text = (
        f"{said}; of the same stock: {', '.join(others)}. Another lot may need ±{spread:.0f} % of "
        "dose (k = 2, assumed): two patches tell (platelink find begin depth)"
    )
    return line_of("", "lot", "differs", text, then=name, today=others[0], off_pct=spread)
