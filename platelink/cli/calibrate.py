"""The command ``calibrate``: sensors compared with a reference, and the record of it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, TypeVar

import click

from platelink.cli import complete
from platelink.cli.config import today
from platelink.cli.context import emit, json_option, service
from platelink.cli.group import Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.stock import day, why_option
from platelink.cli.tables import Column, local, pairs, print_table

if TYPE_CHECKING:
    from platelink.client import Client
    from platelink.contract.calibrations import AtCalibration, CalibrationWhole
    from platelink.units import Quantity

DUE_DAYS = 365
_F = TypeVar("_F", bound=Callable[..., Any])
_TABLE = (
    Column("CALIBRATION"),
    Column("NOW", least=8),
    Column("CAUSE", spare=3),
    Column("MADE"),
    Column("DUE"),
    Column("GAIN", right=True, spare=2),
    Column("U (k = 2)", right=True),
    Column("CERTIFICATE", least=6, spare=1),
)
_name = click.argument("name", shell_complete=complete.calibrations)


@click.group(
    cls=LazyGroup,
    lazy={
        "light": Lazy("calibrate:light", "Compare a light channel with a radiometer."),
        "vacuum": Lazy("calibrate:vacuum", "Compare the vacuum gauge with a reference gauge."),
        "oven": Lazy("calibrate:oven", "Compare the oven sensor with a reference thermometer."),
        "head": Lazy("calibrate:head", "Compare the sensor of the light head with one."),
        "list": Lazy("calibrate:list_", "List calibrations: in force, past, in progress."),
        "show": Lazy("calibrate:show", "Show one calibration in full."),
        "approve": Lazy("calibrate:approve", "Approve one; it is in force from the next run."),
        "discard": Lazy("calibrate:discard", "Discard one; the one before is in force again."),
    },
)
def calibrate() -> None:
    """Compare sensors with a reference instrument, level by level, and keep the record.

    docs/calibration.md says how, with cautions for UV, heat and mains where the work is."""


def _guided(command: _F) -> _F:
    """Options of every guided calibration."""
    options = (
        click.option(
            "--cause", default="routine", show_default=True, help="Why it is calibrated.",
            type=click.Choice(["routine", "new sensor", "cleaned sensor", "new lamps"]),
        ),
        click.option("--instrument", help="Name of the reference instrument."),
        click.option("--certificate", help="Number of its certificate."),
        click.option(
            "--instrument-due", callback=day, metavar="DATE",
            help="Last day its own calibration is good.",
        ),
        click.option(
            "--u", metavar="U", help="Expanded uncertainty of its certificate, such as '6 %'."
        ),
        click.option("--k", default=2.0, show_default=True, help="Coverage factor of U."),
        click.option(
            "--resolution", metavar="DIGIT", help="Last digit of what it shows, with its unit."
        ),
        click.option(
            "--due", callback=day, metavar="DATE", help="When this one is due; in a year."
        ),
    )  # fmt: skip
    for option in reversed(options):
        command = option(command)
    return command


@click.command()
@click.option("--channel", default=0, show_default=True, help="Number of the light channel.")
@_guided
def light(channel: int, **given: Any) -> None:
    """Calibrate a light channel: the dark, then several levels beside a radiometer."""
    from platelink.units import IRRADIANCE

    _run(f"light {channel}", IRRADIANCE, **given)


@click.command()
@_guided
def vacuum(**given: Any) -> None:
    """Calibrate the vacuum gauge from the vented frame to the deepest vacuum."""
    from platelink.units import PRESSURE

    _run("vacuum", PRESSURE, **given)


@click.command()
@_guided
def oven(**given: Any) -> None:
    """Calibrate the oven's sensor from cold to the hottest bake."""
    from platelink.units import TEMPERATURE

    _run("oven", TEMPERATURE, **given)


@click.command()
@_guided
def head(**given: Any) -> None:
    """Calibrate the sensor that touches the light sensors."""
    from platelink.units import TEMPERATURE

    _run("head", TEMPERATURE, **given)


def _run(sensor: str, quantity: Quantity, *, due: date | None, **given: Any) -> None:
    from platelink.cli.calibrating import lead

    with service() as client:
        name = _open(client, sensor) or _begin(client, sensor, quantity, **given)
        finished = lead(client, name, due or today() + timedelta(days=DUE_DAYS))
    if finished:
        click.echo(f"now a lead approves it:  platelink calibrate approve '{name}' --why REASON")
    else:
        again = sensor.replace("light ", "light --channel ")
        click.echo(f"{name} is kept; continue it:  platelink calibrate {again}")


def _open(client: Client, sensor: str) -> str:
    """The calibration of this sensor that is being read; empty when there is none."""
    for one in client.calibrations():
        if one.sensor == sensor and one.stage == "reading":
            click.echo(f"continuing {one.name}, begun by {clean(one.begun_by)}")
            return one.name
    return ""


