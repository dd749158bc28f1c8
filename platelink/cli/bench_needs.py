"""The command ``bench needs``: what a unit takes of its computer."""

from __future__ import annotations

import click

from platelink.cli.bench import judged, measured, relation
from platelink.cli.context import json_option
from platelink.cli.tables import NO_TERMINAL, Column, table


@click.command()
@click.option(
    "--seconds",
    type=click.FloatRange(min=0.5),
    default=30.0,
    show_default=True,
    help="How long the processor is measured.",
)
@json_option
def needs(seconds: float, as_json: bool) -> None:
    """Measure what a unit needs of its computer, in the light: processor and memory of daemon,
    service, lane and page.

    Real processes in real time, on Linux. Memory is a process's own and its share of what several
    hold. Exit code 1 when the daemon takes more of a core, or daemon, service and page more
    memory, than the aims say."""
    from platelink.simulated.bench_needs import bench_needs

    found = measured(bench_needs, seconds)
    heads = (
        Column("PROCESS"),
        Column("PROCESSOR, %", right=True),
        Column("MEMORY, MB", right=True),
    )
    rows = [
        [name, f"{of.cpu_pct:.2f}", f"{of.memory_mb:.0f}"] for name, of in found.processes.items()
    ]
    cpu, memory = (
        f"{taken:.{places}f} {unit}, {relation(taken <= aim)} its aim of {aim:g} {unit}"
        for taken, aim, unit, places in (
            (found.cpu_pct, found.cpu_aim_pct, "% of a core", 2),
            (found.memory_mb, found.memory_aim_mb, "MB", 0),
        )
    )
    told = (
        f"{table(tuple(heads), rows, NO_TERMINAL)}\nat {found.frames_a_s:.0f} frames a second\n"
        f"processor of the daemon: {cpu}\nmemory of daemon, service and page: {memory}"
    )
    judged(found, found.ok, told, as_json=as_json)
