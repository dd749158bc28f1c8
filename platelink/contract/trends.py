"""How the figures of plates go from day to day, and what changed when. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Day, Utc
from platelink.contract.runs import Filters

What = Literal["irradiance", "pull-down", "dose error", "bake", "depth"]


class TrendsQuery(Filters):
    """Of which plates; without ``since`` of the last 90 days."""

    limit: int = Field(default=20_000, ge=1, le=50_000, description="Newest runs looked at.")


class TrendDay(Answer):
    """The values of one day."""

    day: Day
    count: int
    low: float
    median: float
    high: float


class Trend(Answer):
    """One figure."""

    what: What
    of: str = Field(description="Which recipe, step or point; empty: all exposures.")
    unit: str
    low_limit: float | None = Field(description="As the newest plate of it has it; null: none.")
    high_limit: float | None
    days: list[TrendDay]
    corrected: int = Field(description="So many of the values were corrected by a person.")


class Changed(Answer):
    """What is another from then on."""

    at_utc: Utc
    kind: Literal["lamps", "cleaning", "calibration", "recipe", "version"]
    text: str


class Trends(Answer):
    """All of them, of the runs that are wanted."""

    since_utc: Utc
    until_utc: Utc
    runs: int
    more: bool = Field(description="There are older ones than were looked at.")
    trends: list[Trend]
    changes: list[Changed] = Field(description="Oldest first.")