def _begin(
    client: Client, sensor: str, quantity: Quantity, *, cause: Any, instrument: str | None,
    certificate: str | None, instrument_due: date | None, u: str | None, k: float,
    resolution: str | None,
) -> str:  # fmt: skip
    from platelink.client import request
    from platelink.contract.calibrations import NewCalibration, Reference

    missing = [
        name
        for name, value in (
            ("--instrument", instrument), ("--certificate", certificate),
            ("--instrument-due", instrument_due), ("--u", u),
        )
        if value is None
    ]  # fmt: skip
    if missing or u is None or instrument_due is None:
        raise Misuse(
            f"a new calibration of {sensor} needs the reference as its certificate has it: "
            f"{', '.join(missing)}"
        )
    u_pct, u_abs = _uncertainty(u, quantity)
    reference = request(
        Reference, name=instrument or "", certificate=certificate or "", u_pct=u_pct, u_abs=u_abs,
        due_on=instrument_due.isoformat(), k=k, resolution=_difference(resolution, quantity),
    )  # fmt: skip
    new = request(NewCalibration, sensor=sensor, cause=cause, reference=reference)
    return client.begin_calibration(new).name


def _uncertainty(text: str, quantity: Quantity) -> tuple[float, float]:
    """U as % of the reading, or as a difference in the quantity's unit."""
    if not text.rstrip().endswith("%"):
        return 0.0, _difference(text, quantity)
    try:
        return float(text.rstrip().removesuffix("%")), 0.0
    except ValueError:
        raise Misuse(f"--u '{clean(text)}': write a number, such as '6 %' or '0.3 kPa'") from None


def _difference(text: str | None, quantity: Quantity) -> float:
    """A difference such as '0.3 kPa' in the base unit: of °F the 32 does not count."""
    if text is None:
        return 0.0
    unit = text.lstrip("+-.0123456789eE ").strip()
    return quantity.parse(text) - quantity.parse(f"0 {unit}")


@click.command("list")
@click.option("--sensor", help="Of this sensor alone, such as 'light 0'.")
@json_option
def list_(sensor: str | None, as_json: bool) -> None:
    """List all calibrations, by sensor, oldest first."""
    from platelink.cli.calibrating import shown

    with service() as client:
        found = [one for one in client.calibrations() if sensor in (None, one.sensor)]
    if as_json:
        emit({"calibrations": found})
        return
    none = "none yet; start with: platelink calibrate light"
    print_table(_TABLE, [shown(one) for one in found], none)


@click.command()
@_name
@json_option
def show(name: str, as_json: bool) -> None:
    """Show the calibration NAME, such as 'light 0@3': what was read, the line, who did what."""
    from platelink.cli.calibrating import print_found

    with service() as client:
        whole = client.calibration(name)
    if as_json:
        emit(whole)
        return
    click.echo(f"calibration {name}: {'in force' if whole.in_force else whole.stage}")
    click.echo(pairs([(label, clean(text)) for label, text in _facts(whole)]))
    print_found(whole)
    click.echo()
    for step in whole.history:
        why = f": {step.why}" if step.why else ""
        click.echo(clean(f"{local(step.at_utc)}  {step.act} by {step.who}{why}"))


def _facts(whole: CalibrationWhole) -> list[tuple[str, str]]:
    it = whole.reference
    parts = [
        f"{100.0 * float(str(it['u_rel'])):g} %" if it["u_rel"] else "",
        f"{it['u_abs']} {whole.unit}" if it["u_abs"] else "",
    ]
    stated = " and ".join(filter(None, parts)) or "none"
    dark = "–" if whole.dark is None else f"{whole.dark.mean:.2f} counts"
    return [
        ("cause", whole.cause),
        ("reference", str(it["name"])),
        ("certificate", f"{it['certificate']}, good until {it['due_on']}"),
        ("its U", f"{stated} (k = {it['k']})"),
        ("dark", dark if whole.sensor.startswith("light") else "–"),
    ]


def _act(name: str, what: AtCalibration, done: str, *, as_json: bool) -> None:
    with service() as client:
        after = client.at_calibration(name, what)
    if as_json:
        emit(after)
    else:
        click.echo(f"{name}: {done}")


@click.command()
@_name
@why_option(required=True)
@json_option
def approve(name: str, why: str, as_json: bool) -> None:
    """Approve the finished calibration NAME; it is in force from the next run."""
    from platelink.client import request
    from platelink.contract.calibrations import CalibrationApproved

    what = request(CalibrationApproved, why=why)
    _act(name, what, "approved; in force from the next run", as_json=as_json)


@click.command()
@_name
@why_option(required=True)
@json_option
def discard(name: str, why: str, as_json: bool) -> None:
    """Discard the calibration NAME; the one before is in force again. It stays on record."""
    from platelink.client import request
    from platelink.contract.calibrations import CalibrationDropped

    what = request(CalibrationDropped, why=why)
    _act(name, what, "discarded; it stays on record", as_json=as_json)
