"""The command ``screen``: line screens, and how often they were used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.quantities import clean
from platelink.cli.shelf import (
    changes_of,
    entry_json,
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
    from platelink.recipe.supplies import ScreenNow

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
        "add": Lazy("screen:add", "A screen to be used."),
        "use": Lazy("screen:use", "The screen was used once."),
        "change": Lazy("screen:change", "Another limit of uses or note."),
        "close": Lazy("screen:close", "The screen is used no more."),
    },
)
def screen() -> None:
    """Line screens: ruling, tint, angle, and how often they were used."""


@click.command("list")
@click.option("--all", "everything", is_flag=True, help="Closed ones too.")
@store_option
@json_option
def list_(everything: bool, store: Path | None, as_json: bool) -> None:
    """List the screens in use."""
    with opened_store(store) as opened:
        path, found = opened.path, opened.screens()
        screens = [_screen_json(now) for now in found if everything or now.closed is None]
    if as_json:
        emit({"store": str(path), "screens": screens})
        return
    rows = [
        [
            one["name"],
            _ruling(one),
            f"{one['tint_pct']:g} %",
            f"{one['angle_deg']:g}°",
            str(one["uses"]),
            str(one["max_uses"] or ""),
            names_of(one["findings"]),
        ]
        for one in screens
    ]
    show_table(_SCREENS, rows, f"no screen in use in {path}; add one with 'platelink screen add'")


@click.command()
@_name
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the screen NAME, what stands against it, and everything done to it."""
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        one, entries = _screen_json(opened.screen(name)), opened.history(About.SCREEN, name)
    if as_json:
        emit(one | {"entries": [entry_json(entry) for entry in entries]})
        return
    limit = f" of {one['max_uses']}" if one["max_uses"] else ""
    facts = [
        ("ruling", _ruling(one)),
        ("tint", f"{one['tint_pct']:g} %"),
        ("angle", f"{one['angle_deg']:g}°"),
        ("uses", f"{one['uses']}{limit}"),
        ("note", one["note"] or "–"),
    ]
    show_thing(f"screen {name}", facts, one["findings"], entries)


@click.command()
@name_argument
@click.option("--ruling", required=True, help="Its ruling, such as '120 lines/in'.")
@click.option("--tint", required=True, type=float, metavar="PERCENT", help="Its tint.")
@click.option("--angle", type=float, metavar="DEGREES", default=45.0, help="Its angle; 45 without.")
@click.option("--max-uses", type=int, help="Uses after which it wants replacing.")
@note_option
@json_option
def add(name: str, as_json: bool, **given: Any) -> None:
    """A screen to be used. NAME is what recipes call it."""
    from platelink.recipe.quantities import RULING

    body = {
        "name": name,
        "ruling_lines_per_cm": RULING.parse(given["ruling"]),
        "tint_pct": given["tint"],
        "angle_deg": given["angle"],
        "max_uses": given["max_uses"],
        "note": given["note"],
    }
    with service() as client:
        _said_screen(client.add_supply("screens", **body), as_json)


@click.command()
@_name
@for_option
@why_option(required=False)
@json_option
def use(name: str, ref: str | None, why: str, as_json: bool) -> None:
    """The screen NAME was used once."""
    _act(name, "use", {"ref": ref, "why": why}, as_json)


@click.command()
@_name
@click.option("--max-uses", type=int, help="Another limit of uses.")
@note_option
@why_option(required=True)
@json_option
def change(name: str, why: str, as_json: bool, **given: Any) -> None:
    """Another limit of uses or note of the screen NAME, with the reason."""
    changes = changes_of(max_uses=given["max_uses"], note=given["note"])
    _act(name, "change", changes | {"why": why}, as_json)


@click.command()
@_name
@why_option(required=True)
@json_option
def close(name: str, why: str, as_json: bool) -> None:
    """The screen NAME is used no more."""
    _act(name, "close", {"why": why}, as_json)


def _act(name: str, act: str, body: dict[str, Any], as_json: bool) -> None:
    with service() as client:
        _said_screen(client.at_supply("screens", name, act, body), as_json)


def _said_screen(one: dict[str, Any], as_json: bool) -> None:
    if as_json:
        emit(one)
        return
    click.echo(f"screen {clean(one['name'])}: {one['uses']} uses")
    say_findings(one["findings"])


def _screen_json(now: ScreenNow) -> dict[str, Any]:
    from platelink.recipe.supplies import screen_findings

    return now.screen.model_dump(mode="json") | {
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_json(screen_findings(now, wanted=None)),
    }


def _ruling(one: dict[str, Any]) -> str:
    from platelink.recipe.quantities import RULING

    return RULING.format(one["ruling_lines_per_cm"], "lines/cm")
