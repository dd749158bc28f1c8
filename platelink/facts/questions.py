"""A question as conditions on the facts, in SQL: to find what fulfils them, and to look. Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

from platelink.contract.facts import Asked
from platelink.facts.derive import DAY_MS, TAGS
from platelink.facts.ladder import COLUMNS, COUNTING, Side, bounds
from platelink.facts.refused import not_understood
from platelink.ledger.by import to_ms
from platelink.ledger.errors import StoreRefused
from platelink.units import DURATION, IRRADIANCE, PRESSURE, TEMPERATURE, UnitError

_QUANTITIES = {"vacuum": PRESSURE, "irradiance": IRRADIANCE, "oven": TEMPERATURE}
_COLUMNS = {quantity: column for column, quantity in COLUMNS.items()}
_SIDES: dict[str, Side] = {
    "below": "below", "under": "below", "<": "below", "above": "above", "over": "above",
    ">": "above",
}  # fmt: skip
_WHERE = re.compile(
    r"(?P<quantity>\w+)\s+(?P<side>below|under|above|over|<|>)\s*(?P<level>.+?)"
    r"(?:\s+for\s+(?:more\s+than\s+)?(?P<time>.+))?",
    re.IGNORECASE,
)
_NUMBER = {"vacuum": "kPa", "irradiance": "mW/cm²", "oven": "°C"}


class Lead(NamedTuple):
    """A table whose index gives the numbers of all that fulfil a condition, newest first."""

    table: str
    where: str
    number: str


ALL = Lead("made", "1", "made.number")
"""Everything, newest first."""


@dataclass(frozen=True, slots=True)
class Condition:
    """``finds`` gives numbers, ``holds`` looks at one that is named ``made``."""

    finds: str
    holds: str
    values: tuple[object, ...]
    leads: Lead | None = None
    in_time: bool = False
    """True of when it was begun."""


@dataclass(frozen=True, slots=True)
class Threshold:
    """A quantity was on one side of a level for longer than so many seconds, in one stretch."""

    quantity: str
    side: Side
    level: float
    seconds: float

    def told(self, least_s: float, most_s: float) -> str:
        """How long it was so."""
        unit, known = _NUMBER[self.quantity], "" if least_s == most_s else "at least "
        return f"{self.quantity} {self.side} {self.level:g} {unit} for {known}{least_s:.3f} s"

    @property
    def column(self) -> str:
        """Of the samples."""
        return _COLUMNS[self.quantity]

    def looks_at(self, names: Sequence[str]) -> tuple[str, ...]:
        """Columns of samples that tell it."""
        return self.column, COUNTING


def threshold(text: str) -> Threshold:
    """Of ``vacuum below 50 kPa for 2 s``; StoreRefused says how to write it. Without a time: at
    all."""
    found = _WHERE.fullmatch(text.strip())
    quantity = found["quantity"].lower() if found else ""
    if found is None or quantity not in _QUANTITIES:
        raise not_understood(text)
    try:
        level = _QUANTITIES[quantity].parse(found["level"])
        seconds = DURATION.parse(found["time"]) if found["time"] else 0.0
    except UnitError as error:
        raise StoreRefused(f"'{text}': {error}") from None
    return Threshold(quantity, _SIDES[found["side"].lower()], level, seconds)


def conditions(asked: Asked) -> list[Condition]:
    """All but the thresholds, and but plates that others are compared with."""
    found = [_tag(kind, getattr(asked, kind)) for kind in TAGS if getattr(asked, kind) is not None]
    if asked.plate is not None:
        found.append(_column("name", "=", asked.plate))
    if asked.since is not None:
        found.append(_column("began_ms", ">=", to_ms(asked.since)))
    if asked.until is not None:
        found.append(_column("began_ms", "<", to_ms(asked.until)))
    if asked.off_pct is not None:
        found.append(_column("off_pct", ">", asked.off_pct))
    if asked.text is not None:
        words = '"' + asked.text.replace('"', '""') + '"'
        finds = "SELECT rowid AS number FROM texts WHERE texts MATCH ?"
        holds = "made.number IN (SELECT rowid FROM texts WHERE texts MATCH ?)"
        lead = Lead("texts", "texts MATCH ?", "texts.rowid")
        found.append(Condition(finds, holds, (words,), lead))
    return found


def lamps_that_day(began_ms: int, lamp_set: str) -> list[Condition]:
    """Begun on the day of this time (UTC), with these lamps."""
    day_ms = began_ms // DAY_MS * DAY_MS
    times = _column("began_ms", ">=", day_ms), _column("began_ms", "<", day_ms + DAY_MS)
    return [*times, _tag("lamp_set", lamp_set)]


def _tag(kind: str, value: str) -> Condition:
    where = "tags.kind = ? AND tags.value = ?"
    return Condition(
        f"SELECT number FROM tags WHERE {where}",  # noqa: S608 -- our own text
        # By another name: beside tags that lead.
        "EXISTS (SELECT 1 FROM tags AS tag WHERE tag.kind = ? AND tag.value = ? "
        "AND tag.number = made.number)",
        (kind, value),
        Lead("tags", where, "tags.number"),
    )


def _column(name: str, relation: str, value: object) -> Condition:
    where = f"made.{name} {relation} ?"
    finds = f"SELECT number FROM made WHERE {where}"  # noqa: S608
    return Condition(finds, where, (value,), in_time=name == "began_ms")


def may_be(wanted: Threshold) -> Condition:
    """All of which it can be true: by the rung that the longer stretches are at."""
    under, over = bounds(wanted.quantity, wanted.level)
    rung = over if wanted.side == "below" else under
    edge = "high <" if wanted.side == "below" else "low >"
    whole, values = "quantity = ? AND longest_s > ?", [wanted.quantity, wanted.seconds]
    one = whole
    if rung is not None:
        # Of one number the key finds it; the index of the edge would go through all, so: no index.
        one, whole, values = f"{whole} AND +{edge} ?", f"{whole} AND {edge} ?", [*values, rung]
    part = "quantity = ? AND side = ? AND rung = ? AND longest_s > ?"
    values += [wanted.quantity, wanted.side, rung, wanted.seconds]
    # All, with those that are in it twice: to make them one, each would be gone through first.
    finds = (
        f"SELECT number FROM spans WHERE {whole} "  # noqa: S608
        f"UNION ALL SELECT number FROM stretches WHERE {part}"
    )
    return Condition(
        finds,
        f"(EXISTS (SELECT 1 FROM spans WHERE {one} AND spans.number = made.number) OR "  # noqa: S608
        f"EXISTS (SELECT 1 FROM stretches WHERE {part} AND stretches.number = made.number))",
        tuple(values),
    )
