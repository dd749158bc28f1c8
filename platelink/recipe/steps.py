"""The kinds of step a recipe can be made of. Data only.

A step says what must be true, never how the unit brings it about. Every value is the shop's own:
defaults are common practice, no source.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from platelink.forms.keys import (
    LISTED,
    Celsius,
    Kpa,
    Line,
    MjCm2,
    Off,
    PlainName,
    Seconds,
    Section,
    key,
    table,
)
from platelink.recipe.quantities import Micrometres
from platelink.recipe.texts import Said

_DAY_S = 86_400.0
LEFT_PCT = 0.5
"""Of a tolerance, left for the exposure itself where its dose is set off."""
_BAND = Off("a section [step.contact] with low_kpa and high_kpa")


class StepSection(Section):
    """What every step has."""

    kind: str = key("What kind of step it is.")
    name: PlainName = key("Name of the step, such as film, screen or hardening; once a recipe.")
    instructions: Said | None = key(
        "What the person is to do; shown before and during the step.", None
    )
    cautions: Annotated[tuple[Said, ...], LISTED] = key(
        "Dangers of this step, shown where the work is.", ()
    )


class ContactBand(Section):
    """The contact vacuum of an exposure, kPa below the local atmosphere. What is left out is as the
    unit's configuration has it."""

    low_kpa: Kpa = key(
        "Least vacuum that holds film and plate together.", unit="kPa", gt=0.0, le=110.0
    )
    high_kpa: Kpa = key("Most vacuum the frame can reach.", unit="kPa", gt=0.0, le=110.0)
    pull_down_limit_s: Seconds | None = key(
        "Longest time to reach the band.", None, unit="s", gt=0.0, le=3600.0
    )
    hold_test_s: Seconds | None = key(
        "How long the vacuum is watched before light.", None, unit="s", gt=0.0, le=600.0
    )
    draw_down_s: Seconds | None = key(
        "Least time the vacuum is drawn before light, however soon it is steady.",
        None,
        unit="s",
        ge=0.0,
        le=3600.0,
    )
    fall_limit_kpa_per_min: float | None = key(
        "Steepest change during the hold test, up or down.", None, unit="kPa/min", gt=0.0, le=1000.0
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        _rising(self, "kPa", "low_kpa", "high_kpa")
        return self


class ExposeStep(StepSection):
    """An exposure to UV that ends at its dose."""

    kind: Literal["expose"] = key("What kind of step it is.")
    dose_mj_cm2: MjCm2 = key("Dose to be given.", unit="mJ/cm2", gt=0.0, le=1e6)
    tolerance_pct: float = key(
        "Largest difference of the given dose from this one for the step to be in order.",
        2.0,
        unit="%",
        gt=0.0,
        le=50.0,
    )
    dither_pct: float | None = key(
        "Each plate's dose is set off by so much, up or down by its name, and the run says so: "
        "depths then show what dose does. Left out, doses are as they stand; at least 0.5 % less "
        "than the tolerance.",
        None,
        unit="%",
        gt=0.0,
        le=3.0,
    )
    contact: Annotated[ContactBand | None, BeforeValidator(_BAND.read), _BAND] = table(
        "The contact vacuum it needs; contact = false where it needs none."
    )
    on_leak: Literal["hold", "abort"] = key(
        "When contact is lost in the light. hold: light off, the remainder is kept. abort: the "
        "plate is given up.",
        "hold",
    )
    guard_factor: float = key(
        "Guard time as a multiple of the predicted time.", 1.5, gt=1.0, le=10.0
    )
    screen: PlainName | None = key("The line screen laid on the plate; its uses are counted.", None)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.dither_pct is not None and self.dither_pct > self.tolerance_pct - LEFT_PCT:
            raise ValueError(
                f"dither_pct: must be at least {LEFT_PCT:g} % less than tolerance_pct = "
                f"{self.tolerance_pct:g} %: what it takes is taken from the tolerance"
            )
        return self


class WashStage(Section):
    """A timed part of the washout."""

    name: Line = key("Name of the stage; once a step.")
    duration_s: Seconds = key("How long it lasts.", unit="s", gt=0.0, le=_DAY_S)
    tolerance_s: Seconds = key(
        "Ended earlier or later than this, the stage is flagged.", 5.0, unit="s", ge=0.0, le=3600.0
    )
    prompt: Said = key("What the person is to do.")


class WashStep(StepSection):
    """A washout in timed stages."""

    kind: Literal["wash"] = key("What kind of step it is.")
    water_low_c: Celsius | None = key(
        "Coldest the bath may be; both limits or neither.", None, unit="°C", ge=0.0, le=100.0
    )
    water_high_c: Celsius | None = key(
        "Warmest the bath may be.", None, unit="°C", ge=0.0, le=100.0
    )
    stage: Annotated[tuple[WashStage, ...], LISTED] = table("The stages in order.", min_length=1)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.water_low_c is None) != (self.water_high_c is None):
            raise ValueError("water_high_c: water_low_c and water_high_c go together")
        if self.water_low_c is not None:
            _rising(self, "°C", "water_low_c", "water_high_c")
        return self


