"""Acts on a plate in flight: ``plate begin``, ``done``, ``measure``, ``hold`` and the others."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli import complete
from platelink.cli.context import daemon, emit, json_option, load_config
from platelink.cli.group import Failure, Misuse
from platelink.cli.plate import Line, chosen, say_now
from platelink.cli.quantities import Display, clean
from platelink.cli.typed_secret import terminal

if TYPE_CHECKING:
    from platelink.client import Client

_F = TypeVar("_F", bound=Callable[..., Any])
_plate = click.argument("plate", required=False, shell_complete=complete.in_flight)
_step = click.option("--step", help="Name of the step it is meant for; refused at another one.")
_reason = click.option("--reason", default="", help="Why, for the record.")
_yes = click.option("--yes", is_flag=True, help="Light or heat may begin; do not ask.")
_overdue = click.option(
    "--accept-overdue", is_flag=True, help="Go on with calibrations past their date; a lead may."
)


def _lit(command: _F) -> _F:
    """What belongs to acts by which light or heat may begin."""
    return _plate(_step(_reason(_yes(_overdue(json_option(command))))))


def _plain(command: _F) -> _F:
    """What belongs to every other act."""
    return _plate(_step(_reason(json_option(command))))


@click.command()
@_lit
def begin(plate: str | None, as_json: bool, **more: Any) -> None:
    """Begin the step of PLATE that is ready. Before light and heat it says what will happen, and
    asks."""
    _act("begin", plate, as_json, **more)


@click.command()
@_plain
def done(plate: str | None, as_json: bool, **more: Any) -> None:
    """Confirm that the present stage or prompt of PLATE is done."""
    _act("done", plate, as_json, **more)


@click.command()
@_plain
def hold(plate: str | None, as_json: bool, **more: Any) -> None:
    """Hold the present step of PLATE: light off, the remainder of dose and time kept."""
    _act("hold", plate, as_json, **more)


@click.command()
@_lit
def restart(plate: str | None, as_json: bool, **more: Any) -> None:
    """Go on with a step of PLATE that is held. Before light it says what will happen, and asks."""
    _act("restart", plate, as_json, **more)


@click.command()
@_plain
def stop(plate: str | None, as_json: bool, **more: Any) -> None:
    """End PLATE in order; it stays incomplete."""
    _act("stop", plate, as_json, **more)


@click.command()
@_plain
def abort(plate: str | None, as_json: bool, **more: Any) -> None:
    """End PLATE at once; something is wrong with it."""
    _act("abort", plate, as_json, **more)


@click.command()
@_plain
def skip(plate: str | None, as_json: bool, **more: Any) -> None:
    """Leave the present step of PLATE out; needs --reason and a lead. It stays on record."""
    _act("skip", plate, as_json, **more)


@click.command()
@_plate
@_step
@click.option("--point", "points", multiple=True, help='A depth: "large area=24 um"; each once.')
@click.option("--check", "checks", multiple=True, help='An answer: "dots=yes"; yes: all is well.')
@click.option("--note", help="Anything to remember.")
@json_option
def measure(
    plate: str | None, step: str | None, as_json: bool, *, points: tuple[str, ...],
    checks: tuple[str, ...], note: str | None,
) -> None:  # fmt: skip
    """Give the values of the inspection of PLATE. Without any, they are asked for."""
    from platelink.cli.measuring import asked_values, named_values

    with daemon() as client:
        line = chosen(client, plate)
        wanted = line["now"].get("inspect")
        if points or checks or wanted is None:
            values = named_values(points, checks, note)
        elif terminal():
            values = asked_values(wanted)
        else:
            names = [f'--point "{p["name"]}=24 um"' for p in wanted["point"]]
            names += [f'--check "{c["name"]}=yes"' for c in wanted["check"]]
            raise Misuse(clean(f"give every value: {' '.join(names)}"))
        _do(client, line, "measure", step, as_json, values=values)


def _act(
    act: str, plate: str | None, as_json: bool, *, step: str | None, reason: str,
    yes: bool = True, accept_overdue: bool = False,
) -> None:  # fmt: skip
    with daemon() as client:
        line = chosen(client, plate)
        if not yes and act in line["now"]["acts"]:
            _ask_for_light_or_heat(line)
        more = {"accept_overdue": True} if accept_overdue else {}
        _do(client, line, act, step, as_json, reason=reason or None, **more)


def _ask_for_light_or_heat(line: Line) -> None:
    """Say what will happen and ask; a failure when the answer is no."""
    from platelink.cli.plate_text import LIGHT_OR_HEAT, cautions, head, will_happen

    now = line["now"]
    if now["kind"] not in LIGHT_OR_HEAT:
        return
    click.echo(f"{head(line)}: {clean(now['name'])}", err=True)
    for text in (*cautions(now), will_happen(now, Display.of(load_config()))):
        click.echo(f"  {text}", err=True)
    if not terminal():
        raise Misuse("there is no terminal to ask at; say that it may begin: --yes")
    if not click.confirm("begin", err=True):
        raise Failure("not begun")


def _do(client: Client, line: Line, act: str, step: str | None, as_json: bool, **more: Any) -> None:
    """Ask for the act on the step that was seen, and tell where the plate is then."""
    name = line["plate"]
    client.act(name, act, step=_seen(line, step), **more)
    after = client.plate(name)
    now, record = after["now"], after["record"] or {}
    if as_json:
        data = record.get("data", {})
        emit({"plate": name, "act": act, "now": now, "state": (now or record).get("state"),
              "reason": (now or record).get("reason"), "judgement": data.get("judgement"),
              "defects": data.get("defects", [])})  # fmt: skip
    elif now is not None:
        say_now(now, Display.of(load_config()))
    else:
        click.echo(clean(f"plate {name} has ended, {record.get('state')}: {record.get('reason')}"))
        click.echo(clean(f"its story: platelink plate show {name}"))


def _seen(line: Line, step: str | None) -> int | None:
    """Index of the step that is meant: the one named, else the present one."""
    if step is None:
        seen: int | None = line["step"]
        return seen
    names = [one["name"] for one in line["steps"]]
    if step not in names:
        raise Misuse(clean(f"plate {line['plate']} has no step {step}; it has: {', '.join(names)}"))
    return names.index(step)
