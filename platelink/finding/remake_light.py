"""The light of a plate to be made again: its doses by today's calibration, lamps and law. Pure.

A dose ends an exposure, so lamps that have faded take longer and give the same. What that does not
make up for: a calibration in between, which changes what a count is worth; the strength of the
light where the stock's p is not 1 (Schwarzschild's law, effect ~ E^p · t); the longest time that
the unit allows; the colour of other lamps, which no sensor here tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from platelink.contract.remake import Match, RemakeLine
from platelink.finding.remake_line import line_of
from platelink.finding.remake_scale import PLAIN, Given, LampsToday, Law
from platelink.recipe.model import ReciprocitySection
from platelink.recipe.steps import ExposeStep

NOTICED = 0.1
"""Share of a step's tolerance below which a dose is left as it is."""
MIX_PCT = 3.0
"""A change of the channels' shares that is told. Common practice, no source."""
P_DOUBT = 0.1
"""What the light's strength is worth is told for so much of p, where p is not known."""


@dataclass(frozen=True, slots=True)
class Exponent:
    """A stock's p as an experiment concluded it, with the levels it was found at."""

    name: str
    p: float
    low: float
    high: float
    from_mw_cm2: float
    to_mw_cm2: float

    def holds_at(self, *levels_mw_cm2: float) -> bool:
        """Whether it was found at such levels; it is not to be used far beyond them."""
        least, most = self.from_mw_cm2 / 1.2, self.to_mw_cm2 * 1.2
        return all(least <= level <= most for level in levels_mw_cm2)


def law_for(
    own: ReciprocitySection | None, found: Exponent | None, given: Sequence[Given]
) -> ReciprocitySection | None:
    """The recipe's own, unless an experiment has excluded its p; then that of the experiment, at
    the light that the plate had."""
    p = 1.0 if own is None else own.p
    levels = [one.level_mw_cm2 for one in given if one.level_mw_cm2]
    if found is None or found.low <= p <= found.high or not levels:
        return own
    if not (0.5 <= found.p <= 1.5 and found.holds_at(*levels)):
        return own
    reference = math.exp(sum(map(math.log, levels)) / len(levels))
    return ReciprocitySection(
        p=round(found.p, 3),
        p_uncertainty=round(min(0.5, (found.high - found.low) / 4.0), 3),
        reference_mw_cm2=float(f"{reference:.4g}"),
    )


class StepLight(NamedTuple):
    """An exposure to be made again."""

    lines: list[RemakeLine]
    dose_mj_cm2: float | None
    """For the draft; None: leave the recipe's."""
    evidence: str


def light_of(
    step: ExposeStep, given: Sequence[Given], today: LampsToday, *, found: Exponent | None,
    section: ReciprocitySection | None,
) -> StepLight:  # fmt: skip
    """The dose, the light and the time of a step. ``section``: the law of the draft."""
    if not given:
        text = "no dose of it is on record: it is as the recipe has it"
        line = line_of(step.name, "dose", "not known", text, today=step.dose_mj_cm2, unit="mJ/cm²")
        return StepLight([line], None, "")
    law = PLAIN if section is None else Law(section.p, section.reference_mw_cm2)
    wanted = sum(_effective(one, law) for one in given)
    kept = abs(wanted / step.dose_mj_cm2 - 1.0) * 100.0 < NOTICED * step.tolerance_pct
    dose = step.dose_mj_cm2 if kept else float(f"{wanted:.4g}")
    comparable = all(c.ratio is not None for one in given if not one.restated for c in one.changes)
    match: Match = ("same" if kept else "changed") if comparable else "not known"
    # The sensor may have changed before this plate, or after it.
    ends = sorted((wanted, wanted / given[0].by ** law.p))
    text = "; ".join(_reasons(given, law)) or "no calibration of light since: as it was given"
    lines = [line_of(
        step.name, "dose", match, text, then=sum(one.recorded_mj_cm2 for one in given), today=dose,
        unit="mJ/cm²", between=(ends[0], ends[1]) if ends[1] > ends[0] * (1.0 + 1e-6) else None,
    )]  # fmt: skip
    main = max(given, key=lambda one: one.recorded_mj_cm2)
    lines.append(_strength(step, main, today, found, law))
    lines += _time(step, given, dose, law, today)
    evidence = "" if kept else f"{step.name} {step.dose_mj_cm2:g} to {dose:g} mJ/cm² ({text})"
    return StepLight(lines, None if kept else dose, evidence)


def _effective(one: Given, law: Law) -> float:
    """The dose of an exposure by another law, its light taken as even."""
    if one.law == law or (one.law.p == law.p == 1.0) or not one.level_mw_cm2:
        return one.dose_mj_cm2
    return one.dose_mj_cm2 / one.law.rate(one.level_mw_cm2) * law.rate(one.level_mw_cm2)


def _reasons(given: Sequence[Given], law: Law) -> list[str]:
    """Why the dose is what it is, each once."""
    found = [text for one in given for text in _because(one)]
    if any(one.law != law and not one.law.p == law.p == 1.0 for one in given):
        found.append(
            f"counted as at {law.reference_mw_cm2:g} mW/cm², the light of then, by p = {law.p:g}"
        )
    unseen = sum(one.run.summary.uncertain_mj_cm2 or 0.0 for one in given)
    if unseen:
        found.append(f"{unseen:.1f} mJ/cm² more may have fallen unseen")
    return list(dict.fromkeys(found))


