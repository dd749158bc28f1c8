"""The command ``lamps``: how the lamp set was used, how it fades, when it is too weak; and what a
person did to it."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import daemon, emit, journal_option, json_option, load_config, opened
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.stock import why_option
from platelink.cli.tables import Column, local, pairs, print_table

if TYPE_CHECKING:
    from platelink.calibrations.made import Made
    from platelink.contract.lamps import LampForecast, LampsNow, LampWork, ScaleChange

_CHANNELS = (
    Column("CHANNEL"),
    Column("AT FIRST", right=True),
    Column("NOW", right=True),
    Column("CHANGE", right=True),
)
_STEPS = (Column("SINCE"), Column("CHANGE", right=True), Column("WHAT", least=20, spare=1))
_SCALES = (Column("CALIBRATED"), Column("THE SCALE OF LIGHT", least=20, spare=1))
_BEFORE = (
    Column("SET BEFORE, FROM"),
    Column("UNTIL"),
    Column("BURNED", right=True),
    Column("STARTS", right=True),
    Column("EXPOSURES", right=True),
)
_READINGS = (
    Column("HAND METER", least=10),
    Column("WHEN", spare=1),
    Column("READ", right=True),
    Column("OURS", right=True),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "show": Lazy(
            "lamps:show", "How the lamps were used, how they fade, when they will be too weak."
        ),
        "changed": Lazy("lamps:changed", "Record that lamps were replaced."),
        "cleaned": Lazy("lamps:cleaned", "Record that lamps or light sensor were cleaned."),
        "measured": Lazy("lamps:measured", "Record a hand meter reading."),
    },
)
def lamps() -> None:
    """The lamps in use: burn hours, starts, fade, sudden changes, and when they will be too weak.

    UV light injures eyes and skin: measure with the lid closed over the meter, or wear UV-rated
    protection."""


@click.command()
@journal_option
@json_option
def show(journal: Path | None, as_json: bool) -> None:
    """Show everything recorded about the lamps in use."""
    from platelink.finding.lamps import lamps_now
    from platelink.record.lit import lamp_record

    made = _calibrations(journal)
    with opened(journal) as (reader, _):
        found = lamps_now(*lamp_record(reader), made=made)
    if as_json:
        emit(found)
        return
    click.echo(pairs(_facts(found)))
    if found.channels:
        click.echo("")
        rows = [
            [one.name, f"{one.first_mw_cm2:.2f} mW/cm²", f"{one.now_mw_cm2:.2f} mW/cm²",
             f"{one.change_pct:+.1f} %"]
            for one in found.channels
        ]  # fmt: skip
        print_table(_CHANNELS, rows)
    if found.steps:
        click.echo("")
        rows = [
            [
                local(one.at_utc)[:10],
                ", ".join(f"{pct:+.1f} %" for pct in one.changes_pct),
                one.text,
            ]
            for one in found.steps
        ]
        print_table(_STEPS, rows)
    if found.scales:
        click.echo("")
        print_table(_SCALES, [[local(one.at_utc)[:10], _scale(one)] for one in found.scales])
    if found.readings:
        click.echo("")
        rows = [
            [one.meter, local(one.at_utc), f"{one.irradiance_mw_cm2:.2f} mW/cm²",
             f"{one.ours_mw_cm2:.2f} mW/cm²" if one.ours_mw_cm2 else "no exposure near it"]
            for one in found.readings
        ]  # fmt: skip
        print_table(_READINGS, rows)
    if found.before:
        click.echo("")
        rows = [
            [local(old.since_utc)[:10] if old.since_utc else "", local(old.until_utc)[:10],
             f"{old.burn_h:.1f} h", str(old.starts), str(old.exposures)]
            for old in found.before
        ]  # fmt: skip
        print_table(_BEFORE, rows)
    if found.asks:
        click.echo(f"\n{found.asks}")


def _calibrations(journal: Path | None) -> tuple[Made, ...]:
    """All of light, of the unit whose journal it is; beside a journal that was given."""
    from platelink.calibrations.store import CalibrationStore

    if journal is None:
        path = load_config().calibrations_path()
    else:
        path = journal.with_name("calibrations.sqlite")
    if not path.exists():
        return ()
    with CalibrationStore.open(path, read_only=True) as store:
        return store.of_light()


def _scale(one: ScaleChange) -> str:
    """What a calibration changed of the scale, and what follows."""
    made = f", made on {one.made_on}" if one.made_on else ""
    said = f"{one.sensor} calibrated ({one.calibration}{made}; {one.cause or 'cause not known'}): "
    if one.rescaled_pct is not None:
        return f"{said}earlier levels are rescaled by {one.rescaled_pct:+.1f} %"
    across = "" if one.changed_pct is None else f" ({one.changed_pct:+.1f} % across it)"
    return (
        f"{said}earlier levels are on another scale{across}; whether the lamps changed that "
        "day is not known"
    )


def _facts(found: LampsNow) -> list[tuple[str, str]]:
    if found.since_utc is None:
        return [("lamps", "no exposure is recorded yet")]
    since = "put in" if found.entered else "recorded since"
    fade = f"not known: {found.why_no_fade}"
    if found.fade_pct is not None:
        fade = (
            f"{found.fade_pct:+.1f} % in {found.fade_per} ({found.fade_low_pct:+.1f} to "
            f"{found.fade_high_pct:+.1f} %, 95 %)"
        )
    lost = "" if found.warm_up_s is None else f"; {found.warm_up_s:.1f} s of light in an exposure"
    forecast = f"not known: {found.why_no_forecast}"
    if found.forecast is not None:
        forecast = _forecast(found.forecast)
    return [
        (since, local(found.since_utc)[:10]),
        ("burned", f"{found.burn_h:.1f} h, {found.starts} starts, {found.exposures} exposures"),
        ("warm-up", found.warm_up + lost),
        ("fade", fade),
        ("too weak", forecast),
        ("lamps or sensor", found.sensor),
    ]


def _forecast(one: LampForecast) -> str:
    """When the longest step exceeds its limit."""
    until = _day(one.until_utc)
    step = f"{one.step} ({one.target_dose_mj_cm2:.0f} mJ/cm²)"
    now = f"takes {one.now_s:.0f} s now"
    if one.likely_utc is None and one.early_utc is None:
        return f"{step} {now}, limit {one.limit_s:.0f} s: not before {until}"
    likely = f"likely on {_day(one.likely_utc)}" if one.likely_utc else f"likely after {until}"
    early = _day(one.early_utc) if one.early_utc else until
    late = _day(one.late_utc) if one.late_utc else f"after {until}"
    return (
        f"{step} {now}; it exceeds its limit of {one.limit_s:.0f} s {likely}, between {early} and "
        f"{late} with 90 %"
    )


def _day(at_utc: str) -> str:
    return datetime.fromisoformat(at_utc).astimezone().date().isoformat()


@click.command()
@why_option(required=True)
@click.option(
    "--burned", type=click.FloatRange(min=0.0), help="Hours that they had burned before, if any."
)
@json_option
def changed(why: str, burned: float | None, as_json: bool) -> None:
    """Record that lamps were replaced: hours, starts, fade and lamp values start over."""
    from platelink.client import request
    from platelink.contract.lamps import LampWork

    _enter(request(LampWork, act="changed", why=why, burn_h=burned), as_json)


@click.command()
@click.argument("part", type=click.Choice(["lamps", "sensor", "both"]))
@why_option(required=False)
@json_option
def cleaned(part: str, why: str, as_json: bool) -> None:
    """Record that lamps and their glass, the light sensor, or both were cleaned."""
    from platelink.client import request
    from platelink.contract.lamps import LampWork

    _enter(request(LampWork, act="cleaned", why=why, part=part), as_json)  # type: ignore[arg-type]


@click.command()
@click.argument("irradiance")
@click.option("--meter", required=True, help="Which meter, such as its number.")
@click.option(
    "--uncertainty", "u_pct", type=click.FloatRange(min=0.0, min_open=True, max=100.0),
    help="Expanded uncertainty of its certificate (k = 2), in percent.",
)  # fmt: skip
@why_option(required=False)
@json_option
def measured(irradiance: str, meter: str, u_pct: float | None, why: str, as_json: bool) -> None:
    """Record IRRADIANCE, such as "9.8 mW/cm2", read with a hand meter at the sensor's place, lamps
    warm. It separates fading lamps from an ageing sensor."""
    from platelink.client import request
    from platelink.contract.lamps import LampWork
    from platelink.units import IRRADIANCE

    read = IRRADIANCE.parse(irradiance)
    work = request(
        LampWork, act="measured", why=why, irradiance_mw_cm2=read, meter=meter, u_pct=u_pct
    )
    _enter(work, as_json)


def _enter(work: LampWork, as_json: bool) -> None:
    with daemon() as client:
        answer = client.lamp_work(work)
    if as_json:
        emit(answer)
    else:
        click.echo("entered")
