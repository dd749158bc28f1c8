"""Options of commands that list what was recorded: one set, the same words everywhere."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Any, TypeVar

import click

from platelink.cli import complete

_F = TypeVar("_F", bound=Callable[..., Any])


def moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """A time with its zone, or a date: its first moment here, for --until its last. A time without
    a zone would mean another moment elsewhere."""
    if value is None:
        return None
    with contextlib.suppress(ValueError, OverflowError):
        day = date.fromisoformat(value) + timedelta(days=1 if param.name == "until" else 0)
        return datetime.combine(day, time()).astimezone()
    try:
        at = datetime.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(
            f"'{value}' is neither a date such as 2026-03-02 nor a time such as "
            "2026-03-02T08:00+01:00."
        ) from None
    if at.tzinfo is None:
        raise click.BadParameter(
            f"'{value}' has no time zone; add it, as in {value}Z or {value}+01:00, "
            "or give the date alone."
        )
    return at


_OPTIONS = (
    click.option("--lot", help="Only of this lot of stock.", shell_complete=complete.lots),
    click.option("--film", help="Only of this artwork film.", shell_complete=complete.films),
    click.option(
        "--recipe", help="Only of this recipe: plate-a, or one revision of it: plate-a@2.",
        shell_complete=complete.revisions,
    ),
    click.option("--alarm", help="Only with this alarm: its name, or high, medium or low."),
    click.option("--verdict", help="Only plates judged so: good or reject."),
    click.option("--person", help="Only begun by this person, or with any act of theirs."),
    click.option("--screen", help="Only with this screen.", shell_complete=complete.screens),
    click.option(
        "--since", metavar="TIME", callback=moment, help="Begun at this date or time, or later."
    ),
    click.option(
        "--until", metavar="TIME", callback=moment, help="Begun before; a date: until its end."
    ),
)  # fmt: skip


def filter_options(command: _F) -> _F:
    """``--lot --film --recipe --alarm --verdict --person --screen --since --until``."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def in_order(since: datetime | None, until: datetime | None) -> None:
    """``UsageError`` when nothing can lie between."""
    if since and until and since >= until:
        raise click.UsageError(f"--since {since} is not before --until {until}")


def no_courses(count: int) -> str:
    """Of how many no ``--where`` finds anything any more."""
    what = "plate or run" if count == 1 else "plates and runs"
    return (
        f"of {count} {what} nothing is known that --where could find: samples were removed before "
        "these facts were made"
    )
