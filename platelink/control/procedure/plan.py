"""From a recipe to what is asked of the unit: places, requests, stages. Pure.

A step says what must be true; the unit's own settings fill in what the step leaves out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

from platelink.control.contact import ContactLimits
from platelink.control.exposure_request import ExposureRequest
from platelink.control.oven import BakeRequest
from platelink.control.stages import Stage, WaterBand
from platelink.link.messages import SilencePolicy
from platelink.recipe.model import Recipe
from platelink.recipe.steps import (
    BakeStep,
    BlowOffStep,
    ExposeStep,
    PromptStep,
    Step,
    WashStep,
)

LEAST_REMAINDER = 1e-3
"""Share of the dose below which a remainder is none: less than the device can close to."""

PLACES: dict[str, str] = {
    "expose": "exposure unit",
    "wash": "washout",
    "blow_off": "washout",
    "bake": "oven",
    "inspect": "bench",
    "prompt": "bench",
}
"""Where each kind of step is done: the unit procedure of ISA-88."""


@dataclass(frozen=True, slots=True)
class StepDefaults:
    """What this unit has, and its own settings where a recipe leaves something open."""

    contact: ContactLimits | None = None
    has_vacuum: bool = False
    has_oven: bool = False
    own_lamps: bool = False
    """The unit switches its own lamps: an exposure can be stopped, and not held."""
    max_light_s: float = 3600.0
    silence_policy: SilencePolicy = SilencePolicy.FINISH
    silence_s: float = 2.0
    tolerance_pct: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PlatePlan:
    """One plate as it was asked for; never changed."""

    plate: str
    recipe: Recipe
    revision: str
    """Such as ``plate-a@3``."""
    content_hash: str
    who: str
    job: str | None = None
    lot: str | None = None
    area_cm2: float | None = None
    note: str | None = None
    findings: tuple[str, ...] = field(default=())
    """What stood against lot, screens or recipe and was accepted."""

    @property
    def steps(self) -> tuple[Step, ...]:
        """The recipe's steps."""
        return self.recipe.step


def cannot_make(recipe: Recipe, unit: StepDefaults) -> Iterator[str]:
    """What this unit lacks for a recipe."""
    for step in recipe.step:
        if isinstance(step, BakeStep) and not unit.has_oven:
            yield f"step {step.name} needs an oven sensor; configure [oven]"
        elif isinstance(step, ExposeStep) and step.contact is not None and not unit.has_vacuum:
            yield (
                f"step {step.name} needs contact vacuum; configure [vacuum], or use a recipe "
                "with contact = false"
            )


def exposure_request(
    step: ExposeStep, unit: StepDefaults, *, delivered_mj_cm2: float = 0.0
) -> ExposureRequest:
    """The exposure of a step, or what is left of it."""
    return ExposureRequest(
        target_dose_mj_cm2=step.dose_mj_cm2 - delivered_mj_cm2,
        contact=contact_limits(step, unit),
        max_light_s=unit.max_light_s,
        guard_factor=step.guard_factor,
        silence_policy=unit.silence_policy,
        silence_s=unit.silence_s,
        tolerance_pct=unit.tolerance_pct,
        abort_on_leak=step.on_leak == "abort",
    )


def contact_limits(step: ExposeStep, unit: StepDefaults) -> ContactLimits | None:
    """The contact a step asks for; None where it needs none."""
    band = step.contact
    if band is None:
        return None
    asked = {name: value for name, value in band.model_dump().items() if value is not None}
    if unit.contact is not None:
        return replace(unit.contact, **asked)
    return ContactLimits(**asked)


def bake_request(step: BakeStep) -> BakeRequest:
    """The bake of a step."""
    return BakeRequest(
        low_c=step.low_c,
        high_c=step.high_c,
        in_band_s=step.in_band_s,
        over_c=step.limit_c,
        band_limit_s=step.reach_limit_s,
        activation_kj_mol=step.activation_energy_kj_mol,
        reference_c=step.nominal_c,
    )


def stages_of(step: WashStep | BlowOffStep | PromptStep) -> tuple[Stage, ...]:
    """The stages of a step done by hand."""
    if isinstance(step, WashStep):
        return tuple(
            Stage(
                name=stage.name, prompt=stage.prompt, time_s=stage.duration_s,
                tolerance_s=stage.tolerance_s,
            )
            for stage in step.stage
        )  # fmt: skip
    prompt = step.instructions or "Water off with low-pressure air."
    return (Stage(name=step.name, prompt=prompt, time_s=step.duration_s, at_least=True),)


def water_of(step: WashStep | BlowOffStep | PromptStep) -> WaterBand | None:
    """The band of the washout water; None where the recipe states none."""
    if not isinstance(step, WashStep) or step.water_low_c is None or step.water_high_c is None:
        return None
    return WaterBand(step.water_low_c, step.water_high_c)
