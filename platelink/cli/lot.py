"""The command ``lot``: plate stock that came, what is left of it, and how long it is good."""

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
    NONE,
    area_cm2,
    area_text,
    changes_of,
    day,
    expired_policy,
    for_option,
    name_argument,
    names_of,
    note_option,
    opened_store,
    print_findings,
    print_thing,
    store_if_any,
    store_option,
    why_option,
)
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.contract.stock import AtLot, Lot
    from platelink.recipe.supplies import LotNow

_name = click.argument("name", shell_complete=complete.lots)
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
        "add": Lazy("lot:add", "Record a delivered lot."),
        "open": Lazy("lot:open_", "Record that its package was opened."),
        "use": Lazy("lot:use", "Record area used from the lot."),
        "count": Lazy("lot:count", "Record the area counted as left."),
        "change": Lazy("lot:change", "Change the best-before date or note."),
        "retire": Lazy("lot:retire", "Retire the lot: no new plate is made from it."),
    },
)
def lot() -> None:
    """Lots of plate stock: when delivered, best before, area left."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Include retired ones.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List the lots in use."""
    with store_if_any(store) as (path, opened):
        found = opened.shelf.lots() if opened else []
        lots = [_lot(now, store) for now in found if everything or now.closed is None]
    if as_json:
        emit({"store": str(path), "lots": lots})
        return
    rows = [
        [
            lot.name,
            lot.stock,
            area_text(lot.area_left_cm2),
            area_text(lot.area_cm2),
            lot.best_before or "",
            lot.opened_on or "",
            names_of(lot.findings),
        ]
        for lot in lots
    ]
    print_table(
        _LOTS, rows, "none yet; add one: platelink lot add NAME --stock STOCK --area '1.2 m2'"
    )


@click.command()
@_name
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the lot NAME, warnings about it, and its history."""
    from platelink.api.views import history_view
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        lot = _lot(opened.shelf.lot(name), store)
        entries = history_view(opened.log.history(About.LOT, name))
    if as_json:
        emit({**dict(lot), "entries": entries})
        return
    facts = [
        ("stock", lot.stock),
        ("received", lot.received_on),
        ("opened", lot.opened_on or "–"),
        ("best before", lot.best_before or "–"),
        ("left", f"{area_text(lot.area_left_cm2)} of {area_text(lot.area_cm2)}"),
        ("uses", str(lot.uses)),
        ("note", lot.note or "–"),
    ]
    print_thing(f"lot {name}", facts, lot.findings, entries)


@click.command()
@name_argument
@click.option("--stock", required=True, help="Which plate stock it is.")
@click.option("--area", required=True, help="Area delivered, such as '1.2 m2'.")
@click.option(
    "--received", callback=day, metavar="DATE", help="Day it was delivered; today if left out."
)
@click.option("--best-before", callback=day, metavar="DATE", help="Last day it may be used.")
@note_option
@json_option
def add(
    name: str, *, stock: str, area: str, received: date | None, best_before: date | None,
    note: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Record a delivered lot. NAME is as on its label."""
    from platelink.client import request
    from platelink.contract.stock import NewLot

    lot = request(
        NewLot,
        name=name,
        stock=stock,
        area_cm2=area_cm2(area),
        received_on=str(received or today()),
        best_before=str(best_before) if best_before else None,
        note=note,
    )
    with service() as client:
        _print(client.add_lot(lot), as_json)


@click.command("open")
@_name
@click.option("--on", "opened_on", callback=day, metavar="DATE", help="Day; today if left out.")
@json_option
def open_(name: str, opened_on: date | None, as_json: bool) -> None:
    """Record that the package of the lot NAME was opened."""
    from platelink.contract.stock import LotOpened

    _act(name, LotOpened, as_json, opened_on=str(opened_on or today()))


@click.command()
@_name
@click.argument("area")
@for_option
@why_option(required=False)
@json_option
def use(name: str, area: str, ref: str | None, why: str, as_json: bool) -> None:
    """Record AREA, such as '600 cm2', as used from the lot NAME."""
    from platelink.contract.stock import LotUsed

    _act(name, LotUsed, as_json, area_cm2=area_cm2(area), ref=ref, why=why)


@click.command()
@_name
@click.argument("area")
@why_option(required=False)
@json_option
def count(name: str, area: str, why: str, as_json: bool) -> None:
    """Record AREA, such as '600 cm2', as counted left of the lot NAME."""
    from platelink.contract.stock import LotCounted

    _act(name, LotCounted, as_json, area_cm2=area_cm2(area), why=why)


@click.command()
@_name
@click.option("--best-before", callback=_day_or_none, metavar="DATE", help="New last day, or none.")
@note_option
@why_option(required=True)
@json_option
def change(
    name: str, best_before: date | str | None, note: str | None, why: str, as_json: bool
) -> None:
    """Change the best-before date or note of the lot NAME, with a reason."""
    from platelink.contract.stock import LotChange

    changes = changes_of(best_before=str(best_before) if best_before else None, note=note)
    _act(name, LotChange, as_json, **changes, why=why)


@click.command()
@_name
@why_option(required=True)
@json_option
def retire(name: str, why: str, as_json: bool) -> None:
    """Retire the lot NAME: no new plate is made from it."""
    from platelink.contract.stock import LotClosed

    _act(name, LotClosed, as_json, why=why)


def _act(name: str, act: Callable[..., AtLot], as_json: bool, **given: Any) -> None:
    from platelink.client import request

    with service() as client:
        _print(client.at_lot(name, request(act, **given)), as_json)


def _print(lot: Lot, as_json: bool) -> None:
    if as_json:
        emit(lot)
        return
    left, of = area_text(lot.area_left_cm2), area_text(lot.area_cm2)
    click.echo(f"lot {clean(lot.name)}: {left} of {of} left")
    print_findings(lot.findings)


def _lot(now: LotNow, store: Path | None) -> Lot:
    from platelink.api.views import lot_view

    return lot_view(now, today=today(), expired=expired_policy(store))
