"""Where the end of light leaves an exposure. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace

from platelink.contract.words import LampsWere
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import DOSES_DISAGREE, MAXIMUM_LIGHT_TIME_REACHED
from platelink.control.light import sentences
from platelink.control.light.stretch import Phase, Stretch
from platelink.control.light.tally import Tally
from platelink.control.states import REST, Noted, State
from platelink.events.light import Cause, Held
from platelink.link import messages as m

UNKNOWN_SHARE = 0.01
"""Largest share of the target by which an exposure that goes on may be off for what is unknown."""

HEARD_S = 0.5
"""A device silent for longer may have begun its light without a word."""
SOONER_S = 1.0
"""A guard time that ends by more than this too soon was not ours."""
_CLOSED_BY = {
    m.CloseReason.GUARD: Cause.LIGHT,
    m.CloseReason.SILENCE: Cause.LINK,
    m.CloseReason.INTERLOCK: Cause.INTERLOCK,
}


@dataclass(frozen=True, slots=True)
class Conclusion:
    """``to`` is complete or a passing state; None: it rests, from the one that it is passing."""

    to: State | None
    reason: str = ""
    trouble: Condition | None = None
    """What it says to its alarm."""
    not_counted: str = ""
    """What light the device's restart has left unknown, where the exposure rests or is over."""
    cause: Cause = Cause.DOSE


def cause_of(stretch: Stretch) -> Cause:
    """Of a fault found in the light."""
    if stretch.trouble is not None and stretch.trouble.alarm is DOSES_DISAGREE:
        return Cause.DOSE
    return Cause.DEVICE if stretch.fault == sentences.FORGOTTEN else Cause.LIGHT


def after_close(reason: m.CloseReason, tally: Tally, state: State) -> Conclusion:
    """The lamps are off and their after-glow is counted."""
    last, wrong = tally.over[-1], not_as_asked(tally)
    learning = not last.plan.learned.afterglow_known
    by_dose = reason is m.CloseReason.DOSE and not last.left_on
    if learning and by_dose and state is State.RUNNING and not not_again(tally, "", link_up=True):
        return Conclusion(State.RUNNING, "after-glow measured, the remaining dose follows")
    reached = reason is m.CloseReason.DOSE or tally.remaining_mj_cm2 <= 0.0
    if reached and not (wrong or last.left_on or state is State.ABORTING):
        return Conclusion(State.COMPLETE, "target dose reached")
    if state in (State.STOPPING, State.ABORTING):
        return Conclusion(None)
    if wrong is not None and reached:
        return wrong
    if last.left_on:
        text = sentences.was_left_on(tally.remaining_mj_cm2)
        return Conclusion(State.HOLDING, text, cause=Cause.LIGHT)
    return Conclusion(None) if state is State.HOLDING else _held_by(reason, tally)


def _held_by(reason: m.CloseReason, tally: Tally) -> Conclusion:
    """The device has closed too early."""
    if reason is m.CloseReason.STOP:
        return Conclusion(State.STOPPING, "stop button pressed", cause=Cause.STOP_BUTTON)
    trouble = None
    if reason is m.CloseReason.GUARD:
        last = tally.over[-1]
        if last.plan.device_ends or last.light_s < last.plan.guard_s - SOONER_S:
            text = sentences.device_limit(tally.remaining_mj_cm2)
            return Conclusion(State.HOLDING, text, cause=Cause.DEVICE)
        trouble = Condition(MAXIMUM_LIGHT_TIME_REACHED, True, last.light_s, last.plan.guard_s)
    text = sentences.closed_by(reason, tally.remaining_mj_cm2)
    return Conclusion(State.HOLDING, text, trouble, cause=_CLOSED_BY.get(reason, Cause.DEVICE))


def not_as_asked(tally: Tally) -> Conclusion | None:
    """Why an exposure that gives no more light is not complete: it waits for a person's word on
    the plate."""
    dose, target, limit = tally.likely_mj_cm2, tally.target_dose_mj_cm2, tally.limit_mj_cm2
    apart = max((s.disagreement_mj_cm2() for s in tally.over), default=0.0)
    if apart > limit:
        apart_pct, limit_pct = 100.0 * apart / target, 100.0 * limit / target
        trouble = Condition(DOSES_DISAGREE, True, apart_pct, limit_pct)
        return Conclusion(State.HOLDING, sentences.disagree(apart, limit), trouble)
    if tally.unsure_mj_cm2 > limit or abs(dose - target) <= limit < tally.worst_mj_cm2:
        say = sentences.what_fell if tally.asks else sentences.unsure
        return Conclusion(State.HOLDING, say(*tally.doubt))
    if abs(dose - target) > limit:
        return Conclusion(State.HOLDING, sentences.off_target(dose, target, limit))
    return None


def at_rest(tally: Tally) -> Noted:
    """What is known of the dose while it is dark: also after a person's word on it, which a crash
    may not make forgotten."""
    missing, doubt = tally.remaining_mj_cm2, sentences.doubt(*tally.doubt)
    past = f"{tally.over_mj_cm2:.1f} mJ/cm² over its dose"
    text = f"with {missing:.1f} mJ/cm² to go" if missing else past
    return Noted(Held(missing, *tally.doubt), f"held {text}" + (f", {doubt}" if doubt else ""))


def not_again(tally: Tally, reason: str, *, link_up: bool) -> str:
    """Why a held exposure cannot be restarted; empty when it can. Where something fell unseen the
    ``reason`` is a person's word on it, which is taken."""
    if not link_up:
        return "no link to the device"
    if tally.asks:
        if reason not in list(LampsWere):
            return sentences.what_fell(*tally.doubt)
        tally.settle(LampsWere(reason))
    if tally.remaining_mj_cm2 > tally.least_mj_cm2:
        return ""
    wrong = not_as_asked(tally)
    return wrong.reason if wrong else ""


def after_restart(
    stretch: Stretch | None, tally: Tally, silent_s: float, up_s: float, state: State
) -> Conclusion:
    """The device lost its sums: what light fell from its last sample, ``silent_s`` ago, to its
    start, ``up_s`` ago, is not known."""
    gap_s = silent_s - up_s if up_s <= silent_s else silent_s  # its clock may be off
    unheard = gap_s > HEARD_S or (stretch is not None and stretch.phase is not Phase.OPENING)
    if stretch is None or not unheard:
        text = "the device restarted before light; restart"
        held = Conclusion(State.HOLDING, text, cause=Cause.DEVICE)
        return Conclusion(None) if state in REST else held
    unseen = tally.unheard_mj_cm2(stretch, gap_s)
    tally.ended(stretch)
    if stretch.dark:
        text = "the end of the after-glow is not counted"
        return replace(after_close(stretch.close_reason, tally, state), not_counted=text)
    text = sentences.not_known(unseen, gap_s)
    tally.unknown_mj_cm2 += unseen
    if tally.unsure_mj_cm2 > UNKNOWN_SHARE * tally.target_dose_mj_cm2:
        return Conclusion(State.ABORTING, text + "; judge the plate", cause=Cause.DEVICE)
    if state in REST:
        return Conclusion(None, not_counted=text)
    return Conclusion(State.HOLDING, text + "; restart", cause=Cause.DEVICE)
