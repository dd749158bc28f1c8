"""The command ``screen``: line screens, and how often they were used."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.shelf import (
    built,
    by,
    by_option,
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
    from platelink.recipe.supplies import Finding, ScreenNow

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
        screens = [now for now in opened.screens() if everything or now.closed is None]
        path = opened.path
    if as_json:
        emit({"store": str(path), "screens": list(map(_screen_json, screens))})
        return
    rows = [
        [
            now.screen.name,
            _ruling(now),
            f"{now.screen.tint_pct:g} %",
            f"{now.screen.angle_deg:g}°",
            str(now.uses),
            str(now.screen.max_uses or ""),
            names_of(_screen_findings(now)),
        ]
        for now in screens
    ]
    show_table(_SCREENS, rows, f"no screen in use in {path}; add one with 'platelink screen add'")


@click.command()
@name_argument
@store_option
@json_option
def show(name: str, store: Path | None, as_json: bool) -> None:
    """Show the screen NAME, what stands against it, and everything done to it."""
    from platelink.recipe.entries import About

    with opened_store(store) as opened:
        now, entries = opened.screen(name), opened.history(About.SCREEN, name)
    if as_json:
        emit(_screen_json(now) | {"entries": [entry_json(entry) for entry in entries]})
        return
    limit = f" of {now.screen.max_uses}" if now.screen.max_uses else ""
    facts = [
        ("ruling", _ruling(now)),
        ("tint", f"{now.screen.tint_pct:g} %"),
        ("angle", f"{now.screen.angle_deg:g}°"),
        ("uses", f"{now.uses}{limit}"),
        ("note", now.screen.note or "–"),
    ]
    show_thing(f"screen {name}", facts, _screen_findings(now), entries)


@click.command()
@name_argument
@click.option("--ruling", required=True, help="Its ruling, such as '120 lines/in'.")
@click.option("--tint", required=True, type=float, metavar="PERCENT", help="Its tint.")
@click.option("--angle", type=float, metavar="DEGREES", default=45.0, help="Its angle; 45 without.")
@click.option("--max-uses", type=int, help="Uses after which it wants replacing.")
@note_option
@by_option
@store_option
@json_option
def add(name: str, who: str, store: Path | None, as_json: bool, **given: Any) -> None:
    """A screen to be used. NAME is what recipes call it."""
    from platelink.recipe.supplies import Screen

    values = {
        "name": name,
        "ruling_lines_per_cm": given["ruling"],
        "tint_pct": given["tint"],
        "angle_deg": given["angle"],
        "max_uses": given["max_uses"],
        "note": given["note"],
    }
    new = built(Screen, values, "screen")
    with opened_store(store, write=True) as opened:
        _said_screen(opened.add_screen(new, by(who)), as_json)


@click.command()
@name_argument
@for_option
@by_option
@why_option(required=False)
@store_option
@json_option
def use(name: str, ref: str | None, who: str, why: str, **rest: Any) -> None:
    """The screen NAME was used once."""
    with opened_store(rest["store"], write=True) as opened:
        _said_screen(opened.use_screen(name, by(who, why), ref=ref), rest["as_json"])


@click.command()
@name_argument
@click.option("--max-uses", type=int, help="Another limit of uses.")
@note_option
@by_option
@why_option(required=True)
@store_option
@json_option
def change(name: str, who: str, why: str, store: Path | None, **given: Any) -> None:
    """Another limit of uses or note of the screen NAME, with the reason."""
    changes = changes_of(max_uses=given["max_uses"], note=given["note"])
    with opened_store(store, write=True) as opened:
        _said_screen(opened.change_screen(name, changes, by(who, why)), given["as_json"])


@click.command()
@name_argument
@by_option
@why_option(required=True)
@store_option
@json_option
def close(name: str, who: str, why: str, store: Path | None, as_json: bool) -> None:
    """The screen NAME is used no more."""
    from platelink.recipe.entries import About

    with opened_store(store, write=True) as opened:
        opened.close_thing(About.SCREEN, name, by(who, why))
        _said_screen(opened.screen(name), as_json)


def _said_screen(now: ScreenNow, as_json: bool) -> None:
    if as_json:
        emit(_screen_json(now))
        return
    click.echo(f"screen {now.screen.name}: {now.uses} uses")
    say_findings(_screen_findings(now))


def _screen_findings(now: ScreenNow) -> tuple[Finding, ...]:
    from platelink.recipe.supplies import screen_findings

    return screen_findings(now, wanted=None)


def _screen_json(now: ScreenNow) -> dict[str, Any]:
    return now.screen.model_dump(mode="json") | {
        "uses": now.uses,
        "closed": now.closed,
        "findings": findings_json(_screen_findings(now)),
    }


def _ruling(now: ScreenNow) -> str:
    from platelink.recipe.quantities import RULING

    return RULING.format(now.screen.ruling_lines_per_cm, "lines/cm")
