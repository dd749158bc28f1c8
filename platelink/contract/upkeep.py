"""Maintenance: items, what is due, what was done. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Day, Name, Note, Noted, Reasoned, Request, Utc, Why

ResetBy = Literal["done", "lamp change", "lamp cleaning", "sensor cleaning"]
"""What starts an item over. Only the first is an entry of its own: the others are told by the
record of the lamps, and are not typed twice."""

SAID_BY: dict[str, str] = {
    "lamp change": "platelink lamps changed",
    "lamp cleaning": "platelink lamps cleaned lamps",
    "sensor cleaning": "platelink lamps cleaned sensor",
}
"""How the record is told of them."""


class NewItem(Request):
    """Something to be done again and again; one interval or more."""

    name: Name
    exposures: int | None = None
    lamp_h: float | None = None
    plates: int | None = None
    washed_m2: float | None = None
    days: int | None = None
    reset_by: ResetBy = "done"
    last_done_on: Day | None = None
    note: Note | None = None


class ItemDone(Request):
    """It was done, now."""

    note: Why = ""


class ItemChange(Request):
    """Other intervals or note from now on; null takes a value away."""

    exposures: int | None = None
    lamp_h: float | None = None
    plates: int | None = None
    washed_m2: float | None = None
    days: int | None = None
    note: Note | None = None
    why: Why


class ItemClosed(Reasoned):
    """It is looked after no more, with the reason."""


AtItem = ItemDone | ItemChange | ItemClosed
ITEM_ACTS: dict[type[AtItem], str] = {
    ItemDone: "done", ItemChange: "change", ItemClosed: "close",
}  # fmt: skip


class IntervalNow(Answer):
    """How far one interval has gone, counted from the record."""

    name: str = Field(description="exposures, lamp_h, plates, washed_m2 or days.")
    used: float
    limit: float
    unknown: int = Field(description="Runs not counted: what they used is not on record.")
    due_since_utc: Utc | None
    text: str


class Item(Answer):
    """Something to be done again and again, and where it stands."""

    name: str
    reset_by: str = Field(description="'calibration': of a sensor, started over by calibrating it.")
    note: str | None
    since_utc: Utc | None = Field(description="Counted from then on.")
    due_since_utc: Utc | None = Field(description="Null: not due, as far as is known.")
    sure: bool = Field(description="False: not due as far as is known, and not all was counted.")
    intervals: list[IntervalNow]
    closed: str | None


class Items(Answer):
    """Those that are due first, longest first."""

    items: list[Item]


class ItemWhole(Item):
    """An item, and everything that was done to it."""

    history: list[Noted]