def _because(one: Given) -> list[str]:
    """What calibrations since did to a dose."""
    if one.restated:
        return ["its dose was stated again in the record"]
    found = []
    for change in one.changes:
        name = change.after.calibration
        if change.ratio is not None:
            found.append(
                f"the same counts mean {100.0 * (change.ratio - 1.0):+.1f} % by {name}; if the "
                "sensor changed only after this plate, it is the dose as recorded"
            )
            continue
        why = "cause not known" if change.cause is None else change.cause.value
        u = one.run.summary.against_meter_pct
        sure = "" if u is None else f", then sure to ±{u:.1f} % (k = 2)"
        found.append(
            f"light {change.channel} is on another scale since {name} ({why}): the dose is that "
            f"of the reference meter{sure}"
        )
    return found


def _strength(
    step: ExposeStep, one: Given, today: LampsToday, found: Exponent | None, law: Law
) -> RemakeLine:
    """What another strength of light does."""
    then, now = one.level_mw_cm2, today.level_mw_cm2
    match: Match = "not known"
    off = None
    if then is None:
        text = "how strong the light was is not on record"
    elif now is None:
        text = "no exposure with these lamps and this calibration yet: make one, and ask again"
    else:
        match, text, off = _of_ratio(step, then, now, found, law.p)
        text += f"; seen on {today.seen_on}"
    return line_of(step.name, "light", match, text, then=then, today=now, unit="mW/cm²",
                   off_pct=off)  # fmt: skip


def _of_ratio(
    step: ExposeStep, then: float, now: float, found: Exponent | None, p: float
) -> tuple[Match, str, float | None]:
    ratio = now / then
    changed = f"{100.0 * (ratio - 1.0):+.1f} %"
    if found is not None and not found.holds_at(then, now):
        return "not known", (
            f"{changed}; {found.name} found p at {found.from_mw_cm2:.1f} to "
            f"{found.to_mw_cm2:.1f} mW/cm² only"
        ), None  # fmt: skip
    if found is not None:
        # The dose that this law asks for, against that which each end of p would ask for.
        least, most = sorted(100.0 * (ratio ** (end - p) - 1.0) for end in (found.low, found.high))
        sure = max(abs(least), abs(most)) <= step.tolerance_pct
        text = (
            f"{changed}; p = {found.p:.2f} ({found.low:.2f} to {found.high:.2f}, {found.name}): "
            f"the dose will work like one of {least:+.1f} to {most:+.1f} %"
        )
        match: Match = ("same" if p == 1.0 else "changed") if sure else "differs"
        return match, text, None if sure else max(least, most, key=abs)
    if p != 1.0:
        return "changed", f"{changed}; the recipe's p = {p:g} makes up for it", None
    worth = 100.0 * abs(ratio**P_DOUBT - 1.0)
    if worth <= step.tolerance_pct / 2.0:
        return "same", f"{changed}; a p that is 0.1 off 1 would be worth {worth:.1f} %", None
    return "not known", (
        f"{changed}, and no experiment tells the stock's p: each 0.1 of p is worth {worth:.1f} % "
        "of dose (platelink find begin reciprocity)"
    ), None  # fmt: skip


def _time(
    step: ExposeStep, given: Sequence[Given], dose: float, law: Law, today: LampsToday
) -> list[RemakeLine]:
    """How long it takes today, against what the unit allows."""
    if today.level_mw_cm2 is None:
        return []
    rate = law.rate(today.level_mw_cm2)
    needed_s = dose / rate + today.warm_up_s
    match: Match = "same"
    text, off = "", None
    if today.limit_s is not None:
        text = f"the unit allows {today.limit_s:.0f} s"
        if needed_s > today.limit_s:
            most = max(0.0, today.limit_s - today.warm_up_s) * rate
            match, off = "cannot", 100.0 * (most / dose - 1.0)
            text += f": {most:.0f} of {dose:.0f} mJ/cm² would be given; replace the lamps"
    then_s = sum(one.run.summary.light_s or 0.0 for one in given)
    return [line_of(step.name, "light time", match, text, then=then_s or None, today=needed_s,
                    unit="s", off_pct=off)]  # fmt: skip


def lamps_line(given: Sequence[Given], today: LampsToday) -> list[RemakeLine]:
    """Other lamps, or light that comes from another place or has another colour."""
    if not given:
        return []
    first, lines = given[0], []
    if first.nth_set != today.nth_set:
        text = (
            "other lamps: of another colour the same dose does not harden the same, and no sensor "
            "here tells colour; make a wedge on them (platelink find begin wedge)"
        )
        lines.append(line_of("", "lamps", "not known", text, then=f"set {first.nth_set}",
                             today=f"set {today.nth_set}"))  # fmt: skip
    then, now = first.channels_mw_cm2, today.channels_mw_cm2
    if len(then) == len(now) > 1 and all(c.ratio is not None for c in first.changes):
        shares = [(b / sum(now)) / (a / sum(then)) for a, b in zip(then, now, strict=True)]
        most = 100.0 * max(abs(share - 1.0) for share in shares)
        if most > MIX_PCT:
            text = (
                "the light channels' shares of the light changed: the bed is lit otherwise, or "
                "the colour is another; read the bed (platelink find begin bed)"
            )
            lines.append(line_of("", "channels", "differs", text, off_pct=most))
    return lines
