"""What the shop sends to its units: one revision of all recipes, people or calibrations. Pure.

Each revision is whole: who takes the newest lacks nothing of those before it.
"""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import (
    AwareDatetime,
    BaseModel,
    ConfigDict,
    Field,
    JsonValue,
    TypeAdapter,
    model_validator,
)

from platelink.canonical import canonical
from platelink.contract.words import Role
from platelink.forms.keys import Line

FORMAT: Final = 1
MOST_BYTES: Final = 800_000
"""Of a distribution with its signatures: what brokers take as they are shipped, with room."""
MOST_UNITS, MOST_EARLIER, MOST_ITEMS = 1000, 20, 2000
KINDS: Final = ("recipes", "people", "calibrations")
Kind = Literal["recipes", "people", "calibrations"]
Hash = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Level = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]{0,63}$")]
"""A site or a unit, as topics have it."""
Reason = Annotated[str, Field(min_length=1, max_length=1000, pattern=r"\S")]
Number = Annotated[int, Field(ge=1, le=2**53 - 1)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


class Signed(_Part):
    """Who did something at the shop, when and why."""

    who: Line
    at_utc: AwareDatetime
    why: str = Field(max_length=1000)


class SentRecipe(_Part):
    """An approved revision."""

    name: Line
    """As the shop numbers it: ``plate-a@3``."""
    hash: Hash
    content: dict[str, JsonValue]
    approved: Signed


class RetiredRecipe(_Part):
    """A content that the shop uses no more."""

    recipe: Line
    hash: Hash
    retired: Signed


class SentPerson(_Part):
    """One person of the shop. What proves them is in ``PeopleSent.secrets``."""

    name: Annotated[str, Field(min_length=1, max_length=60)]
    role: Annotated[Role, Field(strict=False)]
    active: bool


class SentCalibration(_Part):
    """One approved calibration, with all that its line is made of."""

    name: Line
    """As the place that made it numbers it: ``light 0@3``."""
    sensor: Annotated[str, Field(pattern=r"^(light (0|[1-9][0-9]?)|vacuum|oven|head)$")]
    plan: dict[str, JsonValue]
    begun: Signed
    dark: dict[str, JsonValue] | None
    levels: Annotated[tuple[dict[str, JsonValue], ...], Field(max_length=100)]
    left_out: dict[str, str]
    """Numbers of levels that are not used, each with the reason."""
    due_on: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
    finished: Signed
    approved: Signed


class _Head(_Part):
    format: Literal[1]
    site: Level
    unit: Level | None
    """None: for every unit of the site."""
    revision: Number
    """Rises with each that is made of this kind at this site, whomever it is for."""
    earlier: Annotated[tuple[Number, ...], Field(max_length=MOST_EARLIER)]
    """The newest of those before it that were for the same units, rising."""
    made_utc: AwareDatetime
    by: Line
    why: Reason

    @model_validator(mode="after")
    def _rises(self) -> Self:
        if [*self.earlier, self.revision] != sorted({*self.earlier, self.revision}):
            raise ValueError("earlier: must rise, and end below the revision")
        return self


class Recipes(_Head):
    """All approved recipes of the shop, and what it uses no more."""

    kind: Literal["recipes"]
    recipes: Annotated[tuple[SentRecipe, ...], Field(max_length=MOST_ITEMS)]
    retired: Annotated[tuple[RetiredRecipe, ...], Field(max_length=MOST_ITEMS)]


class People(_Head):
    """All people of the shop."""

    kind: Literal["people"]
    people: Annotated[tuple[SentPerson, ...], Field(min_length=1, max_length=MOST_ITEMS)]
    secrets: Annotated[str, Field(max_length=MOST_BYTES)]
    """The hash of everybody's PIN or password, closed so that only units can read them."""


class Calibrations(_Head):
    """Calibrations of one unit's sensors."""

    kind: Literal["calibrations"]
    calibrations: Annotated[tuple[SentCalibration, ...], Field(min_length=1, max_length=50)]

    @model_validator(mode="after")
    def _of_one_unit(self) -> Self:
        if self.unit is None:
            raise ValueError("unit: a calibration is of one unit's sensor")
        if len({one.sensor for one in self.calibrations}) < len(self.calibrations):
            raise ValueError("calibrations: one of each sensor")
        return self


Distribution = Recipes | People | Calibrations
DISTRIBUTION: TypeAdapter[Distribution] = TypeAdapter(
    Annotated[Distribution, Field(discriminator="kind")]
)


def text_of(one: Distribution) -> str:
    """The canonical JSON (RFC 8785) of a distribution."""
    return canonical(one.model_dump(mode="json")).decode()


def called(kind: str, revision: int) -> str:
    """``recipes, revision 12 of the shop``."""
    return f"{kind}, revision {revision} of the shop"
