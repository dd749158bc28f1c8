"""The view of trends: figures of plates by day as charts, with limits and what changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import Response

from platelink.contract.trends import Changed, Trend, Trends
from platelink.web.records import moment_of
from platelink.web.service import get
from platelink.web.show import show

WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM = 720.0, 180.0, 60.0, 10.0, 22.0, 24.0
FILTERS = ("recipe", "lot", "screen", "since", "until")
LEAST_SPAN = {"irradiance": 0.5, "pull-down": 1.0, "dose error": 0.5, "bake": 1.0, "depth": 2.0}
"""Noise is not blown up to a curve."""
MARKS = 3


class DayAt(NamedTuple):
    """One day in the chart's coordinates."""

    x: float
    low: float
    median: float
    high: float
    off: bool
    """A value is beyond its limit."""
    day: str
    values: tuple[float, float, float]
    values_n: int


class Tick(NamedTuple):
    """A value on the axis."""

    y: float
    value: float


class ChangeAt(NamedTuple):
    """Something that changed, with its number."""

    x: float
    number: int


class Chart(NamedTuple):
    """One figure."""

    trend: Trend
    days: list[DayAt]
    ticks: list[Tick]
    limits: list[Tick]
    changes: list[ChangeAt]
    decimals: int


def chart_of(trend: Trend, changes: Sequence[Changed], since: date, until: date) -> Chart:
    """The figure with its limits; days from left to right over the whole time asked for."""
    wide = max(1, (until - since).days)

    def x(day: date) -> float:
        return LEFT + (day - since).days / wide * (WIDTH - LEFT - RIGHT)

    limits = [v for v in (trend.low_limit, trend.high_limit) if v is not None]
    seen = [*limits, *(v for day in trend.days for v in (day.low, day.high))]
    low, high = min(seen), max(seen)
    more = max(0.08 * (high - low), (LEAST_SPAN[trend.what] - (high - low)) / 2.0)
    low, high = low - more, high + more

    def y(value: float) -> float:
        return TOP + (high - value) / (high - low) * (HEIGHT - TOP - BOTTOM)

    days = [
        DayAt(
            x(date.fromisoformat(day.day)), y(day.low), y(day.median), y(day.high),
            off(trend, day.low) or off(trend, day.high), day.day,
            (day.low, day.median, day.high), day.count,
        )
        for day in trend.days
    ]  # fmt: skip
    every = step((high - low) / MARKS)
    marks = [every * i for i in range(math.ceil(low / every), math.floor(high / every) + 1)]
    return Chart(
        trend, days, [Tick(y(v), v) for v in marks], [Tick(y(v), v) for v in limits],
        [
            ChangeAt(x(date.fromisoformat(one.at_utc[:10])), number)
            for number, one in enumerate(changes, start=1)
            if since <= date.fromisoformat(one.at_utc[:10]) <= until
        ],
        max(1 if trend.what == "depth" else 2, -math.floor(math.log10(every))),
    )  # fmt: skip


def step(rough: float) -> float:
    """A round distance of marks, about this one."""
    power: float = 10.0 ** math.floor(math.log10(rough))
    return power * next(one for one in (1.0, 2.0, 5.0, 10.0) if one * power >= rough)


def off(trend: Trend, value: float) -> bool:
    """Beyond a limit."""
    low, high = trend.low_limit, trend.high_limit
    return (low is not None and value < low) or (high is not None and value > high)


async def trends(request: Request) -> Response:
    """Charts of what is asked for."""
    filters = {name: request.query_params.get(name, "").strip() for name in FILTERS}
    days = {name: moment_of(filters[name], end=name == "until") for name in ("since", "until")}
    found = await get(request, Trends, "/v1/trends", **{**filters, **days})
    since, until = (date.fromisoformat(at[:10]) for at in (found.since_utc, found.until_utc))
    charts = [chart_of(trend, found.changes, since, until) for trend in found.trends]
    return await show(
        request, "trends.html", found=found, charts=charts, filters=filters,
        size=(WIDTH, HEIGHT, LEFT, RIGHT, TOP, BOTTOM),
    )  # fmt: skip
