"""A plate to be made again: then, today, and what cannot be matched. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Utc
from platelink.contract.recipes import Change

Match = Literal["same", "changed", "differs", "not known", "cannot"]
"""``changed``: the draft makes up for it. ``differs``: it will be so much off. ``cannot``: the
plate cannot be made so."""


class RemakeLine(Answer):
    """One thing that decides a plate: then, and today."""

    step: str = Field(description="Empty: the plate as a whole.")
    what: str = Field(description="Such as dose, light, light time, contact, bake, screen, lot.")
    then: str | float | None
    today: str | float | None
    unit: str
    low: float | None = Field(description="Today's lies between these; null: not known.")
    high: float | None
    match: Match
    off_pct: float | None = Field(description="How far it will be off; null: not known, or none.")
    text: str


class Remake(Answer):
    """How to make a plate again on today's lamps, stock and calibrations. Nothing is applied."""

    plate: str
    revision: str
    made_utc: Utc
    judgement: str | None
    lines: list[RemakeLine]
    by: str | None = Field(
        description="A revision in use that makes it as it stands; null: the draft is needed."
    )
    changes: list[Change] = Field(description="What the draft does differently from its revision.")
    toml: str | None = Field(description="The draft, to be added and approved by people.")
    why: str = Field(description="The draft's evidence, for the record.")
    cannot: int = Field(description="Lines that say that it cannot be made so.")
