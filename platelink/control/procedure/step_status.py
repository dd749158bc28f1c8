"""What a face shows of a step beside what all steps have. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.control.contact.contact import ContactLimits
from platelink.control.steps.bake_status import BakeStatus
from platelink.control.steps.oven import BakeRequest
from platelink.control.steps.stage import StagesStatus
from platelink.control.steps.water import WaterStatus
from platelink.recipe.steps import ExposeStep, InspectStep


@dataclass(frozen=True, slots=True)
class ExposurePart:
    """Of an exposure, without what the one going on has given so far."""

    step: ExposeStep
    given_mj_cm2: float
    contact: ContactLimits | None
    """None where it needs none."""


@dataclass(frozen=True, slots=True)
class BakePart:
    """Of a bake."""

    request: BakeRequest
    status: BakeStatus | None
    """None before it begins."""


@dataclass(frozen=True, slots=True, kw_only=True)
class StepStatus:
    """The part that belongs to the step's kind."""

    exposure: ExposurePart | None = None
    bake: BakePart | None = None
    stage: StagesStatus | None = None
    inspect: InspectStep | None = None
    water: WaterStatus | None = None
    """Of a washout whose water has a band; beside its stage."""
    waiting_for: str = ""
    """Why it cannot begin."""
