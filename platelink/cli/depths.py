"""The command ``depths``: charts of the depths of plates, and what they tell of a dose."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.asking import asked_facts, facts_option
from platelink.cli.context import emit, service
from platelink.cli.filters import moment
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.tables import Column, local, pairs, print_table

if TYPE_CHECKING:
    from platelink.contract.depths import DepthChart, Index
    from platelink.recipe.model import Recipe

LIMIT = 200
_MADE = (
    Column("PLATE"), Column("BEGUN", spare=1), Column("DEPTH", right=True),
    Column("RANGE", right=True), Column("LOT", spare=2), Column("RECIPE", spare=3),
    Column("SIGNAL", least=20),
)  # fmt: skip


@click.group(
    cls=LazyGroup,
    lazy={
        "chart": Lazy("depths:chart", "Individuals, moving ranges, capability, signals."),
        "dose": Lazy("depths:dose", "The dose that follows from them, and a draft."),
    },
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


@click.command()
@depths_option
@click.option("--step", help="The exposure whose dose is asked for; else the one with a dither.")
@click.option("--target", metavar="DEPTH", help="Such as '27 um'; else the middle of the limits.")
@click.option("--draft", is_flag=True, help="Add the draft to the recipes, not approved.")
@facts_option
def dose(  # noqa: PLR0917 -- given by name
    step: str | None, target: str | None, draft: bool, journal: Path | None, facts: Path | None,
    as_json: bool, **given: Any,
) -> None:  # fmt: skip
    """Propose the dose at which plates of RECIPE, in its present revision, would be as deep at
    POINT as is wanted.

    What dose does to depth is taken from plates whose dose was set off on purpose (dither_pct of
    the recipe's step): where doses follow depths nothing else tells it. Nothing is applied; the
    draft is tried and approved by people. Exit code 1 where there is no sure answer."""
    from platelink.client import request
    from platelink.contract.depths import AskedDepths
    from platelink.contract.recipes import RecipeFile
    from platelink.facts.depths import depths as depths_of
    from platelink.finding.depth_dose import CannotTellError, drafted, proposed
    from platelink.forms.write import to_toml
    from platelink.recipe.load import from_content
    from platelink.recipe.quantities import DEPTH

    wanted = request(AskedDepths, **given)
    with asked_facts(journal, facts) as (both, _):
        of = depths_of(both.own, wanted)
    with service() as client:
        whole = client.recipe(wanted.recipe)
        recipe = from_content(whole.content)
        name, now_mj_cm2 = _step_of(recipe, step)
        if target is None and of.limits_um is None:
            raise Misuse("the recipe has no limits for this point; say --target")
        target_um = DEPTH.parse(target) if target else sum(of.limits_um or ()) / 2.0
        try:
            found = proposed(of.made, name, dose_mj_cm2=now_mj_cm2, target_um=target_um)
        except CannotTellError as error:
            raise Failure(f"cannot tell: {error}") from None
        content, why = drafted(recipe, found, of.point)
        toml = to_toml(content)
        added = client.add_recipe(request(RecipeFile, toml=toml, why=why)) if draft else None
    if as_json:
        emit({**dict(found), "recipe": whole.name, "toml": toml, "why": why, "added": added})
        return
    click.echo(clean(f"{whole.name}, {of.point}: {why}"))
    click.echo(
        "add it with --draft; try it before it is approved" if added is None
        else clean(f"added {added.name}, a draft; try it: platelink plate make {added.name}, and "
                   f"approve it: platelink recipe approve {added.name} --why REASON")
    )  # fmt: skip


def _step_of(recipe: Recipe, name: str | None) -> tuple[str, float]:
    """An exposure of the recipe and its dose: the one named, or with a dither."""
    from platelink.recipe.steps import ExposeStep

    there = [one for one in recipe.step if isinstance(one, ExposeStep)]
    found = [one for one in there if (one.name == name if name else one.dither_pct is not None)]
    if len(found) != 1:
        names = ", ".join(one.name for one in there) or "none"
        raise Misuse(f"say --step: exposures of {recipe.id} are {names}")
    return found[0].name, found[0].dose_mj_cm2


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
