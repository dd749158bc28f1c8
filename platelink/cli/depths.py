"""The command ``depths``: charts of the depths of plates, and what they tell of a dose."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.asking import asked_facts, facts_option
from platelink.cli.context import emit
from platelink.cli.filters import moment
from platelink.cli.group import Failure, Lazy, LazyGroup
from platelink.cli.quantities import clean
from platelink.cli.tables import Column, local, pairs, print_table

if TYPE_CHECKING:
    from platelink.contract.depths import DepthChart, Index

LIMIT = 200
_MADE = (
    Column("PLATE"), Column("BEGUN", spare=1), Column("DEPTH", right=True),
    Column("RANGE", right=True), Column("LOT", spare=2), Column("RECIPE", spare=3),
    Column("SIGNAL", least=20),
)  # fmt: skip


@click.group(
    cls=LazyGroup,
    lazy={"chart": Lazy("depths:chart", "Individuals, moving ranges, capability, signals.")},
)
def depths() -> None:
    """Depths of inspected plates, from the record: what is usual, what changed, what dose follows.

    Every plate that is inspected adds a point. Nothing is applied."""


def depths_option(command: Any) -> Any:
    """Recipe and point, and which plates count."""
    options: list[Any] = [
        click.argument("recipe", shell_complete=complete.recipes),
        click.argument("point", required=False),
        click.option("--lot", help="Of this lot of stock."),
        click.option("--screen", help="With this screen."),
        click.option("--since", metavar="TIME", callback=moment, help="Begun then or later."),
        click.option("--until", metavar="TIME", callback=moment, help="Begun before."),
        click.option("--limit", type=click.IntRange(10, 1000), default=LIMIT, show_default=True,
                     help="The newest so many plates."),
    ]  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.command()
@depths_option
@facts_option
def chart(journal: Path | None, facts: Path | None, as_json: bool, **given: Any) -> None:
    """Chart the depths of RECIPE, in any revision, at POINT: individuals and moving ranges, what
    breaks a rule and what changed there, capability with its interval."""
    from platelink.client import request
    from platelink.contract.depths import AskedDepths
    from platelink.facts.depths import depths as depths_of
    from platelink.finding.charts import TooFewError
    from platelink.finding.depth_chart import depth_chart

    wanted = request(AskedDepths, **given)
    with asked_facts(journal, facts) as (both, _):
        of = depths_of(both.own, wanted)
    try:
        found = depth_chart(wanted.recipe, of.point, of.made, of.limits_um)
    except TooFewError as error:
        raise Failure(f"cannot tell: {error}; inspect more plates") from None
    if as_json:
        emit(found)
    else:
        _print(found)


def _print(found: DepthChart) -> None:
    click.echo(clean(f"{found.recipe}, {found.point}: {found.plates} plates"))
    rows = [
        ("mean", f"{found.mean_um:.2f} µm"),
        ("control limits", f"{found.low_um:.2f} to {found.high_um:.2f} µm"),
        ("spread", f"{found.sd_um:.2f} µm from plate to plate, {found.sd_all_um:.2f} µm in all"),
        ("moving range", f"{found.range_um:.2f} µm, at most {found.range_high_um:.2f} µm"),
    ]
    if found.left_out:
        rows.append(("not part of these", ", ".join(found.left_out)))
    if found.low_limit_um is not None:
        rows.append(("recipe's limits", f"{found.low_limit_um:g} to {found.high_limit_um:g} µm"))
    if found.capability is not None:
        one = found.capability
        rows += [("cp, cpk", f"{_index(one.cp)}, {_index(one.cpk)}: from plate to plate"),
                 ("pp, ppk", f"{_index(one.pp)}, {_index(one.ppk)}: of all")]  # fmt: skip
    if found.why_none:
        rows.append(("capability", found.why_none))
    click.echo(pairs(rows))
    signals = {one.plate: one for one in found.signals}
    ranges = ["", *(f"{abs(b.um - a.um):.1f}" for a, b in zip(found.made, found.made[1:],
                                                              strict=False))]  # fmt: skip
    print_table(_MADE, [
        [one.plate, local(one.at_utc, seconds=False), f"{one.um:.1f} µm", between, one.lot or "",
         one.revision or "", "; ".join(signals[one.plate].rules) if one.plate in signals else ""]
        for one, between in zip(found.made, ranges, strict=True)
    ])  # fmt: skip
    for signal in found.signals:
        why = "; ".join(signal.changed) or "nothing that the record knows changed there"
        click.echo(clean(f"{signal.plate}: {'; '.join(signal.rules)}. {why}"))


def _index(of: Index) -> str:
    return f"{of.value:.2f} ({of.low:.2f} to {of.high:.2f})"
