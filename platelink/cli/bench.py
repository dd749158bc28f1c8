"""The command ``bench``: figures of accuracy and speed, measured here and now."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

from platelink.cli.context import emit, json_option
from platelink.cli.group import Failure, Lazy, LazyGroup
from platelink.cli.tables import NO_TERMINAL, Column, pairs, table

_WORDS = {
    "platelink": "platelink",
    "timer": "the unit's own timer",
    "poll_and_compare": "poll and compare",
}


@click.group(
    cls=LazyGroup,
    lazy={
        "dose": Lazy("bench:dose", "Dose delivered against its target, three ways."),
        "link": Lazy("bench:link", "Frames decoded a second."),
        "speed": Lazy("bench:speed", "How much faster than life a simulated plate is made."),
        "lag": Lazy("bench:lag", "How late the control loop is while clients load it."),
    },
)
def bench() -> None:
    """Measure accuracy and speed on simulated units; no hardware is touched."""


@click.command()
@click.option("--n", type=click.IntRange(min=1), default=1000, show_default=True, help="Exposures.")
@json_option
def dose(n: int, as_json: bool) -> None:
    """Compare delivered dose with its target, for platelink, a timer, and poll-and-compare.

    Seeded exposures on simulated units: faded, cold and warm lamps, ripple, noise, lost messages,
    stalls. The truth is the plant's own. Exit code 1 when platelink exceeds its limit."""
    from platelink.cli.bench_dose import run_bench

    result: dict[str, Any] = run_bench(n)
    methods, limit_pct = result["methods"], result["limit_pct"]
    worst_pct = methods["platelink"]["max_error_pct"]
    if as_json:
        emit(result)
    else:
        click.echo(_dose_table(methods))
        relation = "within" if worst_pct <= limit_pct else "OUTSIDE"
        click.echo(f"platelink's largest error is {relation} its limit of {limit_pct} %")
    if not worst_pct <= limit_pct:
        click.get_current_context().exit(Failure.exit_code)


def _dose_table(methods: Mapping[str, Mapping[str, float]]) -> str:
    heads = (
        Column("DOSE ENDED BY"),
        Column("EXPOSURES", right=True),
        Column("MEAN ERROR", right=True),
        Column("99 % WITHIN", right=True),
        Column("LARGEST", right=True),
    )
    rows = [
        [
            _WORDS.get(name, name),
            str(found["n"]),
            f"{found['mean_error_pct']:+.4f} %",
            f"{found['p99_error_pct']:.4f} %",
            f"{found['max_error_pct']:.4f} %",
        ]
        for name, found in methods.items()
    ]
    return table(heads, rows, NO_TERMINAL)


@click.command()
@click.option(
    "--n", type=click.IntRange(min=1), default=20_000, show_default=True, help="Frames in a pass."
)
@json_option
def link(n: int, as_json: bool) -> None:
    """Measure frames decoded a second, beside another parser of the same size of message."""
    from platelink.cli.bench_link import bench_link

    _print(bench_link(n), as_json)


@click.command()
@json_option
def speed(as_json: bool) -> None:
    """Measure how much faster than life an exposure and a whole plate run in one process."""
    from platelink.cli.bench_speed import bench_speed

    _print(bench_speed(), as_json)


@click.command()
@click.option(
    "--seconds",
    type=click.FloatRange(min=0.5),
    default=12.0,
    show_default=True,
    help="How long each load is measured.",
)
@json_option
def lag(seconds: float, as_json: bool) -> None:
    """Measure how late the control loop is, in the light, while clients load, flood and stop.

    Real processes in real time, some minutes. Beside it an empty loop: what is late there too is
    the computer's. Exit code 1 when the loop exceeds its limits."""
    from platelink.cli.bench_lag import bench_lag

    result: dict[str, Any] = bench_lag(seconds)
    if as_json:
        emit(result)
    else:
        click.echo(_lag_table(result["loads"]))
        relation = "within" if result["ok"] else "OUTSIDE"
        click.echo(
            f"the loop is {relation} its limits of {result['p99_limit_ms']:g} ms (99 %) and "
            f"{result['max_limit_ms']:g} ms (largest)"
        )
    if not result["ok"]:
        click.get_current_context().exit(Failure.exit_code)


def _lag_table(loads: Mapping[str, Mapping[str, Mapping[str, float]]]) -> str:
    heads = [Column("LATENESS, ms"), Column("LOOP", right=True)]
    heads += [Column(name, right=True) for name in ("HALF", "99 %", "LARGEST")]
    rows = [
        [load if which == "loop" else "", which, *(f"{row[key]:.2f}" for key in _LAG)]
        for load, of in loads.items()
        for which, row in of.items()
    ]
    return table(tuple(heads), rows, NO_TERMINAL)


_LAG = ("p50_ms", "p99_ms", "max_ms")


def _print(figures: Mapping[str, Any], as_json: bool) -> None:
    if as_json:
        emit(dict(figures))
        return
    click.echo(pairs([(name.replace("_", " "), _figure(v)) for name, v in figures.items()]))


def _figure(value: Any) -> str:
    if value is None:
        return "not measured: not installed"
    return f"{value:,.4g}" if isinstance(value, float) and abs(value) < 1e4 else f"{value:,.0f}"
