"""What the commands on recipes, lots and screens have in common.

What only reads opens the store itself; what adds to it asks the unit's service, which knows who.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli.context import asked_config, emit, load_config
from platelink.cli.group import Misuse
from platelink.cli.quantities import clean
from platelink.cli.tables import local, pairs

if TYPE_CHECKING:
    from platelink.config.services import RecipesSection
    from platelink.contract.base import Finding, Noted
    from platelink.contract.stock import Film, Screen
    from platelink.recipe.store import RecipeStore
    from platelink.recipe.supplies import Expired

_F = TypeVar("_F", bound=Callable[..., Any])
NONE = "none"
"""What takes a value away where another could be given."""
name_argument = click.argument("name")
note_option = click.option("--note", help="Anything else.")
for_option = click.option(
    "--for",
    "ref",
    metavar="PLATE",
    help="Plate it was for; repeated for the same plate it counts once.",
)


def store_option(command: _F) -> _F:
    """``--store`` of commands that only read the store."""
    return click.option(
        "--store",
        type=click.Path(path_type=Path, dir_okay=False),
        help="Read this store; no configuration is needed.",
    )(command)


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
def opened_store(path: Path | None) -> Iterator[RecipeStore]:
    """The store given, or of the configuration, to read."""
    from platelink.recipe.store import RecipeStore

    with RecipeStore.open(path or load_config().recipes_path(), read_only=True) as store:
        yield store


@contextmanager
def store_if_any(path: Path | None) -> Iterator[tuple[Path, RecipeStore | None]]:
    """The same with its place; None for the configuration's where nothing was added yet."""
    place = path or load_config().recipes_path()
    if path is None and place.parent.is_dir() and not place.exists():
        yield place, None
        return
    with opened_store(place) as store:
        yield place, store


def expired_policy(store: Path | None) -> Expired:
    """What an expired lot does, as configured."""
    return _settings(store).expired_lot


def least_film_density(store: Path | None) -> float | None:
    """The least density of a film's black, as configured."""
    return _settings(store).least_film_density


def _settings(store: Path | None) -> RecipesSection:
    """Where a store is named, no configuration is needed: without a good one, the defaults."""
    from platelink.config.load import ConfigError, load
    from platelink.config.services import RecipesSection

    if store is None:
        return load_config().recipes
    path = asked_config()
    if path is not None:
        with suppress(ConfigError):
            return load(path).recipes
    return RecipesSection()


def changes_of(**given: Any) -> dict[str, Any]:
    """What was given; ``none`` takes a value away."""
    changes = {k: None if v == NONE else v for k, v in given.items() if v is not None}
    if not changes:
        names = " or ".join(f"--{name.replace('_', '-')}" for name in given)
        raise Misuse(f"say what is to change: {names}")
    return changes


def print_thing(
    title: str,
    facts: Sequence[tuple[str, str]],
    findings: Sequence[Finding],
    history: Sequence[Noted],
) -> None:
    """Everything about one lot or screen."""
    click.echo(title)
    click.echo(pairs([(label, clean(text)) for label, text in facts]))
    print_findings(findings)
    click.echo("\n".join(["", *map(_entry, history)]))


def _entry(entry: Noted) -> str:
    facts = ", ".join(_fact(name, value) for name, value in entry.body.items())
    what = f"{entry.act} ({facts})" if facts and entry.act != "added" else entry.act
    ref = f" for {entry.ref}" if entry.ref else ""
    why = f": {entry.why}" if entry.why else ""
    return clean(f"{local(entry.at_utc)}  {what}{ref} by {entry.who}{why}")


def _fact(name: str, value: Any) -> str:
    if name == "area_cm2":
        return area_text(value)
    return f"{name.replace('_', ' ')} {'none' if value is None else value}"


def print_uses(kind: str, one: Film | Screen, as_json: bool) -> None:
    """A film or screen after an act."""
    if as_json:
        emit(one)
        return
    click.echo(f"{kind} {clean(one.name)}: {one.uses} uses")
    print_findings(one.findings)


def print_findings(findings: Sequence[Finding]) -> None:
    """What stands against a plate, a lot or a screen, a line each."""
    for finding in findings:
        word = "blocked" if finding.blocks else "notice"
        click.echo(clean(f"{word}  {finding.text}"))


def names_of(findings: Sequence[Finding]) -> str:
    """Findings in a cell of a table."""
    return ", ".join(finding.name for finding in findings)


def area_text(area_cm2: float) -> str:
    """An area with its unit."""
    from platelink.recipe.quantities import AREA

    return AREA.format(area_cm2, "cm2")


def area_cm2(text: str) -> float:
    """An area as typed; ``UnitError`` says what is wrong with it."""
    from platelink.recipe.quantities import AREA

    return AREA.parse(text)
