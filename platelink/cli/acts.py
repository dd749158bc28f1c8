"""Acts on a plate in progress: ``plate begin``, ``done``, ``measure``, ``hold`` and the others."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli import complete
from platelink.cli.context import daemon, emit, json_option, load_config
from platelink.cli.group import Failure, Misuse
from platelink.cli.plate import chosen, print_now
from platelink.cli.quantities import Display, clean
from platelink.cli.typed_secret import terminal
from platelink.contract.words import PlateAct

if TYPE_CHECKING:
    from platelink.client import Client
    from platelink.contract.plates import PlateNow

_F = TypeVar("_F", bound=Callable[..., Any])
_plate = click.argument("plate", required=False, shell_complete=complete.in_flight)
_step = click.option(
    "--step", help="Name of the step it is meant for; refused if the plate is at another."
)
_reason = click.option("--reason", default="", help="Why, for the record.")
_yes = click.option("--yes", is_flag=True, help="Light or heat may begin; do not ask.")
_overdue = click.option(
    "--accept-overdue", is_flag=True, help="Continue with overdue calibrations; needs a lead."
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
    """Begin the step of PLATE that is ready. Before light or heat it says what will happen and
    asks."""
    _act(PlateAct.BEGIN, plate, as_json, **more)


@click.command()
@_plain
def done(plate: str | None, as_json: bool, **more: Any) -> None:
    """Confirm that the present stage or hand work of PLATE is done."""
    _act(PlateAct.DONE, plate, as_json, **more)


@click.command()
@_plain
def hold(plate: str | None, as_json: bool, **more: Any) -> None:
    """Put the present step of PLATE on hold: lamps off, remaining dose and time kept."""
    _act(PlateAct.HOLD, plate, as_json, **more)


@click.command()
@_lit
def restart(plate: str | None, as_json: bool, **more: Any) -> None:
    """Continue the step of PLATE that is on hold. Before light it says what will happen and
    asks."""
    _act(PlateAct.RESTART, plate, as_json, **more)


@click.command()
@_plain
def stop(plate: str | None, as_json: bool, **more: Any) -> None:
    """End PLATE; it stays incomplete."""
    _act(PlateAct.STOP, plate, as_json, **more)


@click.command()
@_plain
def abort(plate: str | None, as_json: bool, **more: Any) -> None:
    """End PLATE at once: something is wrong with it."""
    _act(PlateAct.ABORT, plate, as_json, **more)


@click.command()
@_plain
def skip(plate: str | None, as_json: bool, **more: Any) -> None:
    """Skip the present step of PLATE; needs --reason and a lead. Recorded as a deviation."""
    _act(PlateAct.SKIP, plate, as_json, **more)


@click.command()
@_plate
@_step
@click.option("--point", "points", multiple=True, help='A depth: "large area=31 um"; each once.')
@click.option("--check", "checks", multiple=True, help='An answer: "dots=yes"; yes: all is well.')
@click.option("--note", help="Anything to remember.")
@click.option("--water", help='The temperature of the washout water: "24 degC".')
@json_option
def measure(
    plate: str | None, step: str | None, as_json: bool, *, points: tuple[str, ...],
    checks: tuple[str, ...], note: str | None, water: str | None,
) -> None:  # fmt: skip
    """Record the inspection results of PLATE, or the temperature of its washout water. Without
    options it asks for them."""
    from platelink.cli.measuring import named_values, prompted_values, water_value

    with daemon() as client:
        found = chosen(client, plate)
        wanted, bath = found.now.inspect, found.now.water
        if water is not None:
            values = water_value(water)
        elif points or checks or (wanted is None and bath is None):
            values = named_values(points, checks, note)
        elif terminal():
            values = prompted_values(found.now)
        elif wanted is None:
            raise Misuse('give the temperature of the water: --water "24 degC"')
        else:
            names = [f'--point "{point.name}=31 um"' for point in wanted.point]
            names += [f'--check "{check.name}=yes"' for check in wanted.check]
            raise Misuse(clean(f"give every value: {' '.join(names)}"))
        _do(client, found, PlateAct.MEASURE, step, as_json, values=values)


def _act(
    act: PlateAct, plate: str | None, as_json: bool, *, step: str | None, reason: str,
    yes: bool = True, accept_overdue: bool = False,
) -> None:  # fmt: skip
    with daemon() as client:
        found = chosen(client, plate)
        if not yes and act in found.now.acts:
            _confirm_light_or_heat(found)
        more = {"accept_overdue": True} if accept_overdue else {}
        _do(client, found, act, step, as_json, reason=reason, **more)


def _confirm_light_or_heat(plate: PlateNow) -> None:
    """Say what will happen and ask; a failure when the answer is no."""
    from platelink.cli.plate_text import LIGHT_OR_HEAT, cautions, head, will_happen

    now = plate.now
    if now.kind not in LIGHT_OR_HEAT:
        return
    click.echo(f"{head(plate)}: {clean(now.name)}", err=True)
    for text in (*cautions(now), will_happen(now, Display.of(load_config()))):
        click.echo(f"  {text}", err=True)
    if not terminal():
        raise Misuse("cannot ask without a terminal; add --yes to confirm that it may begin")
    if not click.confirm("begin", err=True):
        raise Failure("not begun")


def _do(
    client: Client, plate: PlateNow, act: PlateAct, step: str | None, as_json: bool, **given: Any
) -> None:
    """Do the act on the step that was seen, and print where the plate is then."""
    from platelink.client import request
    from platelink.contract.plates import ActOnPlate
    from platelink.contract.runs import PlateEnd

    name = plate.plate
    client.act(name, act, request(ActOnPlate, step=_step_index(plate, step), **given))
    after = client.plate(name)
    now, record = after.now, after.record
    shown = now or record
    state, reason = (shown.state, shown.reason) if shown else (None, None)
    if as_json:
        end = PlateEnd.model_validate(record.data if record else {})
        emit({"plate": name, "act": act, "now": now, "state": state, "reason": reason,
              "judgement": end.judgement, "defects": end.defects})  # fmt: skip
    elif now is not None:
        print_now(now, Display.of(load_config()))
    else:
        click.echo(clean(f"plate {name} has ended, {state}: {reason}"))
        click.echo(clean(f"full record: platelink plate show {name}"))


def _step_index(plate: PlateNow, step: str | None) -> int | None:
    """Index of the step named, else of the present one."""
    if step is None:
        return plate.step
    names = [one.name for one in plate.steps]
    if step not in names:
        raise Misuse(clean(f"plate {plate.plate} has no step {step}; it has: {', '.join(names)}"))
    return names.index(step)
