"""What one standing order is to do, or why it cannot be given. Pure."""

from __future__ import annotations

from collections.abc import Sequence

from platelink.control.light import sentences
from platelink.control.light.dose import DoseRule, Point
from platelink.control.light.hour import LightHour
from platelink.control.light.plan import NO_LIGHT_S, StretchPlan
from platelink.control.light.request import ExposureRequest, Optics
from platelink.control.light.tally import Tally
from platelink.link import messages as m

COLDER = 1.2
"""Lamps may need so much longer than those of the exposure before, and the hour has to last."""


def stretch_plan(
    request: ExposureRequest, tally: Tally, darks: Sequence[float], order: int, optics: Optics,
    *, hour: LightHour, point: Point,
) -> StretchPlan | str:  # fmt: skip
    """The plan of the next stretch of light with this dark reading, which becomes the tally's; or
    what is in the way. ``hour`` is what the device has given before ``point``."""
    rule = tally.meter.rule
    problem = optics.light.dark_problem(
        darks, expected_mw_cm2=tally.expected_mw_cm2, tolerance_pct=request.tolerance_pct
    )
    predicted_s = tally.predicted_s()
    left_s = request.max_light_s - tally.light_s(None)
    if predicted_s > left_s:
        problem = (
            f"the target needs about {predicted_s:.0f} s at {tally.expected_mw_cm2:.2f} "
            f"mW/cm², the limit leaves {left_s:.0f} of {request.max_light_s:.0f} s; "
            "change the lamps or raise the limit"
        )
    hour_s = hour.left(point.ticks) * point.tick_s
    order_s = m.MAX_GUARD_TICKS * point.tick_s
    at_once_s = min(COLDER * predicted_s, order_s)
    if not problem and at_once_s > hour_s:
        free_in = hour.free_in(round(at_once_s / point.tick_s), point.ticks)
        problem = sentences.hour_spent(at_once_s, hour_s, free_in * point.tick_s)
    if problem:
        return problem
    light = rule.light.with_dark(darks)
    tally.meter.rule = DoseRule(light, rule.reciprocity_p, rule.reference_mw_cm2)
    own_s = min(left_s, request.guard_factor * max(0.0, predicted_s) + NO_LIGHT_S)
    return StretchPlan(
        order=order,
        target_dose_mj_cm2=request.target_dose_mj_cm2 - tally.shift_mj_cm2 - tally.kept_back(),
        predicted_s=predicted_s,
        guard_s=min(own_s, hour_s, order_s),
        device_ends=min(hour_s, order_s) < own_s,
        silence_s=request.silence_s,
        silence_policy=request.silence_policy,
        expected_mw_cm2=tally.expected_mw_cm2,
        seen_mw_cm2=tally.seen_mw_cm2,
        dark_mw_cm2=tally.dark_mw_cm2,
        learned=tally.learned,
        adc_max=optics.adc_max,
        tolerance_pct=request.tolerance_pct,
    )
