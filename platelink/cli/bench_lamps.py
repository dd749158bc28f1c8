"""The command ``bench lamps``: how true the forecast of the lamps is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option
from platelink.cli.tables import NO_TERMINAL, Column, table

if TYPE_CHECKING:
    from platelink.simulated.bench_lamps import LampBench


@click.command()
@click.option("--years", type=click.IntRange(min=1), default=40, show_default=True, help="Played.")
@json_option
def lamps(years: int, as_json: bool) -> None:
    """Forecast simulated lamps from every week of a year and compare with what came.

    Seeded units with fading tubes, mains, dirt and cleaning, failing tubes, ageing sensors. The
    interval of 90 % is judged by how often it covers what came (coverage) and by its interval
    score, the smaller the better."""
    from platelink.simulated.bench_lamps import bench_lamps

    found = bench_lamps(years)
    if as_json:
        emit(found)
    else:
        click.echo(_lamps_table(found))


def _lamps_table(found: LampBench) -> str:
    heads = [Column("FORECAST BY"), *(Column(name, right=True) for name in (
        "DAYS ON", "N", "COVERAGE", "SCORE", "WIDTH",
    ))]  # fmt: skip
    ways = (
        ("platelink", found.forecast), ("  with steps to come", found.forecast_all),
        ("level stays", found.stays), ("straight line", found.line),
    )  # fmt: skip
    rows = [
        [name, str(days), str(s.n), f"{s.coverage_pct:.1f} %", f"{s.interval_score_pct:.2f} %",
         f"{s.width_pct:.2f} %"]
        for name, scores in ways for days, s in scores.items()
    ]  # fmt: skip
    day = (
        f"the day that a limit is exceeded: {found.day_coverage_pct:.1f} % of {found.day_n} "
        f"intervals hold it, the likely day is off by {found.day_median_off_d:.0f} days (median)\n"
        f"steps: {found.steps_found_pct:.0f} % of all found, {found.steps_false_per_year:.2f} "
        "false ones a year"
    )
    return table(tuple(heads), rows, NO_TERMINAL) + "\n\n" + day
