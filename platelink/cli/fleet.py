"""The command ``fleet``: all units of a broker in one table, as they are now."""

from __future__ import annotations

import time
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import config_path, emit, json_option, plain
from platelink.cli.group import Failure, Lazy, LazyGroup
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.fleet.view import Fleet, Row
    from platelink.fleet.watch import Watch

ANSWER_S = 10.0
"""How long the broker may take to be reached."""
FIRST_S = 1.0
"""What the broker keeps comes at once; after so long without any more it is taken to be all."""
SCREEN_S = 2.0
COLUMNS = (
    Column("UNIT"), Column("IS"), Column("LIGHT"), Column("ALARM", least=12),
    Column("DOING", least=12, spare=2), Column("OVERDUE", least=10), Column("NOT SENT", spare=3),
    Column("CLOCK", spare=1), Column("PROBLEM", least=12, spare=1),
)  # fmt: skip


COMMANDS = {
    "keep": Lazy("fleet_records:keep", "Keep copies of all journals, for when a unit is off."),
    "page": Lazy("fleet_page:page", "Serve a page of all units and their plates."),
    "plates": Lazy("fleet_records:plates", "List plates of all units, from the copies."),
    "show": Lazy("fleet_records:show", "Show a plate of any unit, from its copy."),
}


@click.group(cls=LazyGroup, lazy=COMMANDS, invoke_without_command=True)
@click.option("--watch", is_flag=True, help="Show it again and again, until Ctrl-C.")
@click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(min=0.0, max=600.0),
    default=25.0,
    show_default=True,
    help="Seconds to listen for units of which the broker has only an old word.",
)
@json_option
@click.pass_context
def fleet(ctx: click.Context, *, watch: bool, wait_s: float, as_json: bool) -> None:
    """All units of the broker: which are lit, held, alarmed, offline, overdue.

    Needs nothing but the broker. Of a unit that is not online its last word is shown.
    Exit code 1: nothing could be heard."""
    if ctx.invoked_subcommand is not None:
        return
    from platelink.config.load import load_fleet
    from platelink.fleet.setup import fleet_broker
    from platelink.fleet.watch import Watch

    listener = Watch(fleet_broker(load_fleet(config_path())))
    try:
        _hear(listener, wait_s)
        _show(listener, as_json)
        while watch:
            until = time.monotonic() + SCREEN_S
            while time.monotonic() < until:
                listener.step(0.2)
            if not as_json:
                click.clear()
            _show(listener, as_json)
    except KeyboardInterrupt:
        if not watch:
            raise
    finally:
        listener.close()


def _hear(listener: Watch, wait_s: float) -> None:
    """Until it is known of every unit whether it is there, or no longer."""
    begun = time.monotonic()
    while listener.problem and time.monotonic() - begun < ANSWER_S:
        listener.step(0.1)
    if listener.problem:
        raise Failure(f"nothing is heard of any unit: {listener.problem}")
    connected = time.monotonic()
    while time.monotonic() - connected < max(FIRST_S, wait_s):
        listener.step(0.1)
        now, utc_s = time.monotonic(), time.time()
        known = listener.fleet.settled(now=now, utc_s=utc_s)
        if known and now - listener.newest_at >= FIRST_S:
            break
    if listener.problem and not listener.fleet.rows(now=time.monotonic(), utc_s=time.time()):
        raise Failure(f"nothing is heard of any unit: {listener.problem}")


def _show(listener: Watch, as_json: bool) -> None:
    from platelink.fleet.view import counted

    heard: Fleet = listener.fleet
    utc_s = time.time()
    rows = heard.rows(now=time.monotonic(), utc_s=utc_s)
    if as_json:
        emit(_as_json(listener, rows, utc_s))
        return
    print_table(COLUMNS, [_cells(row) for row in rows], "no unit is known at this broker")
    signs = "  ".join(f"{n} {sign}" for sign, n in counted(rows))
    click.echo(f"\n{len(rows)} units  {signs}".rstrip())
    for line in _remarks(listener, rows):
        click.echo(line)


def _remarks(listener: Watch, rows: tuple[Row, ...]) -> Iterator[str]:
    from platelink.fleet.view import own_clock

    heard = listener.fleet
    if listener.problem:
        yield f"problem: nothing is heard at present: {listener.problem}"
    if (off_s := own_clock(rows)) is not None:
        yield (
            f"problem: most units agree that this computer's clock is {_off(-off_s)}: set it first"
        )
    if heard.refused:
        yield f"{heard.refused} messages were not understood, the last: {heard.last_refusal}"


def _as_json(listener: Watch, rows: Sequence[Row], utc_s: float) -> dict[str, Any]:
    heard = listener.fleet
    return {
        "at_utc": _iso(utc_s),
        "problem": listener.problem,
        "refused": heard.refused,
        "last_refusal": heard.last_refusal,
        "units": [_row(row) for row in rows],
    }


def _row(row: Row) -> dict[str, Any]:
    told: dict[str, Any] = plain(row)
    del told["since_utc_s"]
    return told | {"since_utc": _iso(row.since_utc_s)}


def _iso(utc_s: float | None) -> str | None:
    at = _at(utc_s)
    return None if at is None else at.isoformat(timespec="seconds")


def _at(utc_s: float | None) -> datetime | None:
    return None if utc_s is None else datetime.fromtimestamp(utc_s, UTC)


def _cells(row: Row) -> list[str]:
    return [
        f"{row.site}/{row.unit}",
        _is(row),
        light(row),
        _alarm(row),
        _doing(row),
        "not reported" if row.overdue is None else ", ".join(row.overdue),
        _not_sent(row),
        "" if row.clock_s is None else _off(row.clock_s),
        "; ".join(filter(None, ("two units of this name" if row.twins else "", row.problem))),
    ]


def _is(row: Row) -> str:
    from platelink.fleet.view import Presence

    if row.presence is Presence.ONLINE:
        return "online"
    word = "not known yet" if row.presence is Presence.UNSURE else str(row.presence)
    since = local(_at(row.since_utc_s), seconds=False)
    return f"{word}, last word {since}" if since else word


def light(row: Row) -> str:
    """The sign of light: never a word of the present about a unit that is not there."""
    if row.lit is not None:
        return "LIT" if row.lit else "dark"
    if row.was_lit:
        return "was lit; now not known"
    return "not known"


def _alarm(row: Row) -> str:
    alarms = row.alarms
    if alarms is None:
        return "not reported"
    if not alarms.unacknowledged and not alarms.acknowledged:
        return ""
    name = alarms.name or "an alarm"
    if not alarms.unacknowledged:
        return f"{name}, acknowledged"
    more = f" and {alarms.unacknowledged - 1} more" if alarms.unacknowledged > 1 else ""
    return f"{(alarms.priority or 'priority not reported').upper()}: {name}{more}"


def _doing(row: Row) -> str:
    held = ["HELD"] if row.held else []
    plates = [f"{one.plate}: {one.step} {one.state}" for one in row.plates]
    exposing = [f"exposure {row.exposure}"] if row.exposure and not plates else []
    return ", ".join([*held, *plates, *exposing])


def _not_sent(row: Row) -> str:
    if not row.pending:
        return ""
    age = "" if not row.behind_s else f", oldest {_span(row.behind_s)}"
    return f"{row.pending} entries{age}"


def _off(off_s: float) -> str:
    return f"{_span(abs(off_s))} {'ahead' if off_s > 0 else 'behind'}"


def _span(seconds: float) -> str:
    for unit, size in (("days", 86400.0), ("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit}"
    return f"{seconds:.0f} s"
