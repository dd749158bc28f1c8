"""The command ``bench watch``: how the watch over the vacuum does, on noise of many kinds."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Failure
from platelink.cli.tables import NO_TERMINAL, Column, table

if TYPE_CHECKING:
    from platelink.simulated.bench_watch import OwnBench, WatchBench


@click.command()
@click.option(
    "--minutes",
    type=click.IntRange(min=100),
    default=1_000_000,
    show_default=True,
    help="Minutes of light without a leak.",
)
@click.option(
    "--stated",
    type=click.FloatRange(min=0.1, max=10_000.0),
    default=1.0,
    show_default=True,
    help="False holds stated in 100,000 minutes.",
)
@click.option(
    "--journal",
    type=click.Path(exists=True, dir_okay=False, path_type=Path),
    help="Instead: false alarms on the noise of the unit with this journal.",
)
@json_option
def watch(minutes: int, stated: float, journal: Path | None, as_json: bool) -> None:
    """Measure how often the watch over the vacuum holds for noise, and how soon it reports a leak.

    Simulated gauges with white, slow, swinging and heavy-tailed noise, a pump's tone and a pump
    that cycles, unknown to the watch but for what their own earlier exposures show; some minutes.
    Beside each delay that of one detector tuned to this leak and noise alone, and of a fixed limit.
    Exit code 1 when an aim is missed."""
    from platelink.simulated.bench_watch import bench_watch

    if journal is not None:
        own = _own(journal)
        if as_json:
            emit(own)
        else:
            click.echo(_own_text(own))
        return
    found = bench_watch(minutes, stated)
    if as_json:
        emit(found)
    else:
        click.echo("\n".join(_lines(found)))
    if found.missed:
        click.get_current_context().exit(Failure.exit_code)


def _own(path: Path) -> OwnBench:
    from platelink.control.contact.past import ContactPast, Told
    from platelink.record.contact import contact_in
    from platelink.record.errors import JournalError
    from platelink.record.reader import JournalReader
    from platelink.simulated.bench_watch import own_bench

    try:
        with JournalReader.open(path) as reader:
            runs = contact_in(reader)
    except JournalError as error:
        raise Failure(str(error)) from None
    past = ContactPast.at_pace_of([run.t_s for run in runs])
    past.remember(Told(run.t_s, run.vacuum_kpa) for run in runs)
    found = own_bench(list(past.shown), past.frame_s)
    if found is None:
        raise Failure(
            f"{path}: {len(runs)} complete exposures with contact and without a leak are too few "
            "to know the noise; the watch goes by its prior, make some more"
        )
    return found


def _own_text(own: OwnBench) -> str:
    return (
        f"noise of {own.exposures} exposures, {own.minutes:.0f} min: {own.sigma_kpa:.3f} kPa "
        "from value to value beyond the prediction\nfalse calls in 100 min, on resampled "
        f"blocks of it: {own.found_per_100_min:.2f}, stated {own.stated_per_100_min:.2f}"
    )


def _lines(found: WatchBench) -> Iterator[str]:
    holds = found.false_holds_per_100k_min
    heads = (Column("NOISE"), Column("FALSE HOLDS IN 100,000 MIN", right=True))
    rows = [[kind, f"{rate:.2f}"] for kind, rate in holds.kinds.items()]
    rows += [["all", f"{holds.mean:.2f}"], ["stated", f"{holds.stated:.2f}"]]
    yield table(heads, rows, NO_TERMINAL)
    yield f"{holds.holds} in {holds.minutes:,} min; the worst unit {holds.worst_unit:.2f}\n"
    columns = [Column("LEAK"), Column("SIZE", right=True)]
    columns += [Column(head, right=True) for head in ("DETECTED AFTER", "TUNED", "FIXED LIMIT")]
    rows = [
        [
            name, size, f"{delay.delay_s:.2f} s",
            "none" if delay.tuned_delay_s is None else f"{delay.tuned_delay_s:.2f} s",
            "never" if delay.fixed_limit_delay_s is None else f"{delay.fixed_limit_delay_s:.1f} s",
        ]
        for name, sizes in found.delays.items()
        for size, delay in sizes.items()
    ]  # fmt: skip
    yield table(tuple(columns), rows, NO_TERMINAL)
    yield "\n".join(f"MISSED {aim}" for aim in found.missed) or "all aims are reached"
