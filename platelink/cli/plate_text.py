"""A plate in progress as people read it: where it is, what to do now, what will happen. Pure."""

from __future__ import annotations

import textwrap

from platelink.cli.quantities import Display, clean
from platelink.contract.plates import (
    BakeAhead,
    BakeNow,
    DepthPoint,
    ExposeNow,
    InspectNow,
    PlateBrief,
    StageNow,
    StepNow,
)
from platelink.contract.texts import said
from platelink.units import DOSE, IRRADIANCE, PRESSURE, TEMPERATURE, Quantity

KINDS = {
    "expose": "exposure", "wash": "washout", "blow_off": "blow-off", "bake": "bake",
    "inspect": "inspection", "prompt": "by hand",
}  # fmt: skip
LIGHT_OR_HEAT = ("expose", "bake")
"""Kinds of step that are begun with care."""
TEXT_WIDTH = 96
LONGEST_S = 3 * 3600.0
"""A longer remainder is shown of no lamp: they are only beginning to light."""


def measured(quantity: Quantity, value: float | None, display: Display, more: int = 0) -> str:
    """A value in the unit to show, with ``more`` decimals than usual."""
    unit = display.unit(quantity)
    return quantity.format(value, unit, quantity.unit(unit).decimals + more)


def _band(quantity: Quantity, low: float | None, high: float | None, display: Display) -> str:
    """Two limits with one unit, after the word between."""
    return f"{_number(quantity, low, display)} and {measured(quantity, high, display)}"


def _number(quantity: Quantity, value: float | None, display: Display, more: int = 0) -> str:
    return measured(quantity, value, display, more).partition(" ")[0]


def clock(seconds: float | None) -> str:
    """Seconds as minutes and seconds."""
    if seconds is None:
        return "–"
    whole = max(0, round(seconds))
    return f"{whole // 60}:{whole % 60:02d}"


def head(plate: PlateBrief) -> str:
    """Which plate it is."""
    return clean(f"plate {plate.plate}: {plate.title} ({plate.recipe})")


def step_title(plate: PlateBrief) -> str:
    """The present step among all."""
    now = plate.now
    number = f"{plate.step + 1} of {len(plate.steps)}" if plate.step is not None else ""
    return clean(f"step {number}  {now.name}, {KINDS.get(now.kind, now.kind)}")


def cautions(now: StepNow) -> list[str]:
    """Dangers of the step, a line each."""
    return [clean(f"CAUTION  {said(text)}") for text in now.cautions]


def to_do(now: StepNow) -> list[str]:
    """What the person is to do, cautions first. Once light or heat has begun, what was to be done
    before it is left out."""
    stage = now.stage
    begun = now.kind in LIGHT_OR_HEAT and now.state != "ready"
    first = "" if begun else said(now.instructions or (stage.prompt if stage else ""))
    texts = [first] if first else []
    prompt = said(stage.prompt) if stage else ""
    if stage and prompt and prompt != first:
        texts.append(f"{stage.name}: {prompt}")
    wrapped = (clean(line) for text in texts for line in textwrap.wrap(text, TEXT_WIDTH))
    return [*cautions(now), *wrapped, *(_values_of(now.inspect) if now.inspect else ())]


def depth_limits(point: DepthPoint) -> str:
    """Between which depths a point is good."""
    return f"{point.low_um:g} to {point.high_um:g} µm"


def _values_of(inspection: InspectNow) -> list[str]:
    points = [
        f"measure  {p.name}: {depth_limits(p)}" + (f"  ({said(p.where)})" if p.where else "")
        for p in inspection.point
    ]
    checks = [f"answer   {c.name}: {said(c.question)}" for c in inspection.check]
    return [clean(line) for line in (*points, *checks)]


def will_happen(now: StepNow, display: Display) -> str:
    """What beginning or restarting a step of light or heat does."""
    if now.exposure:
        return _light_ahead(now.exposure, display)
    assert now.bake is not None
    bake = now.bake
    return (
        f"Counts {clock(bake.needed_s)} min between "
        f"{_band(TEMPERATURE, bake.low_c, bake.high_c, display)}; alarm above "
        f"{measured(TEMPERATURE, bake.over_c, display)}. Put the plate in and close the door: "
        "the oven heats by its own thermostat."
    )


def _light_ahead(exposure: ExposeNow, display: Display) -> str:
    given, target = exposure.dose_mj_cm2 or 0.0, exposure.target_dose_mj_cm2 or 0.0
    dose = measured(DOSE, target, display)
    if given > 0.0:
        dose = f"{measured(DOSE, target - given, display)} that are left of {dose}"
    contact = "at once, without contact vacuum"
    if limits := exposure.contact:
        vacuum = _band(PRESSURE, limits.low_kpa, limits.high_kpa, display)
        contact = f"once the vacuum holds between {vacuum}"
    return f"UV light comes on for {dose}, {contact}, and goes off by itself."


def progress(plate: PlateBrief, display: Display) -> str:
    """The present step in one line that changes."""
    now = plate.now
    parts = [now.state]
    if now.reason and now.state in ("holding", "held"):
        parts[0] += f": {now.reason}"
    if now.exposure:
        parts += _exposure(now.exposure, display)
    elif now.bake:
        parts += _bake(now.bake, display)
    elif now.stage:
        parts += _stage(now.stage, now.state)
    if now.water and now.water.water_c is not None:
        typed = f" (entered by {now.water.by})" if now.water.by else ""
        parts.append(f"water {measured(TEMPERATURE, now.water.water_c, display)}{typed}")
    if now.waiting_for:
        parts.append("waits for " + ", ".join(now.waiting_for))
    return clean("   ".join(part for part in parts if part))


def _exposure(exposure: ExposeNow, display: Display) -> list[str]:
    given = _number(DOSE, exposure.dose_mj_cm2, display, 1)
    parts = [
        exposure.step if exposure.step != "none" else "",
        f"{given} of {measured(DOSE, exposure.target_dose_mj_cm2, display)}",
    ]
    if exposure.light_s:
        parts.append(measured(IRRADIANCE, exposure.irradiance_mw_cm2, display))
    if exposure.remaining_s is not None and exposure.remaining_s <= LONGEST_S:
        parts.append(f"{clock(exposure.remaining_s)} to go")
    return parts


def _bake(bake: BakeAhead, display: Display) -> list[str]:
    if not isinstance(bake, BakeNow):
        return [f"{clock(bake.needed_s)} in the band to do"]
    oven = measured(TEMPERATURE, bake.oven_c, display)
    parts = [
        f"{bake.step}, air {oven}" if bake.step != "none" else f"air {oven}",
        f"{clock(bake.in_band_s)} of {clock(bake.needed_s)} in the band",
    ]
    if bake.mean_c is not None:
        parts.append(f"air mean {measured(TEMPERATURE, bake.mean_c, display)}")
    if bake.plate_c is not None:
        parts.append(f"plate about {measured(TEMPERATURE, bake.plate_c, display)}")
    return [*parts, "DOOR OPEN" if bake.door_open else ""]


def _stage(stage: StageNow, state: str) -> list[str]:
    parts = [f"{stage.name} {stage.number}/{stage.count}"] if stage.count > 1 else []
    if stage.planned_s is None:
        return [*parts, "confirm it when it is done"]
    parts.append(f"{clock(stage.elapsed_s)} of {clock(stage.planned_s)}")
    if state == "ready":
        return parts
    if stage.overdue:
        return [*parts, "OVERDUE: end it now and confirm"]
    return [*parts, "TIME IS UP: end it now and confirm" if stage.due else ""]
