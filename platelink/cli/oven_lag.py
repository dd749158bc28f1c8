"""The command ``oven-lag``: how long a plate lags behind the air, from a probe in a plate."""

from __future__ import annotations

import csv
import math
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, journal_option, json_option, opened
from platelink.cli.group import Failure, Misuse

if TYPE_CHECKING:
    from platelink.finding.lag import Lag
    from platelink.record.reader import JournalReader
    from platelink.runs import RunStart

Readings = tuple[list[float], list[float]]
"""Seconds since the begin of the run, and °C."""


@click.command("oven-lag")
@click.argument("run", required=False, shell_complete=complete.runs)
@click.option(
    "--probe", type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="CSV: seconds since the begin of the run, or a time with its zone; °C.",
)  # fmt: skip
@journal_option
@json_option
def oven_lag(run: str | None, probe: Path | None, journal: Path | None, as_json: bool) -> None:
    """Find how far a plate lags behind the oven air, with a probe in the plate.

    Begin a bake with a cold plate and the probe in it, then run this command: it asks for the
    probe's reading until you leave an answer empty. Ovens and plates burn: wear gloves."""
    from platelink.finding.lag import lag_of

    with opened(journal) as (reader, _):
        start = _bake(reader, run)
        probed = _asked(start) if probe is None else _filed(probe, start)
        samples = reader.samples(start.run_id)
        air = samples.values.get("oven_c")
        run_found = reader.run(start.run_id)
        if run_found is not None and run_found.removed is not None:
            raise Failure(f"run {start.run_id}: {run_found.removed.text}")
        if air is None:
            raise Failure(f"run {start.run_id} has no temperature of the oven")
        zero_ms = start.at_utc.timestamp() * 1000.0
        known = [(t, c) for t, c in zip(samples.at_utc_ms, air, strict=True) if math.isfinite(c)]
        air_s = [(float(t) - zero_ms) / 1000.0 for t, _ in known]
        found = lag_of(air_s, [float(c) for _, c in known], *probed)
    if as_json:
        emit({"run_id": start.run_id, **asdict(found)})
    else:
        click.echo(_said(found))


def _said(found: Lag) -> str:
    return (
        f"the plate lags {found.lag_s:.0f} s behind the air; 95 % sure of {found.low_s:.0f} to "
        f"{found.high_s:.0f} s, from {found.readings} readings that scatter by "
        f"{found.sd_c:.2f} °C\n"
        f"at rest the probe read {found.offset_c:+.1f} °C more than the oven's sensor\n"
        f"for the bake of the recipe: plate_lag_s = {found.lag_s:.0f}"
    )


def _bake(reader: JournalReader, wanted: str | None) -> RunStart:
    """The start of the bake that is meant."""
    if wanted is None:
        bakes = [run.start for run in reader.open_runs() if run.kind == "bake"]
        if not bakes:
            raise Failure(
                "no bake is being recorded: begin the bake of a plate with a probe in it, or name "
                "the run of one that is over"
            )
        return bakes[-1]
    run = find_run(reader, wanted)
    if run.start.run_kind != "bake":
        raise Misuse(f"run {run.start.run_id} is not a bake, it is: {run.start.run_kind}")
    return run.start


def _asked(start: RunStart) -> Readings:
    """What a person reads, as long as there are answers."""
    click.echo(
        f"bake {start.run_id}: type the probe's reading in °C, every 15 s at first, until it "
        "no longer changes; Enter alone ends the trial"
    )
    seconds, temperatures = [], []
    while (text := click.prompt("probe, °C", default="", show_default=False).strip()) != "":
        at_s = (datetime.now(UTC) - start.at_utc).total_seconds()
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            click.echo(f"{text!r} is not a number; not recorded", err=True)
            continue
        seconds.append(at_s)
        temperatures.append(value)
    return seconds, temperatures


def _filed(path: Path, start: RunStart) -> Readings:
    """What a logger wrote; a first line of names is passed over."""
    seconds, temperatures = [], []
    with path.open(newline="", encoding="utf-8-sig") as file:
        for number, row in enumerate(csv.reader(file), 1):
            if not row or (number == 1 and not row[-1].strip()[:1].lstrip("+-").isdigit()):
                continue
            try:
                at, value = row
                seconds.append(_seconds(at.strip(), start))
                temperatures.append(float(value))
            except ValueError as error:
                raise Misuse(
                    f"{path}, line {number}: write two columns, seconds or a time with its zone, "
                    f"and °C ({error})"
                ) from None
    return seconds, temperatures


def _seconds(text: str, start: RunStart) -> float:
    try:
        return float(text)
    except ValueError:
        at = datetime.fromisoformat(text)
    if at.tzinfo is None:
        raise ValueError(f"{text} has no time zone")
    return (at - start.at_utc).total_seconds()
