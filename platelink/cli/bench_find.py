"""The command ``bench find``: plates until a dose is known, in simulated shops."""

from __future__ import annotations

import click

from platelink.cli.context import emit, json_option
from platelink.cli.tables import Column, print_table


@click.command()
@click.option(
    "--shops", type=click.IntRange(min=10), default=60, show_default=True, help="How many."
)
@json_option
def find(shops: int, as_json: bool) -> None:
    """Count the plates until a dose is known within 5 %: strips against halving.

    Seeded shops: lots, plates, people, gauges and dose all err; plates follow no curve of ours."""
    from platelink.simulated.bench_find import bench_find

    found = bench_find(shops)
    if as_json:
        emit(found)
        return
    columns = (
        Column("WAY"), *(Column(name, right=True) for name in (
            "PLATES", "WITHIN 5 %", "TOLD", "INTERVAL HOLDS", "95 % WITHIN",
        )),
    )  # fmt: skip
    rows = [
        [way, str(one.plates), f"{one.within_pct:.0f} %", f"{one.told_pct:.0f} %",
         "–" if one.covered_pct is None else f"{one.covered_pct:.0f} %", f"{one.off_95_pct:.1f} %"]
        for way, each in (
            ("strips", found.strips), ("two patches of a new lot", found.two_patches),
            ("halving", found.halving),
        )
        for one in each
    ]  # fmt: skip
    print_table(columns, rows)
