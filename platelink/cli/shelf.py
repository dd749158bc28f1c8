"""What the commands on recipes, lots and screens have in common: the store, and who does it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli.context import asked_config, load_config
from platelink.cli.group import Misuse
from platelink.cli.quantities import clean
from platelink.cli.tables import local, pairs, table, terminal_width

if TYPE_CHECKING:
    from collections.abc import Sequence

    from platelink.cli.tables import Column
    from platelink.forms.keys import Section
    from platelink.recipe.entries import Entry
    from platelink.recipe.store import By, RecipeStore
    from platelink.recipe.supplies import Expired, Finding

    _Model = TypeVar("_Model", bound=Section)

_F = TypeVar("_F", bound=Callable[..., Any])
NONE = "none"
"""What takes a value away where another could be given."""
name_argument = click.argument("name")
note_option = click.option("--note", help="Anything else.")
for_option = click.option(
    "--for", "ref", metavar="PLATE", help="Which plate: told twice, counted once."
)


def store_option(command: _F) -> _F:
    """``--store`` of commands on the store."""
    return click.option(
        "--store",
        type=click.Path(path_type=Path, dir_okay=False),
        help="Use this store; no configuration is needed.",
    )(command)


def by_option(command: _F) -> _F:
    """``--by`` of commands that add an entry."""
    return click.option("--by", "who", required=True, metavar="NAME", help="Who does it.")(command)


def why_option(*, required: bool) -> Callable[[_F], _F]:
    """``--why`` of commands that add an entry."""
    # A default, even None, would make the option one that is never missing.
    default: dict[str, Any] = {} if required else {"default": ""}
    text = "The reason, for the record."
    return click.option("--why", required=required, help=text, **default)


def day(ctx: click.Context, param: click.Parameter, value: str | None) -> date | None:
    """A day as an option takes it."""
    if value is None:
        return None
    try:
        return date.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(f"'{value}' is not a date such as 2026-03-02.") from None


@contextmanager
def opened_store(path: Path | None, *, write: bool = False) -> Iterator[RecipeStore]:
    """The store given, or of the configuration."""
    from platelink.recipe.store import RecipeStore

    place = path or load_config().recipes_path()
    with RecipeStore.open(place, read_only=not write) as store:
        yield store


def by(who: str, why: str = "") -> By:
    """Somebody, now."""
    from platelink.recipe.store import By

    return By(who, datetime.now(UTC), why)


def expired_policy(store: Path | None) -> Expired:
    """What an expired lot does, as configured. Where a store is named, no configuration is needed:
    without a good one it is the default."""
    from platelink.config import ConfigError, load
    from platelink.config.services import RecipesSection

    if store is None:
        return load_config().recipes.expired_lot
    path = asked_config()
    if path is not None:
        with suppress(ConfigError):
            return load(path).recipes.expired_lot
    return RecipesSection().expired_lot


def show_table(columns: Sequence[Column], rows: Sequence[Sequence[str]], none: str) -> None:
    """Print rows, or what there is to say when there are none."""
    cells = [[clean(cell) for cell in row] for row in rows]
    click.echo(table(columns, cells, terminal_width()) if rows else none)


def told(entry: Entry) -> str:
    """One entry as a line."""
    facts = ", ".join(_fact(name, value) for name, value in entry.body.items())
    what = f"{entry.act} ({facts})" if facts and entry.act != "added" else entry.act
    ref = f" for {entry.ref}" if entry.ref else ""
    why = f": {entry.why}" if entry.why else ""
    return clean(f"{local(entry.at_utc)}  {what}{ref} by {entry.who}{why}")


def _fact(name: str, value: Any) -> str:
    from platelink.recipe.quantities import AREA

    if name == "area_cm2":
        return AREA.format(value, "cm2")
    return f"{name.replace('_', ' ')} {'none' if value is None else value}"


def entry_json(entry: Entry) -> dict[str, Any]:
    """One entry as JSON values."""
    at_utc = entry.at_utc.isoformat(timespec="milliseconds")
    return entry._asdict() | {"at_utc": at_utc}


def built(model: type[_Model], values: dict[str, Any], what: str) -> _Model:
    """The model of what was typed, or everything that is wrong with it."""
    from pydantic import ValidationError

    from platelink.forms.problems import Reading

    try:
        return model.model_validate(values)
    except ValidationError as error:
        problems = Reading(model, values, what).problems(error)
        raise Misuse("\n".join(map(str, problems))) from None


def changes_of(**given: Any) -> dict[str, Any]:
    """What was given; ``none`` takes a value away."""
    changes = {k: None if v == NONE else v for k, v in given.items() if v is not None}
    if not changes:
        names = " or ".join(f"--{name.replace('_', '-')}" for name in given)
        raise Misuse(f"say what is to change: {names}")
    return changes


def show_thing(
    title: str,
    facts: Sequence[tuple[str, str]],
    findings: Sequence[Finding],
    entries: Sequence[Entry],
) -> None:
    """Everything about one lot or screen."""
    click.echo(title)
    click.echo(pairs([(label, clean(text)) for label, text in facts]))
    say_findings(findings)
    click.echo("\n".join(["", *map(told, entries)]))


def say_findings(findings: Sequence[Finding]) -> None:
    """What stands against a lot or screen, a line each."""
    for finding in findings:
        click.echo(clean(f"{'blocked' if finding.blocks else 'notice'}  {finding.text}"))


def findings_json(findings: Sequence[Finding]) -> list[dict[str, Any]]:
    """Findings as JSON values."""
    return [{"name": f.name, "blocks": f.blocks, "text": f.text} for f in findings]


def names_of(findings: Sequence[Finding]) -> str:
    """Findings in a cell of a table."""
    return ", ".join(f.name for f in findings)
