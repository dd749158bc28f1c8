"""What requests may say. Everything else in a body is refused."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, JsonValue

from platelink.people.rights import Role

Text = Annotated[str, Field(max_length=200)]
Why = Annotated[str, Field(max_length=1000, description="The reason, for the record.")]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Day = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$", examples=["2026-03-02"])]


AnyRole = Annotated[Role, Field(strict=False)]  # a text in JSON, where an enum is none


class Body(BaseModel):
    """The body of a request."""

    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    def given(self) -> dict[str, Any]:
        """The keys that were given."""
        return self.model_dump(mode="json", exclude_unset=True)


class Nothing(Body):
    """A request that says nothing but who it is from."""


class WhyBody(Body):
    """A reason where none is owed."""

    why: Why = ""


class ReasonBody(Body):
    """Why the exposure is held, restarted, stopped or aborted."""

    reason: Why = ""


class JobBody(Body):
    """One exposure."""

    dose: Annotated[Text, Field(description="With its unit.", examples=["420 mJ/cm2"])]
    step: Text = "film"
    operator: Text | None = Field(None, description="Left out: who is asking.")
    plate: Text | None = None
    job: Text | None = None
    note: Text | None = None
    contact: bool = Field(True, description="Wait for contact vacuum.")
    max_light_s: Annotated[float, Field(gt=0.0)] | None = None
    accept_overdue: bool = Field(False, description="Go on with calibrations past their date.")


class AlarmBody(Body):
    """An answer to an alarm."""

    why: Why = ""
    minutes: float | None = Field(None, gt=0.0, le=10080.0, description="How long to shelve it.")


class PlateBody(Body):
    """A plate to be made."""

    recipe: Annotated[Name, Field(description="As in plate-a, plate-a@2, or a hash.")]
    plate: Text | None = Field(None, description="Its name; left out: one is given to it.")
    lot: Text | None = None
    job: Text | None = None
    note: Text | None = None
    area_cm2: float | None = Field(None, gt=0.0, le=1e6, description="Taken from the lot.")


class ActBody(Body):
    """An act on a plate."""

    step: int | None = Field(None, ge=0, le=1000, description="The step that the person saw.")
    reason: Why = ""
    values: dict[str, JsonValue] | None = None
    accept_overdue: bool = False


class RecipeBody(Body):
    """A recipe as a file has it."""

    toml: Annotated[str, Field(max_length=200_000)]
    why: Why = ""


class LotBody(Body):
    """A delivery of plate stock."""

    name: Name
    stock: Name
    received_on: Day
    best_before: Day | None = None
    area_cm2: float
    note: Annotated[str, Field(max_length=4000)] | None = None


class OpenBody(Body):
    """The day a lot was opened; left out: today."""

    opened_on: Day | None = None
    why: Why = ""


class AreaBody(Body):
    """Area used, or found."""

    area_cm2: float
    ref: Text | None = Field(None, description="What it was for: told twice, counted once.")
    why: Why = ""


class CountBody(Body):
    """The area left, as somebody found it."""

    area_cm2: float
    why: Why = ""


class UseBody(Body):
    """One use."""

    ref: Text | None = Field(None, description="What it was for: told twice, counted once.")
    why: Why = ""


class LotChange(Body):
    """Other values from now on; null takes a value away."""

    best_before: Day | None = None
    note: Annotated[str, Field(max_length=4000)] | None = None
    why: Why


class ScreenChange(Body):
    """Other values from now on; null takes a value away."""

    max_uses: int | None = None
    note: Annotated[str, Field(max_length=4000)] | None = None
    why: Why


class ScreenBody(Body):
    """A halftone line screen."""

    name: Name
    ruling_lines_per_cm: float
    tint_pct: float
    angle_deg: float = 45.0
    max_uses: int | None = None
    note: Annotated[str, Field(max_length=4000)] | None = None


class SignInBody(Body):
    """Name and PIN or password."""

    name: Name
    secret: Annotated[str, Field(max_length=1000)]


class FirstBody(SignInBody):
    """The first lead."""


class RegainBody(SignInBody):
    """A lead's new PIN or password, with the reason."""

    why: Why = ""


class PersonBody(SignInBody):
    """Somebody new."""

    role: AnyRole


class SecretBody(Body):
    """Another PIN or password; ``old`` when it is one's own."""

    secret: Annotated[str, Field(max_length=1000)]
    old: Annotated[str, Field(max_length=1000)] | None = None
    why: Why = ""


class RoleBody(Body):
    """Another role, with the reason."""

    role: AnyRole
    why: Why = ""
