"""The command ``cost``: scrap, and what a good plate costs."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import (
    asked_config,
    emit,
    journal_option,
    json_option,
    load_config,
    opened,
)
from platelink.cli.filters import in_order, moment
from platelink.cli.quantities import clean
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.config.cost import CostSection
    from platelink.contract.cost import Cost

DAYS = 90
"""Looked back without a date."""
_PARTS = (
    Column("WHAT"),
    Column("AMOUNT", right=True),
    Column("PRICE", right=True),
    Column("COST", right=True),
)


@click.command()
@click.option(
    "--since", metavar="TIME", callback=moment,
    help="Plates begun at this date or time, or later; without it the last 90 days.",
)  # fmt: skip
@click.option(
    "--until", metavar="TIME", callback=moment, help="Begun before; a date: until its end."
)
@journal_option
@json_option
def cost(
    since: datetime | None, until: datetime | None, journal: Path | None, as_json: bool
) -> None:
    """Say how many plates were good, the share of scrap with its 95 % interval, and what a good
    plate cost: stock, light and work of all plates, shared by the good ones.

    Prices are those of [cost] in the configuration. What has no price, or is not on record, is
    said to be not known; it is not counted as nothing."""
    from platelink.finding.cost import Prices
    from platelink.finding.cost import cost as cost_of
    from platelink.record.spent import spent_plates

    in_order(since, until)
    until = until or datetime.now(UTC)
    since = since or until - timedelta(days=DAYS)
    section = _section(journal)
    prices = Prices(
        section.stock_per_m2, section.lamp_hour, section.labour_minute, section.currency or ""
    )
    with opened(journal) as (reader, _):
        plates, outside_s = spent_plates(reader, since, until)
    found = cost_of(plates, outside_s, prices, since=since, until=until)
    if as_json:
        emit(found)
        return
    for line in _lines(found):
        click.echo(clean(line))
    click.echo("")
    rows = [
        [
            one.name, f"{one.amount:.2f} {one.unit}",
            "not known" if one.price is None else f"{one.price:g} a {one.unit}",
            "not known" if one.cost is None else _money(one.cost, found),
        ]
        for one in found.parts
    ]  # fmt: skip
    print_table(_PARTS, rows)
    for text in found.not_known:
        click.echo(clean(f"not known  {text}"))


def _section(journal: Path | None) -> CostSection:
    """Beside a journal that was named no configuration is needed."""
    from platelink.config.cost import CostSection
    from platelink.config.load import ConfigError, load

    if journal is None:
        return load_config().cost
    path = asked_config()
    if path is not None:
        with suppress(ConfigError):
            return load(path).cost
    return CostSection()


def _lines(found: Cost) -> list[str]:
    span = f"{local(found.since_utc)[:10]} to {local(found.until_utc)[:10]}"
    lines = [
        f"{span}: {found.plates} plates ended; {found.good} good, {found.scrap} scrap, "
        f"{found.undecided} judged by nobody"
    ]
    if found.scrap_share is not None:
        assert found.scrap_low is not None and found.scrap_high is not None
        lines.append(
            f"scrap {100 * found.scrap_share:.1f} % of those decided "
            f"({100 * found.scrap_low:.1f} to {100 * found.scrap_high:.1f} %, 95 %)"
        )
    if found.good_plate is not None:
        least = "at least " if found.not_known else ""
        lines.append(f"a good plate cost {least}{_money(found.good_plate, found)}")
    else:
        why = "no plate was good" if found.total is not None else "nothing of it has a price"
        lines.append(f"what a good plate cost is not known: {why}")
    if found.light_outside_h > 0.0:
        lines.append(
            f"besides, {found.light_outside_h:.2f} h of light belong to no plate; not counted"
        )
    return lines


def _money(amount: float, found: Cost) -> str:
    return f"{amount:.2f} {found.currency}".rstrip()
