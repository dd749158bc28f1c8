"""The command ``lessons``: what lamps taught the next exposures, and how it is dropped."""

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
        "list": Lazy("lessons:list_", "Lessons in force, newest first."),
        "drop": Lazy("lessons:drop", "Forget them all, as after a change of lamps."),
    },
)
def lessons() -> None:
    """What complete exposures taught of the lamps: after-glow, warm-up, irradiance.

    The next exposure is made with the median of the last five."""


@click.command("list")
@json_option
def list_(as_json: bool) -> None:
    """Lessons in force and the runs that they come from, newest first."""
    with daemon() as client:
        device = client.device()
    if as_json:
        emit({"learned": device.learned, "lessons": device.lessons})
        return
    rows = [_row(one.run_id, local(one.at_utc), one) for one in device.lessons]
    if device.learned:
        rows.append(_row("the next exposure", "", device.learned))
    print_table(_LESSONS, rows, "no lesson: no exposure has taught any since the last drop")


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
def drop(why: str, as_json: bool) -> None:
    """Forget what lamps taught, as after a change of lamps: it is learned anew."""
    with daemon() as client:
        answer = client.drop_lessons(why)
    if as_json:
        emit(answer)
    else:
        click.echo("dropped; the next complete exposures teach anew")
