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
from platelink.cli.group import Lazy, LazyGroup, Misuse
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


_STORE: dict[str, tuple[str, str]] = {
    "store_low_c": ("--store-low", "Coldest its store may be, such as '10 degC'."),
    "store_high_c": ("--store-high", "Warmest its store may be."),
    "store_low_rh_pct": ("--humidity-low", "Driest its store may be, percent."),
    "store_high_rh_pct": ("--humidity-high", "Most humid its store may be, percent."),
}


def _store_options(command: Callable[..., None]) -> Callable[..., None]:
    for name, (option, text) in reversed(_STORE.items()):
        command = click.option(option, name, metavar="LIMIT", help=text)(command)
    return command


def _limits(given: dict[str, str | None]) -> dict[str, Any]:
    """Limits as typed; ``none`` stays."""
    from platelink.units import TEMPERATURE

    found: dict[str, Any] = {}
    for name, text in given.items():
        if text is not None:
            plain = text == NONE
            found[name] = text if plain else (
                TEMPERATURE.parse(text) if name.endswith("_c") else _number(text)
            )  # fmt: skip
    return found


def _number(text: str) -> float:
    try:
        return float(text.removesuffix("%"))
    except ValueError:
        raise Misuse(f"'{text}' is not a number of percent such as 60") from None


def _days(text: str | None) -> int | str | None:
    if text is None or text == NONE:
        return text
    try:
        return int(text)
    except ValueError:
        raise Misuse(f"'{text}' is not a number of days such as 30") from None


def _opened(lot: Lot) -> str:
    limit = "" if lot.max_days_open is None else f", good for {lot.max_days_open} days once open"
    if lot.opened_on is None:
        return f"not yet told{limit}"
    return f"{lot.opened_on}, {lot.days_open} days ago{limit}"


def _store(lot: Lot) -> str:
    """Its limits and the newest reading."""
    limits = [
        f"{_between(low, high)} {unit}"
        for low, high, unit in (
            (lot.store_low_c, lot.store_high_c, "°C"),
            (lot.store_low_rh_pct, lot.store_high_rh_pct, "% RH"),
        )
        if low is not None or high is not None
    ]
    said = [", ".join(limits)] if limits else []
    if lot.store:
        last = lot.store[-1]
        values = [
            f"{v:g} {u}" for v, u in ((last.temp_c, "°C"), (last.rh_pct, "% RH")) if v is not None
        ]
        said.append(f"read last on {last.at_utc[:10]}: {', '.join(values)}")
    return "; ".join(said) or "–"


def _between(low: float | None, high: float | None) -> str:
    if low is None:
        return f"at most {high:g}"
    return f"at least {low:g}" if high is None else f"{low:g} to {high:g}"


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
        "stored": Lazy("lot:stored", "Record what was read where it is stored."),
        "change": Lazy("lot:change", "Change its date, its limits or its note."),
        "retire": Lazy("lot:retire", "Retire the lot: no new plate is made from it."),
    },
)
def lot() -> None:
    """Lots of plate stock: when delivered, best before, days open, store, area left."""


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
        ("opened", _opened(lot)),
        ("best before", lot.best_before or "–"),
        ("left", f"{area_text(lot.area_left_cm2)} of {area_text(lot.area_cm2)}"),
        ("store", _store(lot)),
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
@click.option("--max-days-open", type=int, help="So many days it is good for once open.")
@_store_options
@note_option
@json_option
def add(
    name: str, *, stock: str, area: str, received: date | None, best_before: date | None,
    max_days_open: int | None, note: str | None, as_json: bool, **limits: str | None,
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
        max_days_open=max_days_open,
        note=note,
        **_limits(limits),
    )
    with service() as client:
        _print(client.stock.add_lot(lot), as_json)


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
@click.option("--max-days-open", metavar="DAYS", help="New limit of days open, or none.")
@_store_options
@note_option
@why_option(required=True)
@json_option
def change(
    name: str, *, best_before: date | str | None, max_days_open: str | None, note: str | None,
    why: str, as_json: bool, **limits: str | None,
) -> None:  # fmt: skip
    """Change date, limits or note of the lot NAME, with a reason; 'none' takes a limit away."""
    from platelink.contract.stock import LotChange

    changes = changes_of(
        best_before=str(best_before) if best_before else None,
        max_days_open=_days(max_days_open),
        note=note,
        **_limits(limits),
    )
    _act(name, LotChange, as_json, **changes, why=why)


@click.command()
@_name
@click.option("--temp", metavar="TEMPERATURE", help="Such as '21 degC'.")
@click.option("--humidity", type=float, metavar="PERCENT", help="Relative humidity.")
@why_option(required=False)
@json_option
def stored(name: str, temp: str | None, humidity: float | None, why: str, as_json: bool) -> None:
    """Record what was read where the lot NAME is stored: temperature, humidity or both."""
    from platelink.contract.stock import LotStored
    from platelink.units import TEMPERATURE

    temp_c = None if temp is None else TEMPERATURE.parse(temp)
    _act(name, LotStored, as_json, temp_c=temp_c, rh_pct=humidity, why=why)


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
        _print(client.stock.at_lot(name, request(act, **given)), as_json)


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
