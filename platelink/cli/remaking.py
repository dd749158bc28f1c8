"""The command ``remake``: how to make a plate again on what is there today."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, load_config, service
from platelink.cli.group import Failure
from platelink.cli.quantities import Display, clean, quantity
from platelink.cli.tables import Column, local, print_table
from platelink.units import DOSE, IRRADIANCE, PRESSURE, TEMPERATURE

if TYPE_CHECKING:
    from platelink.contract.recipes import Added
    from platelink.contract.remake import Remake, RemakeLine

_LINES = (
    Column("STEP"), Column("WHAT"), Column("THEN", right=True), Column("TODAY", right=True),
    Column("IS"), Column("OFF", right=True), Column("WHY", least=30),
)  # fmt: skip
_QUANTITIES = {"mJ/cm²": DOSE, "mW/cm²": IRRADIANCE, "kPa": PRESSURE, "°C": TEMPERATURE}


@click.command()
@click.argument("plate", shell_complete=complete.plates)
@click.option("--draft", is_flag=True, help="Add the draft to the recipes, not approved.")
@click.option("--toml", "as_toml", is_flag=True, help="Print the draft as a file.")
@json_option
def remake(plate: str, draft: bool, as_toml: bool, as_json: bool) -> None:
    """Work out how to make PLATE again on today's lamps, stock and calibrations.

    Each line says what it was made with, what is there today, and how far off it will be where
    that cannot be matched. Nothing is applied: the draft is tried and approved by people. Exit code
    1 when something makes it impossible."""
    from platelink.client import request
    from platelink.contract.recipes import RecipeFile

    added = None
    with service() as client:
        found = client.remake(plate)
        if draft and found.toml is not None:
            added = client.add_recipe(request(RecipeFile, toml=found.toml, why=found.why))
    if as_json:
        emit({**dict(found), "added": added})
    elif as_toml:
        if found.toml is None:
            raise Failure(f"no draft is needed: {found.by} makes it as it stands")
        click.echo(found.toml, nl=False)
    else:
        _print(found, added, Display.of(load_config()))
    if found.cannot and not as_toml:
        click.get_current_context().exit(Failure.exit_code)


def _print(found: Remake, added: Added | None, display: Display) -> None:
    verdict = f", judged {found.judgement}" if found.judgement else ""
    click.echo(clean(f"plate {found.plate} of {found.revision}, {local(found.made_utc)}{verdict}"))
    print_table(_LINES, [_row(line, display) for line in found.lines])
    if found.cannot:
        click.echo(f"it cannot be made so today: {found.cannot} of these lines say why")
    if found.by is not None:
        click.echo(clean(f"no draft is needed: platelink plate make {found.by}"))
        return
    click.echo("the draft:" if found.changes else "the draft: as it was made")
    for change in found.changes:
        click.echo(clean(f"  step {change.step}: {change.text}" if change.step
                         else f"  {change.text}"))  # fmt: skip
    if added is None:
        click.echo(clean(f"add it with: platelink remake {found.plate} --draft"))
    else:
        click.echo(clean(
            f"added {added.name}, a draft; try it: platelink plate make {added.name}, and approve "
            f"it: platelink recipe approve {added.name} --why REASON"
        ))  # fmt: skip


def _row(line: RemakeLine, display: Display) -> list[str]:
    today = _shown(line.today, line.unit, display)
    if line.low is not None and line.high is not None:
        low, high = (_shown(end, line.unit, display) for end in (line.low, line.high))
        today += f" ({low.partition(' ')[0]} to {high.partition(' ')[0]})"
    off = "" if line.off_pct is None else f"{line.off_pct:+.1f} %"
    return [line.step, line.what, _shown(line.then, line.unit, display), today, line.match, off,
            line.text]  # fmt: skip


def _shown(value: str | float | None, unit: str, display: Display) -> str:
    if value is None or isinstance(value, str):
        return value or ""
    kind = _QUANTITIES.get(unit)
    if kind is None:
        return quantity(value, unit)
    wanted = display.unit(kind)
    return quantity(kind.to(value, wanted), kind.unit(wanted).symbol)
