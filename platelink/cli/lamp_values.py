"""The command ``lamp-values``: what recent exposures showed of the lamps, and how to discard it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platelink.cli.context import daemon, emit, json_option
from platelink.cli.group import Lazy, LazyGroup
from platelink.cli.stock import why_option
from platelink.cli.tables import Column, local, print_table

if TYPE_CHECKING:
    from platelink.contract.runs import Lamps

_LESSONS = (
    Column("RUN", least=24),
    Column("WHEN", spare=1),
    Column("AFTER-GLOW", right=True),
    Column("WARM-UP", right=True, spare=2),
    Column("IRRADIANCE", right=True),
)


@click.group(
    cls=LazyGroup,
    lazy={
        "list": Lazy("lamp_values:list_", "Lamp values in use, newest first."),
        "discard": Lazy("lamp_values:discard", "Discard them all, as after a lamp change."),
    },
)
def lamp_values() -> None:
    """Lamp values from complete exposures: after-glow, warm-up, irradiance.

    The next exposure uses the median of the last five."""


@click.command("list")
@json_option
def list_(as_json: bool) -> None:
    """Lamp values in use and the runs they come from, newest first."""
    with daemon() as client:
        device = client.device()
    if as_json:
        emit({"learned": device.learned, "lessons": device.lessons})
        return
    rows = [_row(one.run_id, local(one.at_utc), one) for one in device.lessons]
    if device.learned:
        rows.append(_row("the next exposure", "", device.learned))
    print_table(
        _LESSONS, rows, "none yet: lamp values are recorded by each complete exposure; make one"
    )


def _row(name: str, when: str, taught: Lamps) -> list[str]:
    return [
        name,
        when,
        f"{1000.0 * taught.afterglow_s:.1f} ms",
        f"{taught.warm_up_deficit_s:.2f} s",
        f"{taught.irradiance_mw_cm2 or 0.0:.2f} mW/cm²",
    ]


@click.command()
@why_option(required=True)
@json_option
def discard(why: str, as_json: bool) -> None:
    """Discard the lamp values, as after a lamp change; the next exposures record new ones."""
    with daemon() as client:
        answer = client.drop_lessons(why)
    if as_json:
        emit(answer)
    else:
        click.echo("discarded; the next complete exposures record new ones")
