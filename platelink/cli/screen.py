"""The command ``screen``: line screens, and how often they were used."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.stock import (
    changes_of,
    for_option,
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
    from platelink.contract.stock import AtScreen, Screen

_name = click.argument("name", shell_complete=complete.screens)
_SCREENS = (
    Column("SCREEN"),
    Column("RULING", right=True, spare=1),
    Column("TINT", right=True, spare=2),
    Column("ANGLE", right=True, spare=4),
    Column("USES", right=True),
    Column("OF", right=True, spare=3),
    Column("NOW", least=6),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("screen:list_", "List screens and how often they were used."),
        "show": Lazy("screen:show", "Show a screen and everything done to it."),
        "add": Lazy("screen:add", "Record a screen."),
        "use": Lazy("screen:use", "Count one use of it."),
        "change": Lazy("screen:change", "Change the limit of uses or the note."),
        "retire": Lazy("screen:retire", "Retire the screen: no new plate is made with it."),
    },
)
def screen() -> None:
    """Line screens: ruling, tint, angle, and how often they were used."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Include retired ones.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List the screens in use."""
    from platelink.api.views import screen_view

    with store_if_any(store) as (path, opened):
        found = opened.shelf.screens() if opened else []
        screens = [screen_view(now) for now in found if everything or now.closed is None]
    if as_json:
        emit({"store": str(path), "screens": screens})
        return
    rows = [
        [
            one.name,
            _ruling(one),
            f"{one.tint_pct:g} %",
            f"{one.angle_deg:g}°",
            str(one.uses),
            str(one.max_uses or ""),
            names_of(one.findings),
        ]
        for one in screens
    ]
    print_table(
        _SCREENS,
        rows,
        "none yet; add one: platelink screen add NAME --ruling '48 lines/cm' --tint 80",
    )


@click.command()
@_name
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the screen NAME, what stands against it, and everything done to it."""
    from platelink.api.views import history_view, screen_view
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        one = screen_view(opened.shelf.screen(name))
        entries = history_view(opened.log.history(About.SCREEN, name))
    if as_json:
        emit({**dict(one), "entries": entries})
        return
    limit = f" of {one.max_uses}" if one.max_uses else ""
    facts = [
        ("ruling", _ruling(one)),
        ("tint", f"{one.tint_pct:g} %"),
        ("angle", f"{one.angle_deg:g}°"),
        ("uses", f"{one.uses}{limit}"),
        ("note", one.note or "–"),
    ]
    print_thing(f"screen {name}", facts, one.findings, entries)


@click.command()
@name_argument
@click.option("--ruling", required=True, help="Its ruling, such as '120 lines/in'.")
@click.option("--tint", required=True, type=float, metavar="PERCENT", help="Its tint.")
@click.option(
    "--angle",
    type=float,
    metavar="DEGREES",
    default=45.0,
    help="Its angle in degrees; 45 if left out.",
)
@click.option("--max-uses", type=int, help="Number of uses after which to replace it.")
@note_option
@json_option
def add(
    name: str, *, ruling: str, tint: float, angle: float, max_uses: int | None,
    note: str | None, as_json: bool,
) -> None:  # fmt: skip
    """Record a screen. NAME is what recipes call it."""
    from platelink.client import request
    from platelink.contract.stock import NewScreen
    from platelink.recipe.quantities import RULING

    one = request(
        NewScreen,
        name=name,
        ruling_lines_per_cm=RULING.parse(ruling),
        tint_pct=tint,
        angle_deg=angle,
        max_uses=max_uses,
        note=note,
    )
    with service() as client:
        print_uses("screen", client.stock.add_screen(one), as_json)


@click.command()
@_name
@for_option
@why_option(required=False)
@json_option
def use(name: str, ref: str | None, why: str, as_json: bool) -> None:
    """The screen NAME was used once."""
    from platelink.contract.stock import ScreenUsed

    _act(name, ScreenUsed, as_json, ref=ref, why=why)


@click.command()
@_name
@click.option("--max-uses", type=int, help="New limit of uses.")
@note_option
@why_option(required=True)
@json_option
def change(name: str, max_uses: int | None, note: str | None, why: str, as_json: bool) -> None:
    """Another limit of uses or note of the screen NAME, with the reason."""
    from platelink.contract.stock import ScreenChange

    changes = changes_of(max_uses=max_uses, note=note)
    _act(name, ScreenChange, as_json, **changes, why=why)


@click.command()
@_name
@why_option(required=True)
@json_option
def retire(name: str, why: str, as_json: bool) -> None:
    """The screen NAME is used no more."""
    from platelink.contract.stock import ScreenClosed

    _act(name, ScreenClosed, as_json, why=why)


def _act(name: str, act: Callable[..., AtScreen], as_json: bool, **given: Any) -> None:
    from platelink.client import request

    with service() as client:
        print_uses("screen", client.stock.at_screen(name, request(act, **given)), as_json)


def _ruling(one: Screen) -> str:
    from platelink.recipe.quantities import RULING

    return RULING.format(one.ruling_lines_per_cm, "lines/cm")
