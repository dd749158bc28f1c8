"""Judges a case by the plant's truth and by what was said. It shares no code with the product.

Each rule is a promise to the person at the unit; ``RULES`` says it in words.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from platelink.simulated.campaign.draw import Strike
from platelink.simulated.campaign.seen import Exposed, Look, Seen

KNOWN_S = 1.0
"""A face may be wrong for this long after what contradicts it could be known."""
SHOWN_S = 0.5
"""Between two looks of the part that shows it."""
CLOSES_S = 1.0
"""A device, its contactor and its lamps are dark this long after an order ends."""
ALARMED_S = 2.0
LOOSE_S = 1.5
"""[contact] debounce_s, a gauge that stands still, or gauge_silence_s, and the way to the lamps."""
CONTACT_ALARMS = ("contact lost", "gauge silent", "gauge stuck")
TOLERANCE = 0.02
"""Of the target: what [exposure] tolerance_pct and the recipe's state."""
RECORD_MJ_CM2, RECORD_SHARE = 0.6, 0.01
"""How far a dose without any doubt may be from the true one."""
NEXT_S = 90.0
TOP_MW_CM2 = 16.0
"""No sensor of a case tells more."""
HEARD_S = 0.2
"""Some frames are lost; more are a silence."""
GOES_OUT_S = 0.35
"""So long before the end no step can be told from the end itself, and a look; docs/exposure.md
says what may be then."""
ONE_STEP_S = 0.7
"""What changes within this long is one step of the light."""
COMPARED_S = 2.0
"""Light heard for so long before it was not heard tells what it was."""

RULES = {
    "light alarmed": "light without an order is alarmed",
    "face dark": "no face says dark while the lamps are lit",
    "nothing old": "no value is shown that the device said more than a second ago",
    "contact in light": "no light stays on without contact, unless there is an alarm",
    "complete dose": "complete means the true dose within the tolerance",
    "complete dark": "nothing is complete before it is dark",
    "recorded dose": "the recorded dose with its bound holds the true dose",
    "ends": "every run ends in bounded time",
    "recorded": "nothing that was shown as recorded is missing",
    "next": "the next exposure is not worse for it",
    "no exception": "no input raises an exception",
    "gets on": "no input makes it spin or wait for ever",
}
"""Name of a rule, and its promise."""


@dataclass(frozen=True, slots=True)
class Violation:
    """A promise that was not kept."""

    rule: str
    text: str


def judge(seen: Seen) -> list[Violation]:
    """Every promise that was not kept, one of each rule."""
    found: dict[str, Violation] = {}
    for violation in _all(seen):
        found.setdefault(violation.rule, violation)
    return list(found.values())


def _all(seen: Seen) -> Iterator[Violation]:
    for fault in seen.faults:
        yield Violation("no exception", fault)
    yield from _light(seen.looks)
    for exposed in seen.exposed.values():
        yield from _exposed(exposed, _hidden(exposed, seen))
    for run_id in seen.open_runs:
        yield Violation(
            "ends", f"{run_id} was still open {_after(seen):.0f} s after the last fault"
        )
    yield from _recorded(seen)
    yield from _next(seen)


def _after(seen: Seen) -> float:
    return seen.looks[-1].t - seen.quiet_at


def _light(looks: list[Look]) -> Iterator[Violation]:
    """Lit stretches by what the device drives and by what is said."""
    left_s = wrong_s = loose_s = 0.0
    for before, look in pairwise(looks):
        dt_s = look.t - before.t
        status = look.status
        knows = status is not None and status.link.state == "up" and _fresh(look)
        if status is not None and status.reading is not None and _age_s(look) > KNOWN_S + SHOWN_S:
            yield Violation("nothing old", f"at {look.t:.1f} s, {_age_s(look):.1f} s old")
        left_s = left_s + dt_s if look.lit and not look.output else 0.0
        alarms = status.alarms.list if status is not None else []
        alarmed = any(a.active and a.priority in ("high", "urgent") for a in alarms)
        if left_s > CLOSES_S + ALARMED_S and knows and not alarmed:
            yield Violation("light alarmed", f"at {look.t:.1f} s, lit {left_s:.1f} s unordered")
        wrong_s = wrong_s + dt_s if look.lit and knows and _says_dark(look) else 0.0
        if wrong_s > KNOWN_S + 0.2:
            yield Violation("face dark", f"at {look.t:.1f} s")
        calls = any(a.active and a.name in CONTACT_ALARMS for a in alarms)
        unheld = look.loose and look.lit and look.output and knows and not calls
        loose_s = loose_s + dt_s if unheld else 0.0
        if loose_s > LOOSE_S:
            yield Violation("contact in light", f"at {look.t:.1f} s, not for {loose_s:.1f} s")


def _age_s(look: Look) -> float:
    """Of the device's newest frame, as the status has it."""
    age_s = look.status.link.last_frame_age_s if look.status is not None else None
    return math.inf if age_s is None else age_s


def _fresh(look: Look) -> bool:
    return _age_s(look) < KNOWN_S