class BlowOffStep(StepSection):
    """Water off with low-pressure air; confirmed by the person."""

    kind: Literal["blow_off"] = key("What kind of step it is.")
    duration_s: Seconds | None = key(
        "Least time; without it the person says when it is done.",
        None,
        unit="s",
        gt=0.0,
        le=_DAY_S,
    )


class BakeStep(StepSection):
    """Drying in the oven: time counts only while the temperature is in its band."""

    kind: Literal["bake"] = key("What kind of step it is.")
    low_c: Celsius = key("Lower end of the band.", unit="°C", ge=0.0, le=500.0)
    nominal_c: Celsius = key(
        "Temperature the oven is set to; equivalent minutes refer to it.",
        unit="°C",
        ge=0.0,
        le=500.0,
    )
    high_c: Celsius = key("Upper end of the band.", unit="°C", ge=0.0, le=500.0)
    limit_c: Celsius = key(
        "Over-temperature: above this the plate is in danger.", unit="°C", ge=0.0, le=500.0
    )
    in_band_s: Seconds = key("Time in the band.", unit="s", gt=0.0, le=7 * _DAY_S)
    reach_limit_s: Seconds = key(
        "Longest time until the band is reached.", 1800.0, unit="s", gt=0.0, le=_DAY_S
    )
    plate_lag_s: Seconds | None = key(
        "How long the plate lags behind the air that is measured, as a probe trial found it "
        "(platelink oven-lag); without it only the air is shown.",
        None,
        unit="s",
        ge=1.0,
        le=3600.0,
    )
    activation_energy_kj_mol: float | None = key(
        "Activation energy of drying, for equivalent minutes of the air, and of the plate "
        "where its lag is known; without it none are shown.",
        None,
        unit="kJ/mol",
        gt=0.0,
        le=1000.0,
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        _rising(self, "°C", "low_c", "high_c")
        if not self.low_c <= self.nominal_c <= self.high_c:
            raise ValueError(
                f"nominal_c: must be within the band, {self.low_c:g} to {self.high_c:g} °C"
            )
        _rising(self, "°C", "high_c", "limit_c")
        return self


class DepthPoint(Section):
    """A named place where the depth is measured."""

    name: Line = key("Name of the place; once a step.")
    low_um: Micrometres = key("Least depth.", unit="µm", ge=0.0, le=10_000.0)
    high_um: Micrometres = key("Greatest depth.", unit="µm", gt=0.0, le=10_000.0)
    where: Said | None = key("How to find it.", None)

    @model_validator(mode="after")
    def _check(self) -> Self:
        _rising(self, "µm", "low_um", "high_um")
        return self


class YesNoCheck(Section):
    """A question about the plate: yes is good."""

    name: Line = key("Name of the check; once a step.")
    question: Said = key("The question; yes means that all is well.")
    defect: PlainName = key("Code of the defect that is recorded on a no.")


class InspectStep(StepSection):
    """Depths measured and questions answered."""

    kind: Literal["inspect"] = key("What kind of step it is.")
    point: Annotated[tuple[DepthPoint, ...], LISTED] = table("Where the depth is measured.", ())
    check: Annotated[tuple[YesNoCheck, ...], LISTED] = table("Questions to be answered.", ())

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.point and not self.check:
            raise ValueError("point: there is nothing to inspect; add [[step.point]] or "
                             "[[step.check]]")  # fmt: skip
        return self


class PromptStep(StepSection):
    """Work by hand that the person confirms."""

    kind: Literal["prompt"] = key("What kind of step it is.")
    instructions: Said = key("What the person is to do.")
    duration_s: Seconds | None = key(
        "Least time; without it the person says when it is done.",
        None,
        unit="s",
        gt=0.0,
        le=7 * _DAY_S,
    )


KINDS: tuple[type[StepSection], ...] = (
    ExposeStep,
    WashStep,
    BlowOffStep,
    BakeStep,
    InspectStep,
    PromptStep,
)
Step = Annotated[
    ExposeStep | WashStep | BlowOffStep | BakeStep | InspectStep | PromptStep,
    Field(discriminator="kind"),
]


def _rising(section: Section, unit: str, lower: str, upper: str) -> None:
    """Refuse an upper limit that is not above the lower one."""
    low = getattr(section, lower)
    if getattr(section, upper) <= low:
        raise ValueError(f"{upper}: must be greater than {lower} = {low:.10g} {unit}")
