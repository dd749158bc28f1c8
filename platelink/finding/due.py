"""Maintenance: what is due, and since when. Pure.

Use is counted from the runs of the record, and is typed by nobody. It starts over when somebody
says that an item was done; of lamps and light sensor, when the record shows that they were changed
or cleaned.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from platelink.recipe.upkeep import INTERVALS, Item, ItemNow
from platelink.record.stored import Use


@dataclass(frozen=True, slots=True)
class Interval:
    """How far one interval of an item has gone."""

    name: str
    used: float
    limit: float
    unknown: int
    """Runs that were not counted: what they used is not on record."""
    due_since: datetime | None
    """When it was reached; None: not yet."""

    @property
    def text(self) -> str:
        """Such as "exposures 5012 of 5000"."""
        label, unit = _WORDS[self.name]
        digits = ".1f" if self.name in ("lamp_h", "washed_m2") else ".0f"
        rest = f", {self.unknown} not known" if self.unknown else ""
        return f"{label} {self.used:{digits}} of {self.limit:g}{unit}{rest}"


_WORDS = {
    "exposures": ("exposures", ""), "lamp_h": ("light", " h"), "plates": ("plates", ""),
    "washed_m2": ("washed", " m²"), "days": ("days", ""),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Standing:
    """Where an item stands."""

    since_utc: datetime
    intervals: tuple[Interval, ...]

    @property
    def due_since(self) -> datetime | None:
        """When the first of its intervals was reached."""
        return min((one.due_since for one in self.intervals if one.due_since), default=None)

    @property
    def sure(self) -> bool:
        """False: it is not due as far as is known, and runs were not counted."""
        return self.due_since is not None or not any(one.unknown for one in self.intervals)


def standing(
    now: ItemNow, uses: Sequence[Use], resets: Iterable[datetime], *, at_utc: datetime
) -> Standing:
    """Where an item stands at a moment. ``uses``: of the record, by time; ``resets``: when the
    record tells that what it is reset by was done."""
    since = max([now.since_utc, *(one for one in resets if one <= at_utc)])
    counted = [use for use in uses if since <= use.at_utc <= at_utc]
    item = now.item
    found = [
        _interval(name, float(limit), counted)
        for name in INTERVALS[:-1]
        if (limit := getattr(item, name)) is not None
    ]
    if item.days is not None:
        ends = since + timedelta(days=item.days)
        gone = (at_utc - since) / timedelta(days=1)
        found.append(Interval("days", gone, float(item.days), 0, ends if ends <= at_utc else None))
    return Standing(since, tuple(found))


def _interval(name: str, limit: float, uses: Sequence[Use]) -> Interval:
    used, unknown, due = 0.0, 0, None
    for use in uses:
        more = _counted(name, use)
        if more is None:
            unknown += 1
            continue
        used += more
        if due is None and used >= limit:
            due = use.at_utc
    return Interval(name, used, limit, unknown, due)


def _counted(name: str, use: Use) -> float | None:
    match name:
        case "exposures":
            return float(use.exposure)
        case "lamp_h":
            return None if use.light_s is None else use.light_s / 3600.0
        case "plates":
            return float(use.plate)
        case _:
            return None if use.washed_cm2 is None else use.washed_cm2 / 1e4


def nothing_measures(item: Item, uses: Iterable[Use]) -> str:
    """Why an interval would never be reached, as far as the record tells; empty: it is measured."""
    if item.washed_m2 is None:
        return ""
    washed = [use for use in uses if use.plate and use.washed_cm2 != 0.0]
    if washed and all(use.washed_cm2 is None for use in washed):
        return (
            f"nothing measures washed_m2: of {len(washed)} plates that were washed none names its "
            "area; give plates their area (platelink plate make --area), or set days or plates"
        )
    return ""