def _says_dark(look: Look) -> bool:
    status = look.status
    return status is not None and (status.light is None or status.light.state == "dark")


def _hidden(exposed: Exposed, seen: Seen) -> tuple[float, float]:
    """What fell while lamps struck unseen, a sensor failed in light that the host did not hear and
    had nothing to compare with, at one moment with a tube or the end of the light, or shifted by
    too little to tell it from lamps; and how much too much such a sensor may have told."""
    mine = [k for k in seen.looks if exposed.asked_at <= k.t <= exposed.ended_at]
    unknown = set(_not_comparable(mine))
    if _well_as_the_light_ends(mine) or _with_a_tube(seen.case.strikes):
        unknown |= {i for i, k in enumerate(mine) if k.output and k.spoilt}
    more = less = 0.0
    for i, (a, b) in enumerate(pairwise(mine), 1):
        spoilt = b.spoilt and i in unknown
        dt_s = b.t - a.t
        more += b.dose_mj_cm2 - a.dose_mj_cm2 if b.hidden or spoilt else b.small_mw_cm2 * dt_s
        less += (TOP_MW_CM2 if spoilt else b.small_mw_cm2) * dt_s
    return more, less


def _well_as_the_light_ends(looks: list[Look]) -> bool:
    """A sensor that failed is well again just then."""
    pairs = list(pairwise(looks))
    closes = [b.t for a, b in pairs if a.output and not b.output]
    mends = [b.t for a, b in pairs if a.spoilt and not b.spoilt]
    return _at_once(closes, mends, GOES_OUT_S)


def _with_a_tube(strikes: Sequence[Strike]) -> bool:
    """A tube goes out or on at one moment with a sensor's shift."""
    of = {"tube": list[float](), "light_offset": list[float]()}
    for strike in strikes:
        of.get(strike.kind, []).extend((strike.at_s, strike.at_s + strike.for_s))
    return _at_once(of["tube"], of["light_offset"], ONE_STEP_S)


def _at_once(times: Sequence[float], others: Sequence[float], within_s: float) -> bool:
    return any(abs(a - b) <= within_s for a in times for b in others)


def _not_comparable(looks: list[Look]) -> Iterator[int]:
    """Places of looks in light that nobody hears, where none is heard for long before it or none
    after it."""
    gap: list[int] = []
    heard_s = before_s = 0.0
    for i, (a, b) in enumerate(pairwise(looks), 1):
        if not b.output:
            yield from gap  # it ended unheard
            gap, heard_s, before_s = [], 0.0, 0.0
        elif b.status is None or b.status.link.state != "up" or _age_s(b) > HEARD_S:
            before_s, heard_s = max(before_s, heard_s), 0.0
            gap.append(i)
        else:
            if gap and before_s < COMPARED_S:
                yield from gap
            gap = []
            heard_s += b.t - a.t
    yield from gap


def _exposed(exposed: Exposed, hidden: tuple[float, float]) -> Iterator[Violation]:
    name = f"{exposed.run_id} of {exposed.target_mj_cm2:.1f} mJ/cm2"
    end = exposed.end
    if exposed.ended is None:
        return  # its end was told to nobody: the daemon died with it
    if end is None:
        if not exposed.ended.unrecorded:
            yield Violation("recorded", f"{name}: its end, {exposed.ended.state}")
        return
    true, target = exposed.true_mj_cm2, exposed.target_mj_cm2
    over, under = hidden
    if end.state == "complete":
        if exposed.ended_lit:
            yield Violation("complete dark", f"{name}: lit when it was complete")
        if not -TOLERANCE * target - under <= true - target <= TOLERANCE * target + over:
            yield Violation("complete dose", f"{name} is complete: {true:.2f} fell")
    more, less = _number(end.data.get("uncertain_mj_cm2")), _number(end.data.get("doubtful_mj_cm2"))
    slack = RECORD_MJ_CM2 + RECORD_SHARE * true
    dose = end.dose_mj_cm2 or 0.0
    if not dose - less - under - slack <= true <= dose + more + over + slack:
        bounds = f"{dose:.2f} -{less:.2f} +{more:.2f}"
        yield Violation("recorded dose", f"{name}, {end.state}: {bounds}, {true:.2f} fell")


def _number(value: object) -> float:
    return float(value) if isinstance(value, int | float) else 0.0


def _recorded(seen: Seen) -> Iterator[Violation]:
    for line in seen.told:
        event = line.event
        if not line.unrecorded and (event.run_id, event.name, event.text) not in seen.recorded:
            yield Violation("recorded", f"{event.name}: {event.text!r} of {event.run_id}")


def _next(seen: Seen) -> Iterator[Violation]:
    last = [e for e in seen.exposed.values() if e.last]
    if not last:
        yield Violation("next", f"was refused: {seen.refused}")
    for exposed in last:
        state = exposed.end.state if exposed.end is not None else "open"
        if state != "complete":
            reason = exposed.end.reason if exposed.end is not None else ""
            yield Violation("next", f"{exposed.run_id} ended {state}: {reason}")
