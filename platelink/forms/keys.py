"""What every section of a file is made of: strict models, quantities, names. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

from platelink.units import DOSE, DURATION, PRESSURE, TEMPERATURE, Quantity


class Section(BaseModel):
    """A table of the file: unknown keys, NaN and silently converted types are refused."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


@dataclass(frozen=True, slots=True)
class Typed:
    """Marks a number that may also be typed as a text with its unit."""

    quantity: Quantity
    sample: str


def reader(quantity: Quantity) -> Callable[[Any], Any]:
    """Takes a text for the number it means; anything else is left to the model."""

    def read(value: Any) -> Any:
        return quantity.parse(value) if isinstance(value, str) else value

    return read


def _listed(value: Any) -> Any:
    return tuple(value) if isinstance(value, list) else value


LISTED = BeforeValidator(_listed)
"""Lets a field that is a tuple take a list, which strict models refuse."""


@dataclass(frozen=True, slots=True)
class Off:
    """Marks a section that must be given, or said to be ``false``: None in the model."""

    otherwise: str
    """What to write instead of true."""

    def read(self, value: Any) -> Any:
        """False for None; true is refused."""
        if value is True:
            raise ValueError(f"must be false or {self.otherwise}")
        return None if value is False else value


def _one_line(text: str) -> str:
    if not (1 <= len(text) <= 200 and text.isprintable() and text.strip() == text):
        raise ValueError("must be one line of 1 to 200 characters, without blanks at its ends")
    return text


def _paragraph(text: str) -> str:
    if not (1 <= len(text) <= 4000 and text.replace("\n", "").isprintable() and text.strip()):
        raise ValueError("must be a text of 1 to 4000 characters that can be printed")
    return text


Line = Annotated[str, AfterValidator(_one_line)]
Paragraph = Annotated[str, AfterValidator(_paragraph)]

Kpa = Annotated[float, BeforeValidator(reader(PRESSURE)), Typed(PRESSURE, "60 kPa")]
"""kPa as a number, or a text such as "60 kPa"."""
Seconds = Annotated[float, BeforeValidator(reader(DURATION)), Typed(DURATION, "2 min")]
MjCm2 = Annotated[float, BeforeValidator(reader(DOSE)), Typed(DOSE, "340 mJ/cm2")]
Celsius = Annotated[float, BeforeValidator(reader(TEMPERATURE)), Typed(TEMPERATURE, "140 degF")]


_NAME_CHARACTERS = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-")


def _plain_name(name: str) -> str:
    """Names travel in topics and labels, so they are kept to what all of those take."""
    if not (1 <= len(name) <= 64 and name[0].isalnum() and set(name) <= _NAME_CHARACTERS):
        raise ValueError(
            "must be 1 to 64 letters, digits, '.', '_' or '-', beginning with a letter or digit"
        )
    return name


PlainName = Annotated[str, AfterValidator(_plain_name)]


def key(
    description: str,
    default: Any = ...,
    *,
    unit: str = "",
    example: Any = None,
    sample: Any = None,
    **bounds: Any,
) -> Any:
    """A field with its documentation. ``example`` is what the example file sets; without one it
    shows the default, or ``sample`` where there is none, commented out."""
    extra = {"unit": unit, "example": example, "sample": sample}
    return Field(default, description=description, json_schema_extra=extra, **bounds)


def table(
    description: str, default: Any = ..., *, examples: dict[str, Any] | None = None, **rest: Any
) -> Any:
    """A field that is a section (or a list of them). ``examples`` go before those of its keys: two
    sections of one model are wired differently."""
    extra: Any = {"examples": examples} if examples else None
    return Field(default, description=description, json_schema_extra=extra, **rest)
