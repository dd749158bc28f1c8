"""The command ``lot``: plate stock that came, what is left of it, and how long it is good."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.config import today
from platelink.cli.context import emit, json_option
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.shelf import (
    NONE,
    built,
    by,
    by_option,
    changes_of,
    day,
    entry_json,
    expired_policy,
    findings_json,
    for_option,
    name_argument,
    names_of,
    note_option,
    opened_store,
    say_findings,
    show_table,
    show_thing,
    store_option,
    why_option,
)
from platelink.cli.tables import Column

if TYPE_CHECKING:
    from platelink.recipe.supplies import Finding, LotNow

_LOTS = (
    Column("LOT"),
    Column("STOCK", least=6),
    Column("LEFT", right=True),
    Column("OF", right=True, spare=3),
    Column("BEST BEFORE", spare=1),
    Column("OPENED", spare=4),
    Column("NOW", least=6),
)


def _day_or_none(
    ctx: click.Context, param: click.Parameter, value: str | None
) -> date | str | None:
    return value if value == NONE else day(ctx, param, value)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("lot:list_", "List lots and what is left of them."),
        "show": Lazy("lot:show", "Show a lot and everything done to it."),
        "add": Lazy("lot:add", "A lot that came."),
        "open": Lazy("lot:open_", "The lot's package was opened."),
        "use": Lazy("lot:use", "Area was taken off the lot."),
        "count": Lazy("lot:count", "So much was found to be left."),
        "change": Lazy("lot:change", "Another best-before date or note."),
        "close": Lazy("lot:close", "The lot is used no more."),
    },
)
def lot() -> None:
    """Lots of plate stock: when they came, how long they are good, what is left of them."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Closed ones too.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List the lots in use."""
    with opened_store(store) as opened:
        lots = [now for now in opened.lots() if everything or now.closed is None]
        path = opened.path
    if as_json:
        emit({"store": str(path), "lots": [_lot_json(now, store) for now in lots]})
        return
    rows = [
        [
            now.lot.name,
            now.lot.stock,
            _area(now.area_left_cm2),
            _area(now.lot.area_cm2),
            str(now.lot.best_before or ""),
            str(now.opened_on or ""),
            names_of(_lot_findings(now, store)),
        ]
        for now in lots
    ]
    show_table(_LOTS, rows, f"no lot in use in {path}; add one with 'platelink lot add'")


@click.command()
@name_argument
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the lot NAME, what stands against it, and everything done to it."""
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        now, entries = opened.lot(name), opened.history(About.LOT, name)
    if as_json:
        emit(_lot_json(now, store) | {"entries": [entry_json(entry) for entry in entries]})
        return
    facts = [
        ("stock", now.lot.stock),
        ("received", str(now.lot.received_on)),
        ("opened", str(now.opened_on or "–")),
        ("best before", str(now.lot.best_before or "–")),
        ("left", f"{_area(now.area_left_cm2)} of {_area(now.lot.area_cm2)}"),
        ("uses", str(now.uses)),
        ("note", now.lot.note or "–"),
    ]
    show_thing(f"lot {name}", facts, _lot_findings(now, store), entries)


@click.command()
@name_argument
@click.option("--stock", required=True, help="Which plate stock it is.")
@click.option("--area", required=True, help="How much came, such as '1.2 m2'.")
@click.option("--received", callback=day, metavar="DATE", help="Day it came; today without it.")
@click.option("--best-before", callback=day, metavar="DATE", help="Last day it is good for.")
@note_option
@by_option
@store_option
@json_option
def add(name: str, who: str, store: Path | None, as_json: bool, **given: Any) -> None:
    """A lot that came. NAME is as on its label."""
    from platelink.recipe.supplies import Lot

    values = {
        "name": name,
        "stock": given["stock"],
        "area_cm2": given["area"],
        "received_on": given["received"] or today(),
        "best_before": given["best_before"],
        "note": given["note"],
    }
    came = built(Lot, values, "lot")
    with opened_store(store, write=True) as opened:
        _said_lot(opened.add_lot(came, by(who)), store, as_json)


@click.command("open")
@name_argument
@click.option("--on", "opened_on", callback=day, metavar="DATE", help="Which day; else today.")
@by_option
@store_option
@json_option
def open_(name: str, opened_on: date | None, who: str, store: Path | None, as_json: bool) -> None:
    """The package of the lot NAME was opened."""
    with opened_store(store, write=True) as opened:
        _said_lot(opened.open_lot(name, opened_on or today(), by(who)), store, as_json)


@click.command()
@name_argument
@click.argument("area")
@for_option
@by_option
@why_option(required=False)
@store_option
@json_option
def use(name: str, area: str, ref: str | None, who: str, **rest: Any) -> None:
    """AREA, such as '600 cm2', was taken off the lot NAME."""
    from platelink.recipe.quantities import AREA

    with opened_store(rest["store"], write=True) as opened:
        now = opened.use_lot(name, AREA.parse(area), by(who, rest["why"]), ref=ref)
        _said_lot(now, rest["store"], rest["as_json"])


@click.command()
@name_argument
@click.argument("area")
@by_option
@why_option(required=False)
@store_option
@json_option
def count(name: str, area: str, who: str, why: str, store: Path | None, **rest: Any) -> None:
    """AREA, such as '0.8 m2', was found to be left of the lot NAME."""
    from platelink.recipe.quantities import AREA

    with opened_store(store, write=True) as opened:
        _said_lot(opened.count_lot(name, AREA.parse(area), by(who, why)), store, rest["as_json"])


@click.command()
@name_argument
@click.option(
    "--best-before", callback=_day_or_none, metavar="DATE", help="Another last day, or none."
)
@note_option
@by_option
@why_option(required=True)
@store_option
@json_option
def change(name: str, who: str, why: str, store: Path | None, **given: Any) -> None:
    """Another best-before date or note of the lot NAME, with the reason."""
    changes = changes_of(best_before=given["best_before"], note=given["note"])
    with opened_store(store, write=True) as opened:
        _said_lot(opened.change_lot(name, changes, by(who, why)), store, given["as_json"])


@click.command()
@name_argument
@by_option
@why_option(required=True)
@store_option
@json_option
def close(name: str, who: str, why: str, store: Path | None, as_json: bool) -> None:
    """The lot NAME is used no more."""
    from platelink.recipe.entries import About

    with opened_store(store, write=True) as opened:
        opened.close_thing(About.LOT, name, by(who, why))
        _said_lot(opened.lot(name), store, as_json)


def _said_lot(now: LotNow, store: Path | None, as_json: bool) -> None:
    if as_json:
        emit(_lot_json(now, store))
        return
    click.echo(f"lot {now.lot.name}: {_area(now.area_left_cm2)} of {_area(now.lot.area_cm2)} left")
    say_findings(_lot_findings(now, store))


def _lot_findings(now: LotNow, store: Path | None) -> tuple[Finding, ...]:
    from platelink.recipe.supplies import lot_findings

    return lot_findings(now, stock=None, area_cm2=0.0, today=today(), expired=expired_policy(store))


def _lot_json(now: LotNow, store: Path | None) -> dict[str, Any]:
    return now.lot.model_dump(mode="json") | {
        "opened_on": now.opened_on.isoformat() if now.opened_on else None,
        "area_left_cm2": now.area_left_cm2,
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_json(_lot_findings(now, store)),
    }


def _area(area_cm2: float) -> str:
    from platelink.recipe.quantities import AREA

    return AREA.format(area_cm2, "cm2")
