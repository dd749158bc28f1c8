"""The command ``trends``: figures of plates by day, and what changed when."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from platelink.cli.context import emit, journal_option, json_option, opened
from platelink.cli.filters import filter_options, in_order
from platelink.cli.quantities import Display, clean
from platelink.cli.tables import Column, local, print_table
from platelink.contract.trends import Trend, TrendDay, TrendsQuery
from platelink.units import IRRADIANCE

_DAYS = (
    Column("DAY"), Column("VALUES", right=True), Column("LEAST", right=True),
    Column("MEDIAN", right=True), Column("MOST", right=True), Column("CHANGED", least=10),
)  # fmt: skip
TITLES = {
    "irradiance": "IRRADIANCE, lamps warm", "pull-down": "PULL-DOWN, time constant",
    "dose error": "DOSE ERROR, of target as the sensor reads", "bake": "BAKE, time in band",
    "depth": "DEPTH",
}  # fmt: skip


@click.command()
@filter_options
@journal_option
@json_option
def trends(journal: Path | None, as_json: bool, **wanted: Any) -> None:
    """Show lamps, pull-down, dose error, bakes and depths by day, with their limits, and what
    changed when: lamps, cleaning, calibrations, recipes, versions. Without --since of 90 days.

    Corrected values stand for what was recorded; how many there are is said."""
    from datetime import UTC, datetime

    from platelink.record.trends import trends as trends_of

    in_order(wanted["since"], wanted["until"])
    given = {name: value for name, value in wanted.items() if value is not None}
    with opened(journal) as (reader, display):
        found = trends_of(reader, TrendsQuery(**given), now=datetime.now(UTC))
    if as_json:
        emit(found)
        return
    changed: dict[str, list[str]] = {}
    for one in found.changes:
        changed.setdefault(local(one.at_utc)[:10], []).append(one.text)
    for trend in found.trends:
        click.echo(clean(_title(trend, display)))
        rows = [_row(day, trend, display, changed) for day in trend.days]
        print_table(_DAYS, rows)
        click.echo("")
    if found.changes:
        click.echo("CHANGED")
        for one in found.changes:
            click.echo(clean(f"  {local(one.at_utc)[:10]}  {one.kind}: {one.text}"))
    if not found.trends:
        click.echo("no such runs; look further back with --since")
    if found.more:
        click.echo(f"only the newest {found.runs} runs were looked at: narrow the dates")


def _title(trend: Trend, display: Display) -> str:
    unit = display.unit(IRRADIANCE) if trend.what == "irradiance" else trend.unit
    of = f", {trend.of}" if trend.of else ""
    low, high = trend.low_limit, trend.high_limit
    limits = ""
    if low is not None and high is not None:
        limits = f"; limits {low:g} to {high:g} {trend.unit}"
    elif low is not None:
        limits = f"; at least {low:g} {trend.unit}"
    corrected = f"; {trend.corrected} corrected" if trend.corrected else ""
    return f"{TITLES[trend.what]}{of}, {unit}{limits}{corrected}"


def _row(day: TrendDay, trend: Trend, display: Display, changed: dict[str, list[str]]) -> list[str]:
    def shown(value: float) -> str:
        if trend.what == "irradiance":
            return IRRADIANCE.format(value, display.irradiance).partition(" ")[0]
        text = f"{value:+.2f}" if trend.what == "dose error" else f"{value:.1f}"
        low, high = trend.low_limit, trend.high_limit
        off = (low is not None and value < low) or (high is not None and value > high)
        return f"{text} !" if off else text

    numbers = [shown(value) for value in (day.low, day.median, day.high)]
    return [day.day, str(day.count), *numbers, "; ".join(changed.get(day.day, ()))]
