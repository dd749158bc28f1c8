"""The command ``maintenance``: what is to be done how often, what is due, what was done."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.stock import (
    NONE,
    changes_of,
    day,
    name_argument,
    note_option,
    print_thing,
    why_option,
)
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.contract.upkeep import AtItem, Item, ResetBy

_name = click.argument("name", shell_complete=complete.items)
_TABLE = (
    Column("ITEM", least=8),
    Column("NOW", least=8),
    Column("COUNTED", least=16),
    Column("SINCE", spare=1),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("maintenance:list_", "List items, what is due first."),
        "show": Lazy("maintenance:show", "Show an item, and when it was done."),
        "add": Lazy("maintenance:add", "Say what is to be done, and how often."),
        "done": Lazy("maintenance:done", "Record that it was done."),
        "change": Lazy("maintenance:change", "Change intervals or note."),
        "retire": Lazy("maintenance:retire", "Retire an item: it is looked after no more."),
    },
)
def maintenance() -> None:
    """Maintenance: what is to be done how often, what is due and since when.

    Use is counted from the record. Mains off and lamps cold before anything is opened; UV lamps may
    hold mercury: follow the maker's papers and local rules."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Include retired ones.")
@click.option("--due", is_flag=True, help="Only what is due; exit code 1 when anything is.")
@json_option
def list_(everything: bool, due: bool, as_json: bool) -> None:
    """List items and calibrations: what is due first, the longest first."""
    with service() as client:
        items = [one for one in client.stock.items() if everything or one.closed is None]
    if due:
        items = [one for one in items if one.due_since_utc is not None]
    if as_json:
        emit({"items": items})
    else:
        rows = [[one.name, _now(one), _counted(one), _since(one)] for one in items]
        none = "none is due" if due else (
            "none yet; add one: platelink maintenance add blanket-seal --exposures 5000 --days 365"
        )  # fmt: skip
        print_table(_TABLE, rows, none)
    if due and items:
        raise SystemExit(1)


def _now(one: Item) -> str:
    if one.closed is not None:
        return f"retired: {one.closed}"
    if one.due_since_utc is not None:
        return f"due since {local(one.due_since_utc)[:10]}"
    return "in order" if one.sure else "not due as far as is known"


def _counted(one: Item) -> str:
    return "; ".join(interval.text for interval in one.intervals)


def _since(one: Item) -> str:
    return local(one.since_utc)[:10] if one.since_utc else ""


@click.command()
@_name
@json_option
def show(name: str, as_json: bool) -> None:
    """Show the item NAME: where it stands, who did it when, and everything else done to it."""
    with service() as client:
        one = client.stock.item(name)
    if as_json:
        emit(one)
        return
    facts = [
        ("now", _now(one)),
        *((("counted", interval.text)) for interval in one.intervals),
        ("since", _since(one)),
        ("starts over", "when recorded as done" if one.reset_by == "done" else one.reset_by),
        ("note", one.note or "–"),
    ]
    print_thing(f"maintenance {name}", facts, (), one.history)


def _interval_options(command: Callable[..., None]) -> Callable[..., None]:
    for option, text in (
        ("--days", "After so many days."),
        ("--washed", "After so much plate was washed, such as '20 m2'."),
        ("--plates", "After so many plates."),
        ("--lamp-hours", "After so many hours of light."),
        ("--exposures", "After so many exposures with light."),
    ):
        command = click.option(option, metavar="N", help=text)(command)
    return command


def _intervals(
    exposures: str | None, lamp_hours: str | None, plates: str | None, washed: str | None,
    days: str | None,
) -> dict[str, Any]:  # fmt: skip
    """As typed; ``none`` stays."""
    from platelink.recipe.quantities import AREA

    return {
        "exposures": _typed(exposures, int),
        "lamp_h": _typed(lamp_hours, float),
        "plates": _typed(plates, int),
        "washed_m2": _typed(washed, lambda text: AREA.parse(text) / 1e4),
        "days": _typed(days, int),
    }


def _typed(text: str | None, kind: Callable[[str], float]) -> float | str | None:
    if text is None or text == NONE:
        return text
    try:
        return kind(text)
    except ValueError as error:
        word = "number" if kind in (int, float) else str(error)
        raise Misuse(f"'{text}' is no interval: {word}") from None


@click.command()
@name_argument
@_interval_options
@click.option(
    "--with",
    "reset_by",
    type=click.Choice(["lamp change", "lamp cleaning", "sensor cleaning"]),
    help="It starts over when the record shows this, and not by 'done'.",
)
@click.option(
    "--last", callback=day, metavar="DATE", help="Day it was done last; today if left out."
)
@note_option
@json_option
def add(
    name: str, *, reset_by: ResetBy | None, last: date | None, note: str | None, as_json: bool,
    **typed: str | None,
) -> None:  # fmt: skip
    """Say that NAME is to be done again and again; one interval or more."""
    from platelink.client import request
    from platelink.contract.upkeep import NewItem

    given = {key: value for key, value in _intervals(**typed).items() if value is not None}
    item = request(
        NewItem,
        name=name,
        reset_by=reset_by or "done",
        last_done_on=str(last) if last else None,
        note=note,
        **given,
    )
    with service() as client:
        _print(client.stock.add_item(item), as_json)


@click.command()
@_name
@click.option("--note", default="", help="What was done, or found.")
@json_option
def done(name: str, note: str, as_json: bool) -> None:
    """Record that NAME was done, now, by you; its counters start over."""
    from platelink.contract.upkeep import ItemDone

    _act(name, ItemDone, as_json, note=note)


@click.command()
@_name
@_interval_options
@note_option
@why_option(required=True)
@json_option
def change(name: str, *, note: str | None, why: str, as_json: bool, **typed: str | None) -> None:
    """Other intervals or note of NAME, with the reason; 'none' takes an interval away."""
    from platelink.contract.upkeep import ItemChange

    _act(name, ItemChange, as_json, **changes_of(**_intervals(**typed), note=note), why=why)


@click.command()
@_name
@why_option(required=True)
@json_option
def retire(name: str, why: str, as_json: bool) -> None:
    """Retire the item NAME: it is looked after no more."""
    from platelink.contract.upkeep import ItemClosed

    _act(name, ItemClosed, as_json, why=why)


def _act(name: str, act: Callable[..., AtItem], as_json: bool, **given: Any) -> None:
    from platelink.client import request

    with service() as client:
        _print(client.stock.at_item(name, request(act, **given)), as_json)


def _print(one: Item, as_json: bool) -> None:
    if as_json:
        emit(one)
        return
    click.echo(clean(f"{one.name}: {_now(one)} ({_counted(one)})"))
