"""Scrap, and what a good plate costs. Data only."""

from __future__ import annotations

from pydantic import Field

from platelink.contract.base import Answer, Utc


class CostPart(Answer):
    """One thing that plates took."""

    name: str = Field(description="stock, light or work.")
    amount: float = Field(description="As far as it is on record.")
    unit: str
    price: float | None = Field(description="Of one unit, as configured; null: none.")
    cost: float | None = Field(description="Null: not known, which is not nothing.")
    unknown: int = Field(description="Plates of which the amount is not on record.")


class Cost(Answer):
    """Of the plates that were begun in a time and have ended."""

    since_utc: Utc
    until_utc: Utc
    plates: int
    good: int
    scrap: int = Field(description="Judged reject, or not brought to their end.")
    undecided: int = Field(description="Brought to their end, and judged by nobody.")
    scrap_share: float | None = Field(description="Of the good and the scrap; null: none.")
    scrap_low: float | None = Field(description="95 % interval after Wilson (1927).")
    scrap_high: float | None
    parts: list[CostPart]
    total: float | None = Field(description="Of the parts that are known; null: none is.")
    good_plate: float | None = Field(
        description="That total over the good plates; null: no good plate, or no price."
    )
    currency: str
    not_known: list[str] = Field(description="What the total lacks, each in a sentence.")
    light_outside_h: float = Field(description="Light of exposures that belong to no plate.")
