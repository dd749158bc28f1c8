"""Maintenance: what is to be done how often, as people entered it, and when it was done. Pure."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from typing import Any, NamedTuple, Self

from pydantic import model_validator

from platelink.contract.upkeep import ResetBy
from platelink.forms.keys import Paragraph, PlainName, Section, key
from platelink.recipe.entries import Act, Entry


class Item(Section):
    """One thing to be done again and again."""

    name: PlainName = key("What it is, such as blanket-seal.")
    exposures: int | None = key("After so many exposures with light.", None, ge=1, le=10_000_000)
    lamp_h: float | None = key("After so many hours of light.", None, gt=0.0, le=1e6)
    plates: int | None = key("After so many plates.", None, ge=1, le=10_000_000)
    washed_m2: float | None = key("After so much plate was washed.", None, gt=0.0, le=1e6)
    days: int | None = key("After so many days.", None, ge=1, le=36_500)
    reset_by: ResetBy = key("What starts it over.", "done")
    last_done_on: date | None = key(
        "Day it was done last, before it was entered; left out: on the day it is entered.", None
    )
    note: Paragraph | None = key("How it is done, or anything else.", None)

    @model_validator(mode="after")
    def _has_an_interval(self) -> Self:
        if not any(getattr(self, name) is not None for name in INTERVALS):
            raise ValueError(f"needs an interval: one or more of {', '.join(INTERVALS)}")
        return self


INTERVALS = ("exposures", "lamp_h", "plates", "washed_m2", "days")
ITEM_CHANGES = frozenset({*INTERVALS, "note"})


class Done(NamedTuple):
    """When an item was done."""

    at_utc: datetime
    who: str
    note: str


@dataclass(frozen=True, slots=True)
class ItemNow:
    """An item as its own entries tell it."""

    item: Item
    since_utc: datetime
    """From when on it is counted, as far as its own entries tell."""
    done: tuple[Done, ...]
    """Oldest first."""
    closed: str | None


def item_of(values: dict[str, Any]) -> Item:
    """The item of plain JSON values, in which days are texts."""
    on = values.get("last_done_on")
    return Item.model_validate(
        values | ({"last_done_on": date.fromisoformat(on)} if isinstance(on, str) else {})
    )


def item_now(entries: Iterable[Entry]) -> ItemNow:
    """The item of its own entries, oldest first."""
    values: dict[str, Any] = {}
    since, done, closed = datetime.min.replace(tzinfo=UTC), list[Done](), None
    for entry in entries:
        body: dict[str, Any] = entry.body
        match entry.act:
            case Act.ADDED:
                values, since = dict(body), entry.at_utc
                if body.get("last_done_on"):
                    since = _morning(date.fromisoformat(body["last_done_on"]))
            case Act.CHANGED:
                values |= body
            case Act.DONE:
                since = entry.at_utc
                done.append(Done(entry.at_utc, entry.who, entry.why))
            case Act.CLOSED:
                closed = entry.why
    return ItemNow(item_of(values), since, tuple(done), closed)


def _morning(day: date) -> datetime:
    """Its first moment in this computer's time zone."""
    return datetime.combine(day, time()).astimezone(UTC)
