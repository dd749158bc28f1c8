"""The command ``alarm``: what calls for a person, and how it is answered."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import daemon, emit, json_option
from platelink.cli.group import Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean, quantity
from platelink.cli.stock import why_option
from platelink.cli.tables import Column, local, pairs, print_table
from platelink.contract.words import AlarmAct

if TYPE_CHECKING:
    from platelink.contract.unit import Alarm, Alarms

_ALARMS = (
    Column("ALARM"),
    Column("PRIORITY", spare=1),
    Column("STATE", least=14),
    Column("VALUE", right=True, spare=2),
    Column("LIMIT", right=True, spare=3),
    Column("SINCE", spare=4),
    Column("TIMES", right=True, spare=6),
    Column("NEXT ACT", least=16, spare=5),
)
_name = click.argument("name", metavar="ALARM")


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("alarm:list_", "List alarms that are not normal."),
        "show": Lazy("alarm:show", "Show one: value, limit, likely cause, next act."),
        "acknowledge": Lazy("alarm:acknowledge", "Acknowledge one: you have seen it."),
        "reset": Lazy("alarm:reset", "Reset a latched one once its cause has been dealt with."),
        "shelve": Lazy("alarm:shelve", "Shelve one for some minutes, with a reason."),
        "unshelve": Lazy("alarm:unshelve", "Unshelve one before its time is up."),
        "remove": Lazy("alarm:remove", "Put one out of service, for repair."),
        "return": Lazy("alarm:return_", "Put one back in service."),
    },
)
def alarm() -> None:
    """Alarms of a unit whose daemon runs.

    ALARM is its name, such as "contact lost", or the beginning of it. An alarm is no safety
    function: the unit's own interlock and emergency stop are."""


@click.command("list")
@json_option
def list_(as_json: bool) -> None:
    """List alarms that are not normal, unacknowledged ones first."""
    with daemon() as client:
        found = client.alarms()
    if as_json:
        emit(found)
        return
    print_table(_ALARMS, [_row(one) for one in found.list], "none: no alarm is active")
    if found.list:
        click.echo(f"\n{_counts(found)}")


def _row(one: Alarm) -> list[str]:
    return [
        one.name + (" *" if one.first_out else ""),
        one.priority,
        one.state,
        quantity(one.value, one.unit),
        quantity(one.limit, one.unit),
        local(one.since_utc),
        str(one.count or ""),
        one.next_act,
    ]


def _counts(alarms: Alarms) -> str:
    flood = "; alarm flood: start with those marked *" if alarms.flood else ""
    first = " (* first of its group)" if any(one.first_out for one in alarms.list) else ""
    return (
        f"{alarms.unacknowledged} to acknowledge, {alarms.per_hour} in the last hour"
        f"{flood or first}"
    )


@click.command()
@_name
@json_option
def show(name: str, as_json: bool) -> None:
    """Show one alarm that is not normal: value, limit, since when, likely cause, next act."""
    with daemon() as client:
        found = client.alarms()
    one = next((a for a in found.list if a.name == _full_name(name, found)), None)
    if one is None:
        there = ", ".join(a.name for a in found.list) or "none"
        raise Misuse(
            f"alarm '{name}' is not active (all are listed in docs/alarms.md); active now: {there}"
        )
    if as_json:
        emit(one)
        return
    rows = [
        ("state", f"{one.state}{', first of its group' if one.first_out else ''}"),
        ("priority", one.priority),
        ("value", quantity(one.value, one.unit) or "–"),
        ("limit", quantity(one.limit, one.unit) or "–"),
        ("since", local(one.since_utc) or "–"),
        ("until", local(one.until_utc)),
        ("times", str(one.count)),
        ("by", " : ".join(filter(None, (one.who, one.why)))),
        ("likely cause", one.cause),
        ("next act", one.next_act),
    ]
    click.echo(clean(one.name))
    click.echo(pairs([(label, clean(text)) for label, text in rows if text]))


def _full_name(name: str, found: Alarms) -> str:
    """The alarm of this name, or of this beginning if only one begins so."""
    names = [one.name for one in found.list]
    begun = [one for one in names if one.startswith(name)]
    return begun[0] if name not in names and len(begun) == 1 else name


@click.command()
@click.argument("name", metavar="ALARM", required=False)
@click.option("--all", "every", is_flag=True, help="All that are not acknowledged.")
@json_option
def acknowledge(name: str | None, every: bool, as_json: bool) -> None:
    """Acknowledge ALARM. It stays quiet until its condition has cleared and returns."""
    if (name is None) != every:
        raise click.UsageError("name one ALARM, or give --all.")
    with daemon() as client:
        found = client.alarms()
        names = [one.name for one in found.list if one.state.endswith("unacknowledged")]
        for one in names if name is None else [_full_name(name, found)]:
            client.alarm(one, AlarmAct.ACKNOWLEDGE)
            if not as_json:
                click.echo(f"{clean(one)}: acknowledged")
        now = client.alarms()
    if as_json:
        emit(now)
    elif every and not names:
        click.echo("nothing to acknowledge")


@click.command()
@_name
@json_option
def reset(name: str, as_json: bool) -> None:
    """Reset ALARM, acknowledged and latched, once its cause has been dealt with."""
    _act(name, AlarmAct.RESET, "reset", as_json)


@click.command()
@_name
@click.option(
    "--minutes", type=click.FloatRange(0.0, min_open=True), required=True, help="For how long."
)
@why_option(required=True)
@json_option
def shelve(name: str, minutes: float, why: str, as_json: bool) -> None:
    """Shelve ALARM for some minutes. Then it comes back if its condition still stands."""
    shelved = f"shelved for {minutes:g} min"
    _act(name, AlarmAct.SHELVE, shelved, as_json, minutes=minutes, why=why)


@click.command()
@_name
@json_option
def unshelve(name: str, as_json: bool) -> None:
    """Unshelve ALARM before its time is up."""
    _act(name, AlarmAct.UNSHELVE, "unshelved", as_json)


@click.command()
@_name
@why_option(required=True)
@json_option
def remove(name: str, why: str, as_json: bool) -> None:
    """Put ALARM out of service, for repair. It stays so until `platelink alarm return`."""
    _act(name, AlarmAct.REMOVE, "out of service", as_json, why=why)


@click.command("return")
@_name
@json_option
def return_(name: str, as_json: bool) -> None:
    """Put ALARM back in service."""
    _act(name, AlarmAct.RETURN, "back in service", as_json)


def _act(name: str, act: AlarmAct, done: str, as_json: bool, **given: Any) -> None:
    from platelink.client import request
    from platelink.contract.unit import AlarmAnswer

    with daemon() as client:
        one = _full_name(name, client.alarms())
        answer = client.alarm(one, act, request(AlarmAnswer, **given))
    if as_json:
        emit(answer)
    else:
        click.echo(f"{clean(one)}: {done}")
