"""What all requests and all answers have in common. Data only."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, JsonValue

from platelink.contract.words import Kind

Utc = str
"""As in 2026-03-02T08:00:00.000+00:00."""
Json = dict[str, JsonValue]
"""An object whose keys are not ours to say: a recipe's content, a run's conditions."""

Text = Annotated[str, Field(max_length=200)]
Why = Annotated[str, Field(max_length=1000, description="The reason, for the record.")]
Name = Annotated[str, Field(min_length=1, max_length=200)]
Day = Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$", examples=["2026-03-02"])]
Note = Annotated[str, Field(max_length=4000)]


DEEP, GREAT = 8, 2**53
"""Of values that a person gives: how deep in each other, and how great a number."""


def _measured(values: Json) -> Json:
    level: list[JsonValue] = [values]
    for _ in range(DEEP):
        inner: list[JsonValue] = []
        for value in level:
            if isinstance(value, int | float) and not abs(value) <= GREAT:
                raise ValueError(f"a value is not finite or above {GREAT}; give what was measured")
            if isinstance(value, dict):
                inner += value.values()
            elif isinstance(value, list):
                inner += value
        level = inner
    if level:
        raise ValueError(f"values are more than {DEEP} deep in each other; give them flat")
    return values


Values = Annotated[Json, AfterValidator(_measured)]
"""What somebody measured, by name."""


def _absent(value: object) -> bool:
    return value is None


IF_ANY: Any = Field(exclude_if=_absent)
"""A key that is left out where there is no value."""


class Request(BaseModel):
    """What is asked for. What it does not name is refused."""

    model_config = ConfigDict(
        extra="forbid", strict=True, allow_inf_nan=False, frozen=True, defer_build=True
    )

    def given(self, *, without: str = "") -> Json:
        """The keys that were given, as JSON values."""
        return self.model_dump(mode="json", exclude_unset=True, exclude={without})

    def given_values(self) -> dict[str, Any]:
        """The keys that were given, for another request that has them too."""
        return {name: getattr(self, name) for name in self.model_fields_set}


class Answer(BaseModel):
    """What is answered. What it does not name is passed over: a newer release said it."""

    model_config = ConfigDict(
        extra="ignore",
        frozen=True,
        defer_build=True,
        json_schema_serialization_defaults_required=True,
        json_schema_extra={"additionalProperties": False},
    )


class Done(Answer):
    """It is done, or has begun."""

    run_id: str | None = Field(description="The exposure that is going on.")


class Problem(Answer):
    """Why something was not done."""

    error: str
    """What is wrong and what to do, for people."""
    kind: Kind
    asks: Annotated[tuple[str, ...] | None, IF_ANY] = None
    """What it asks to accept first, by name."""
    asks_why: Annotated[bool | None, IF_ANY] = None
    """And to say why."""


class Nothing(Request):
    """A request that says nothing but who it is from."""


class Reasoned(Request):
    """A reason where none is owed."""

    why: Why = ""


class Noted(Answer):
    """Something that was done to a lot, a screen or a film."""

    number: int
    about: str
    name: str
    act: str
    at_utc: Utc
    who: str
    why: str
    ref: str | None
    body: Json


class Finding(Answer):
    """What stands against using something."""

    name: str
    blocks: bool
    text: str
