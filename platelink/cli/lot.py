"""The command ``lot``: plate stock that came, what is left of it, and how long it is good."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.config import today
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.quantities import clean
from platelink.cli.shelf import (
    NONE,
    area_cm2,
    area_text,
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
        path, found = opened.path, opened.lots()
        lots = [_lot_json(now, store) for now in found if everything or now.closed is None]
    if as_json:
        emit({"store": str(path), "lots": lots})
        return
    rows = [
        [
            lot["name"],
            lot["stock"],
            area_text(lot["area_left_cm2"]),
            area_text(lot["area_cm2"]),
            lot["best_before"] or "",
            lot["opened_on"] or "",
            names_of(lot["findings"]),
        ]
        for lot in lots
    ]
    show_table(_LOTS, rows, f"no lot in use in {path}; add one with 'platelink lot add'")


@click.command()
@_name
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the lot NAME, what stands against it, and everything done to it."""
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        lot, entries = _lot_json(opened.lot(name), store), opened.history(About.LOT, name)
    if as_json:
        emit(lot | {"entries": [entry_json(entry) for entry in entries]})
        return
    facts = [
        ("stock", lot["stock"]),
        ("received", lot["received_on"]),
        ("opened", lot["opened_on"] or "–"),
        ("best before", lot["best_before"] or "–"),
        ("left", f"{area_text(lot['area_left_cm2'])} of {area_text(lot['area_cm2'])}"),
        ("uses", str(lot["uses"])),
        ("note", lot["note"] or "–"),
    ]
    show_thing(f"lot {name}", facts, lot["findings"], entries)


@click.command()
@name_argument
@click.option("--stock", required=True, help="Which plate stock it is.")
@click.option("--area", required=True, help="How much came, such as '1.2 m2'.")
@click.option("--received", callback=day, metavar="DATE", help="Day it came; today without it.")
@click.option("--best-before", callback=day, metavar="DATE", help="Last day it is good for.")
@note_option
@json_option
def add(name: str, as_json: bool, **given: Any) -> None:
    """A lot that came. NAME is as on its label."""
    best_before = given["best_before"]
    body = {
        "name": name,
        "stock": given["stock"],
        "area_cm2": area_cm2(given["area"]),
        "received_on": str(given["received"] or today()),
        "best_before": str(best_before) if best_before else None,
        "note": given["note"],
    }
    with service() as client:
        _said_lot(client.add_supply("lots", **body), as_json)


@click.command("open")
@_name
@click.option("--on", "opened_on", callback=day, metavar="DATE", help="Which day; else today.")
@json_option
def open_(name: str, opened_on: date | None, as_json: bool) -> None:
    """The package of the lot NAME was opened."""
    _act(name, "open", {"opened_on": str(opened_on or today())}, as_json)


@click.command()
@_name
@click.argument("area")
@for_option
@why_option(required=False)
@json_option
def use(name: str, area: str, ref: str | None, why: str, as_json: bool) -> None:
    """AREA, such as '600 cm2', was taken off the lot NAME."""
    _act(name, "use", {"area_cm2": area_cm2(area), "ref": ref, "why": why}, as_json)


@click.command()
@_name
@click.argument("area")
@why_option(required=False)
@json_option
def count(name: str, area: str, why: str, as_json: bool) -> None:
    """AREA, such as '600 cm2', was found to be left of the lot NAME."""
    _act(name, "count", {"area_cm2": area_cm2(area), "why": why}, as_json)


@click.command()
@_name
@click.option(
    "--best-before", callback=_day_or_none, metavar="DATE", help="Another last day, or none."
)
@note_option
@why_option(required=True)
@json_option
def change(name: str, why: str, as_json: bool, **given: Any) -> None:
    """Another best-before date or note of the lot NAME, with the reason."""
    changes = changes_of(best_before=given["best_before"], note=given["note"])
    if changes.get("best_before") is not None:
        changes["best_before"] = str(changes["best_before"])
    _act(name, "change", changes | {"why": why}, as_json)


@click.command()
@_name
@why_option(required=True)
@json_option
def close(name: str, why: str, as_json: bool) -> None:
    """The lot NAME is used no more."""
    _act(name, "close", {"why": why}, as_json)


def _act(name: str, act: str, body: dict[str, Any], as_json: bool) -> None:
    with service() as client:
        _said_lot(client.at_supply("lots", name, act, body), as_json)


def _said_lot(lot: dict[str, Any], as_json: bool) -> None:
    if as_json:
        emit(lot)
        return
    left, of = area_text(lot["area_left_cm2"]), area_text(lot["area_cm2"])
    click.echo(f"lot {clean(lot['name'])}: {left} of {of} left")
    say_findings(lot["findings"])


def _lot_json(now: LotNow, store: Path | None) -> dict[str, Any]:
    from platelink.recipe.supplies import lot_findings

    findings = lot_findings(
        now, stock=None, area_cm2=0.0, today=today(), expired=expired_policy(store)
    )
    return now.lot.model_dump(mode="json") | {
        "opened_on": now.opened_on.isoformat() if now.opened_on else None,
        "area_left_cm2": now.area_left_cm2,
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_json(findings),
    }
