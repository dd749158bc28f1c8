"""The command ``bench foretell``: depths before washout and causes after it, in simulated shops."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, json_option
from platelink.cli.tables import Column, print_table

if TYPE_CHECKING:
    from platelink.simulated.bench_foretell import ForetellBench


@click.command()
@click.option("--shops", type=click.IntRange(min=1), default=20, show_default=True,
              help="How many, a year each; 1000 for the whole run.")  # fmt: skip
@click.option("--tolerance", "tolerance_um", type=click.FloatRange(min=0.5, max=20.0),
              default=3.5, show_default=True, help="Limits of depth to each side, µm.")  # fmt: skip
@click.option("--faults", "often", type=click.FloatRange(min=0.0, max=10.0), default=1.0,
              show_default=True,
              help="Times as many as where the tables of causes were counted.")  # fmt: skip
@click.option("--processes", type=click.IntRange(min=1, max=64), default=1, show_default=True,
              help="Shops that are played side by side.")  # fmt: skip
@json_option
def foretell(shops: int, tolerance_um: float, often: float, processes: int, as_json: bool) -> None:
    """Measure how true depths predicted before washout are, what they save, and causes named after.

    Seeded shops, a year each, on plates that follow no curve of ours, with faults nobody enters:
    lamps swapped, a fouled sensor, leaks, cold baths, old lots, short bakes. A quarter of a
    second a shop."""
    from platelink.simulated.bench_foretell import bench_foretell

    found = bench_foretell(shops, tolerance_um=tolerance_um, often=often, processes=processes)
    if as_json:
        emit(found)
        return
    _print(found)


def _print(found: ForetellBench) -> None:
    mixed = found.shuffled
    rows = [
        [f"within their interval, quarter {number}", _pct(plain), _pct(other)]
        for number, (plain, other) in enumerate(
            zip(found.coverage_by_quarter, mixed.coverage_by_quarter, strict=True), 1
        )
    ]
    rows += [
        ["not measured", _pct(found.measurements_saved_pct), _pct(mixed.measurements_saved_pct)],
        ["not measured: outside the limits", _pct(found.false_release_pct),
         _pct(mixed.false_release_pct)],
        ["all: outside the limits", _pct(found.outside_pct), ""],
        ["stopped before wash", _pct(found.stopped_pct), ""],
        ["stopped: outside the limits", _pct(found.stopped_rightly_pct), ""],
        ["top cause right", _pct(found.top_cause_right_pct), ""],
        ["top cause right: always the most frequent", _pct(found.base_rate_right_pct), ""],
        ["top cause right: by individuals charts", _pct(found.charts_right_pct), ""],
        ["with a fault: its place named first", _pct(found.fault_first_pct), ""],
        ["with a fault: by individuals charts", _pct(found.fault_first_by_charts_pct), ""],
    ]  # fmt: skip
    click.echo(f"{found.shops} shops, {found.plates} plates, ±{found.tolerance_um:g} µm; the whole "
               f"interval {found.width_um:.1f} µm in the middle")  # fmt: skip
    print_table((Column("OF PLATES"), Column("AS RECORDED", right=True),
                 Column("RECORDS SHUFFLED", right=True)), rows)  # fmt: skip
    if found.cause_calibration_max is None:
        return
    click.echo(
        f"\n{found.asked} plates asked about; the probability of a cause, and how often it was the "
        f"cause, differ by {found.cause_calibration_max:.3f} at most, by decile:"
    )
    print_table(
        (Column("TOLD", right=True), Column("CAME TRUE", right=True), Column("OFF", right=True),
         Column("BY CHANCE", right=True), Column("TIMES", right=True)),
        [[f"{told:.2f}", f"{came:.2f}", f"{came - told:+.3f}", f"±{chance:.3f}", str(n)]
         for told, came, n, chance in found.cause_calibration],
    )  # fmt: skip


def _pct(value: float | None) -> str:
    return "–" if value is None else f"{value:.1f} %"
