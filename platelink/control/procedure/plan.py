"""One plate as it was asked for, and what its unit has. Data only."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

from platelink.control.contact.contact import ContactLimits
from platelink.control.steps.door import ClosedFalls
from platelink.link.messages import SilencePolicy
from platelink.recipe.dither import dither_pct, for_plate
from platelink.recipe.model import Recipe
from platelink.recipe.plate_kind import with_cautions
from platelink.recipe.steps import Step
from platelink.sensing.budget import OnBed

ANY_C = -math.inf, math.inf


@dataclass(frozen=True, slots=True)
class StepDefaults:
    """What this unit has, and its own settings where a recipe leaves something open."""

    contact: ContactLimits | None = None
    has_vacuum: bool = False
    has_oven: bool = False
    oven_reach_c: tuple[float, float] = ANY_C
    """What the oven's sensor can tell."""
    closed_falls: ClosedFalls = field(default_factory=ClosedFalls)
    """What the oven taught of its closed door; every bake adds to it."""
    water_reach_c: tuple[float, float] = ANY_C
    """What the probe in the water can tell; anything, where a person measures it."""
    vacuum_problem: Callable[[float, float], str] = lambda low_kpa, high_kpa: ""
    """Why the gauge can never read these limits; empty when it can."""
    own_lamps: bool = False
    """The unit switches its own lamps: an exposure can be stopped, and not held."""
    max_light_s: float = 3600.0
    silence_policy: SilencePolicy = SilencePolicy.FINISH
    silence_s: float = 2.0
    tolerance_pct: float = 1.0

    @staticmethod
    def unreached(step: str, limits_c: Iterable[float], reach_c: tuple[float, float]) -> str:
        """Which limits of a step nothing here can measure; empty when there are none."""
        low_c, high_c = reach_c
        out = [f"{limit_c:g} °C" for limit_c in limits_c if not low_c <= limit_c <= high_c]
        if not out:
            return ""
        return (
            f"step {step} has limits of {' and '.join(out)}, and the sensor reads {low_c:.1f} to "
            f"{high_c:.1f} °C only; correct its section of the configuration, or use another recipe"
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ages:
    """How old is what the plate is made with, as it is made; None: not on record."""

    lot_open_days: float | None = None
    bath_days: float | None = None
    """Since the bath was renewed."""
    bath_m2: float | None = None
    """Washed in it since then."""


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
    film: str | None = None
    on_bed: OnBed | None = None
    """None: no bed was measured."""
    ages: Ages | None = None
    area_cm2: float | None = None
    note: str | None = None
    findings: tuple[str, ...] = field(default=())
    """What stood against lot, screens or recipe and was accepted."""
    steps: tuple[Step, ...] = field(init=False)
    """The recipe's steps, as this plate gets them."""

    def __post_init__(self) -> None:
        kind = self.recipe.plate
        steps = tuple(with_cautions(for_plate(step, self.plate), kind) for step in self.recipe.step)
        object.__setattr__(self, "steps", steps)

    def dither_pct(self, step: str) -> float:
        """How far the dose of a step is set off the recipe's."""
        return sum(dither_pct(one, self.plate) for one in self.recipe.step if one.name == step)
