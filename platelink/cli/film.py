"""The command ``film``: artwork films, how often they were used, and for which plates."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.config import today
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.quantities import clean
from platelink.cli.stock import (
    changes_of,
    day,
    for_option,
    least_film_density,
    name_argument,
    names_of,
    note_option,
    opened_store,
    print_thing,
    print_uses,
    store_if_any,
    store_option,
    why_option,
)
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.contract.stock import AtFilm, Film
    from platelink.recipe.supplies import FilmNow

_name = click.argument("name", shell_complete=complete.films)
_FILMS = (
    Column("FILM"),
    Column("ARTWORK", least=8),
    Column("MADE ON", spare=2),
    Column("DENSITY", right=True, spare=3),
    Column("USES", right=True),
    Column("OF", right=True, spare=4),
    Column("NOW", least=6),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("film:list_", "List films and how often they were used."),
        "show": Lazy("film:show", "Show a film, its plates, and everything done to it."),
        "add": Lazy("film:add", "Record a film."),
        "use": Lazy("film:use", "Count one use of it."),
        "change": Lazy("film:change", "Change density, limit of uses or note."),
        "retire": Lazy("film:retire", "Retire the film: no new plate is made from it."),
    },
)
def film() -> None:
    """Artwork films: code, artwork, density, uses, and the plates made from each."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Include retired ones.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List the films in use."""
    with store_if_any(store) as (path, opened):
        found = opened.shelf.films() if opened else []
        films = [_film(now, store) for now in found if everything or now.closed is None]
    if as_json:
        emit({"store": str(path), "films": films})
        return
    rows = [
        [
            one.name,
            one.artwork,
            one.made_on,
            _density(one),
            str(one.uses),
            str(one.max_uses or ""),
            names_of(one.findings),
        ]
        for one in films
    ]
    print_table(_FILMS, rows, "none yet; add one: platelink film add CODE --artwork 'NAME'")


@click.command()
@_name
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the film NAME, what stands against it, which plates it was used for, and everything
    done to it."""
    from platelink.api.views import history_view
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        one = _film(opened.shelf.film(name), store)
        entries = history_view(opened.log.history(About.FILM, name))
    if as_json:
        emit({**dict(one), "entries": entries})
        return
    limit = f" of {one.max_uses}" if one.max_uses else ""
    facts = [
        ("artwork", one.artwork),
        ("made on", one.made_on),
        ("density", _density(one) or "not measured"),
        ("uses", f"{one.uses}{limit}"),
        ("note", one.note or "–"),
    ]
    print_thing(f"film {name}", facts, one.findings, entries)
    click.echo(clean(f"its plates with their records:  platelink plate list --film {name}"))


@click.command()
@name_argument
@click.option("--artwork", required=True, help="Name of the artwork on it.")
@click.option("--made", callback=day, metavar="DATE", help="Day it was made; today if left out.")
@click.option("--density", type=float, help="Density of its black, as measured.")
@click.option("--max-uses", type=int, help="Number of uses after which to replace it.")
@note_option
@json_option
def add(
    name: str, *, artwork: str, made: date | None, density: float | None, max_uses: int | None,
    note: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Record a film. NAME is its code, as on its edge."""
    from platelink.client import request
    from platelink.contract.stock import NewFilm

    one = request(
        NewFilm,
        name=name,
        artwork=artwork,
        made_on=str(made or today()),
        density=density,
        max_uses=max_uses,
        note=note,
    )
    with service() as client:
        print_uses("film", client.stock.add_film(one), as_json)


@click.command()
@_name
@for_option
@why_option(required=False)
@json_option
def use(name: str, ref: str | None, why: str, as_json: bool) -> None:
    """The film NAME was used once, for something other than a plate made here."""
    from platelink.contract.stock import FilmUsed

    _act(name, FilmUsed, as_json, ref=ref, why=why)


@click.command()
@_name
@click.option("--density", type=float, help="Density of its black, as measured.")
@click.option("--max-uses", type=int, help="New limit of uses.")
@note_option
@why_option(required=True)
@json_option
def change(
    name: str, *, density: float | None, max_uses: int | None, note: str | None, why: str,
    as_json: bool,
) -> None:  # fmt: skip
    """Another density, limit of uses or note of the film NAME, with the reason."""
    from platelink.contract.stock import FilmChange

    changes = changes_of(density=density, max_uses=max_uses, note=note)
    _act(name, FilmChange, as_json, **changes, why=why)


@click.command()
@_name
@why_option(required=True)
@json_option
def retire(name: str, why: str, as_json: bool) -> None:
    """The film NAME is used no more."""
    from platelink.contract.stock import FilmClosed

    _act(name, FilmClosed, as_json, why=why)


def _act(name: str, act: Callable[..., AtFilm], as_json: bool, **given: Any) -> None:
    from platelink.client import request

    with service() as client:
        print_uses("film", client.stock.at_film(name, request(act, **given)), as_json)


def _density(one: Film) -> str:
    return "" if one.density is None else f"{one.density:g}"


def _film(now: FilmNow, store: Path | None) -> Film:
    from platelink.api.views import film_view

    return film_view(now, today=today(), least_density=least_film_density(store))
