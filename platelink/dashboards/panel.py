"""What a dashboard is here: panels with a query each, and the limits they show. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Kind(StrEnum):
    """How the answer to a query is drawn."""

    LINES = "timeseries"
    """Over time."""
    TABLE = "table"
    """A row for each series, its newest value."""
    STAT = "stat"
    """A number for each series, its newest value."""


class Colour(StrEnum):
    """What a value past a limit means, by IEC 60073."""

    ATTENTION = "yellow"
    ALARM = "red"


@dataclass(frozen=True, slots=True)
class Limit:
    """From ``at`` on, upwards or downwards, a value is shown in a colour."""

    at: float
    colour: Colour
    below: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One panel."""

    title: str
    query: str
    """PromQL; $site, $unit and $__range stand for what was chosen."""
    unit: str
    """As Grafana names it; ``suffix: x`` for one it does not know."""
    legend: str = ""
    """With {{label}} for what a series carries; empty: all of it."""
    kind: Kind = Kind.LINES
    about: str = ""
    limits: tuple[Limit, ...] = ()
    decimals: int | None = None
    width: int = 12
    """Of 24."""


@dataclass(frozen=True, slots=True)
class Board:
    """One dashboard."""

    uid: str
    title: str
    about: str
    panels: tuple[Panel, ...]
    unit: bool = True
    """It is of one unit, which is chosen; else of a site."""
    hours: float = 1.0
    """Shown at first."""
    refresh_s: int = 10
