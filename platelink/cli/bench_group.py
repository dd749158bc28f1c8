"""The command ``bench group``: a fleet of units through broker, recorders and store."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Failure
from platelink.cli.tables import NO_TERMINAL, Column, pairs, table

if TYPE_CHECKING:
    from platelink.simulated.bench_group import GroupBench


@click.command()
@click.option(
    "--units", type=click.IntRange(min=2), default=500, show_default=True, help="Of the group."
)
@click.option(
    "--seconds", type=click.FloatRange(min=5.0), default=120.0, show_default=True,
    help="How long the fleet is measured alone.",
)  # fmt: skip
@click.option(
    "--behind", type=click.IntRange(min=0), default=1, show_default=True,
    help="Units that come back then, unheard for a week.",
)  # fmt: skip
@click.option(
    "--plates", type=click.IntRange(min=1), default=110, show_default=True,
    help="Plates that each of these made meanwhile.",
)  # fmt: skip
@click.option(
    "--recorders", type=click.IntRange(min=1), default=1, show_default=True,
    help="Of one group, which share the messages.",
)  # fmt: skip
@click.option("--seed", type=int, default=1, show_default=True, help="Where each unit begins.")
@json_option
def group(units: int, seconds: float, as_json: bool, **more: int) -> None:
    """Run a group of simulated units at real rates, in real time, on this computer.

    Each unit has its journal and its publisher, and makes one plate after another; broker,
    recorders and store are real and run as children of this process. Afterwards all that is in
    the journals is compared with what the store gives back. Then units that were away for a week
    catch up beside the others. Some minutes longer than --seconds. Exit code 1 when anything was
    lost. mosquitto and victoria-metrics must be installed."""
    from platelink.publish.services import ServiceError
    from platelink.simulated.bench_group import bench_group
    from platelink.simulated.group_fleet import Size

    if more["behind"] >= units:
        raise Failure(f"--behind {more['behind']}: fewer than the {units} units of the group")
    try:
        found = bench_group(
            Size(units, **more), seconds, say=lambda text: click.echo(text, err=True)
        )
    except ServiceError as error:
        raise Failure(str(error)) from error
    if as_json:
        emit(found)
    else:
        click.echo(_text(found))
    if found.lost:
        click.get_current_context().exit(Failure.exit_code)


def _text(found: GroupBench) -> str:
    lags = [("all the time", found.lag)]
    if found.catch_up is not None:
        lags = [
            ("the fleet alone", found.catch_up.lag_before),
            ("beside a catch-up", found.catch_up.lag_during),
        ]
    heads = (Column("READABLE AFTER, s"), *(Column(name, right=True) for name in (
        "ENTRIES", "HALF", "99 OF 100", "LARGEST",
    )))  # fmt: skip
    rows = [
        [name, str(lag.n), *(f"{s:.2f}" for s in (lag.p50_s, lag.p99_s, lag.max_s))]
        for name, lag in lags
    ]
    cpu, rss = found.cpu_per_unit, found.rss_mb
    parts = (Column("OF"), Column("PROCESSOR, % OF A CORE PER UNIT", right=True),
             Column("MEMORY, MB", right=True))  # fmt: skip
    costs = [
        ["publishers", f"{cpu.publisher:.3f}", f"{rss.publisher:.0f}"],
        ["broker", f"{cpu.broker:.3f}", f"{rss.broker:.0f}"],
        ["recorders", f"{cpu.recorder:.3f}", f"{rss.recorder:.0f}"],
        ["store", f"{cpu.store:.3f}", f"{rss.store:.0f}"],
    ]
    facts = [
        ("units", f"{found.units}, lit {100.0 * found.lit_share:.0f} % of their time"),
        ("written", f"{found.messages_a_s:.1f} entries/s, {found.samples_a_s:.0f} samples/s"),
        ("lost", f"{found.lost} of {found.samples} samples and all other entries"),
        ("came again", f"{found.duplicates} messages; {found.twice} points given back twice"),
        ("a look", f"every {found.look_s:g} s: by so much a time above may be too long"),
        ("at the begin", f"{found.begin_entries_a_s:.0f} entries/s, up to 125 units at once"),
    ]
    if (mb := found.memory_mb_per_unit) is not None:
        facts.append(("a publisher more", f"{mb:.2f} MB"))
    if (back := found.catch_up) is not None:
        facts.append(("caught up", f"{back.units} with {back.entries} entries in "
                      f"{back.seconds:.0f} s, {back.entries_a_s:.0f} a second"))  # fmt: skip
    return "\n\n".join(
        (table(heads, rows, NO_TERMINAL), table(parts, costs, NO_TERMINAL), pairs(facts))
    )
