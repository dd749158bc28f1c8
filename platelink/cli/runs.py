"""Commands on recorded runs: ``runs`` lists them, ``export`` writes one, ``check`` doubts them."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, journal_option, json_option, opened
from platelink.cli.group import Failure
from platelink.cli.quantities import Display
from platelink.cli.tables import Column, local, print_table
from platelink.cli.uncertainty import expanded
from platelink.contract.runs import BakeEnd, PlateEnd, Run
from platelink.contract.uncertainty import LEAST_DOUBT_MJ_CM2
from platelink.contract.words import RunState
from platelink.record.check import CheckResult
from platelink.record.errors import JournalDamaged
from platelink.record.export import run_to_csv, run_to_json
from platelink.units import DOSE, TEMPERATURE

if TYPE_CHECKING:
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord

_PAGE = 200
_COLUMNS = (
    Column("RUN"),
    Column("BEGUN", spare=1),
    Column("STEP", least=6, spare=3),
    Column("STATE"),
    Column("TARGET", right=True, spare=2),
    Column("DOSE", right=True),
    Column("CONTROL", right=True, spare=4),
    Column("PLATES", right=True, spare=4),
    Column("METER", right=True, spare=4),
    Column("LIGHT", right=True, spare=7),
    Column("RESULT", least=8, spare=6),
    Column("PLATE", least=6, spare=5),
    Column("OPERATOR", least=6, spare=8),
)


def _moment(ctx: click.Context, param: click.Parameter, value: str | None) -> datetime | None:
    """A time with its zone, or a date: its first moment here, for --until its last. A time without
    a zone would mean another moment elsewhere."""
    if value is None:
        return None
    with contextlib.suppress(ValueError, OverflowError):
        day = date.fromisoformat(value) + timedelta(days=1 if param.name == "until" else 0)
        return datetime.combine(day, time()).astimezone()
    try:
        moment = datetime.fromisoformat(value)
    except ValueError:
        raise click.BadParameter(
            f"'{value}' is neither a date such as 2026-03-02 nor a time such as "
            "2026-03-02T08:00+01:00."
        ) from None
    if moment.tzinfo is None:
        raise click.BadParameter(
            f"'{value}' does not say in which time zone; add it, as in {value}Z or {value}+01:00, "
            "or give the date alone."
        )
    return moment


@click.command()
@click.option(
    "--since", metavar="TIME", callback=_moment, help="Begun at this date or time, or later."
)
@click.option(
    "--until", metavar="TIME", callback=_moment, help="Begun before; a date: until its end."
)
@click.option("--step", help="Only this step of the plate.")
@click.option("--state", type=click.Choice(get_args(RunState)), help="Only runs that ended so.")
@click.option("--plate", help="Only this plate.")
@click.option("--operator", help="Only this operator.")
@click.option(
    "--limit", type=click.IntRange(min=1), default=50, show_default=True, help="At most so many."
)
@journal_option
@json_option
def runs(
    journal: Path | None, limit: int, as_json: bool, *, since: datetime | None,
    until: datetime | None, **wanted: Any,
) -> None:  # fmt: skip
    """List recorded runs, newest first: exposures, bakes, and whole plates (--step plate).

    A dose has three numbers: CONTROL, how near its end was to the target as this sensor reads;
    PLATES and METER, how far it may be off (k = 2) from plates of this unit, place, month and
    calibration, and against the reference meter.

    Dates are days of this computer's time zone; a time needs its zone, such as
    2026-03-02T08:00+01:00."""
    if since and until and since >= until:
        raise click.UsageError(f"--since {since} is not before --until {until}")
    with opened(journal) as (reader, display):
        found = reader.runs(since=since, until=until, limit=limit + 1, **wanted)
        more, found = len(found) > limit, found[:limit]
        if as_json:
            lines = [run.summary for run in found]
            emit({"journal": str(reader.path), "unit": reader.unit, "more": more, "runs": lines})
            return
        rows = [_row(run, display) for run in found]
        print_table(_COLUMNS, rows, f"no such run in {reader.path}")
        if more:
            click.echo(f"more runs than {limit}: raise --limit, or narrow the search")


def _result(record: RunRecord, display: Display) -> str:
    """What came of a plate or a bake, which have no dose."""
    kind, data = record.start.run_kind, record.end.data if record.end else {}
    if kind == "plate":
        return PlateEnd.model_validate(data).verdict
    bake = BakeEnd.model_validate(data) if kind == "bake" else BakeEnd()
    if bake.in_band_s is None:
        return ""
    mean = TEMPERATURE.format(bake.mean_c, display.temperature)
    return f"{bake.in_band_s / 60.0:.1f} min in band, air mean {mean}"


def off_text(pct: float | None) -> str:
    """How far a dose is from its target, in a cell of a table."""
    return "" if pct is None else f"{round(pct, 2) + 0.0:+.2f} %"


def three_cells(run: Run) -> list[str]:
    """How near the end was to the target, U between plates and against the meter, in cells; a dash
    where that was not recorded, so that the first never stands alone."""
    if run.difference_pct is None:
        return ["", "", ""]
    both = (run.plate_to_plate_pct, run.against_meter_pct)
    stated = ["–" if u_pct is None else expanded(u_pct) for u_pct in both]
    return [off_text(run.difference_pct), *stated]


def light_text(seconds: float | None) -> str:
    """How long light was on, in a cell of a table."""
    return "" if seconds is None else f"{seconds:.1f} s"


def dose_text(mj_cm2: float | None, display: Display) -> str:
    """A dose, one decimal finer than usual: 0.1 % of a short exposure is seen."""
    if mj_cm2 is None:
        return "–"
    return DOSE.format(mj_cm2, display.dose, DOSE.unit(display.dose).decimals + 1)


def given_text(run: Run, display: Display) -> str:
    """The dose of a run, and how much more may have fallen."""
    text, more = dose_text(run.dose_mj_cm2, display), run.uncertain_mj_cm2 or 0.0
    return f"{text} (+{dose_text(more, display)}?)" if more >= LEAST_DOUBT_MJ_CM2 else text


def _row(record: RunRecord, display: Display) -> list[str]:
    run = record.summary
    return [
        run.run_id,
        local(run.begun_utc),
        run.step,
        run.state,
        dose_text(run.target_dose_mj_cm2, display),
        given_text(run, display),
        *three_cells(run),
        light_text(run.light_s),
        _result(record, display),
        run.plate or "",
        run.operator or "",
    ]


@click.command()
@click.argument("run", shell_complete=complete.runs)
@click.option(
    "--format",
    "form",
    type=click.Choice(["csv", "json"]),
    default="csv",
    show_default=True,
    help="csv: the samples. json: everything recorded.",
)
@click.option(
    "-o",
    "--output",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Write this file, over one that is there. Without it: standard output.",
)
@journal_option
def export(run: str, form: str, output: Path | None, journal: Path | None) -> None:
    """Write a run as CSV or JSON, for other programs.

    RUN is its id, the beginning of it, or 'last'. Values are in platelink's own units, which the
    file names."""
    with opened(journal) as (reader, _):
        found = find_run(reader, run)
        run_id = found.start.run_id
        samples = reader.samples(run_id)
        if form == "csv":
            text = run_to_csv(found, samples)
        else:
            text = run_to_json(found, reader.events(run_id), samples, indent=1) + "\n"
    if output is None or str(output) == "-":
        click.echo(text, nl=False)
        return
    _write(output, text)
    click.echo(f"{output}: run {run_id}, {len(samples)} samples", err=True)


def _write(path: Path, text: str) -> None:
    """All of it or nothing: a file half written on a full disk must not pass for a run. What is no
    file, as a device or a pipe, stays what it is."""
    from platelink.ledger.private import opener

    part = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        if path.exists() and not path.is_file():
            path.write_text(text, "utf-8", newline="")
            return
        with open(part, "w", encoding="utf-8", newline="", opener=opener) as file:
            file.write(text)
        part.replace(path)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise Failure(
            f"{path} cannot be written: {error.strerror}; choose another place, or free space"
        ) from error


@click.command()
@click.argument("run", required=False, shell_complete=complete.runs)
@click.option("--all", "every", is_flag=True, help="Check every run of the journal.")
@journal_option
@json_option
def check(run: str | None, every: bool, journal: Path | None, as_json: bool) -> None:
    """Integrate the stored samples of a run again and compare with its recorded dose.

    RUN is its id, the beginning of it, or 'last'. Exit code 1 when the record is not confirmed.
    With --all, runs that have no end yet are named and not judged."""
    if (run is None) != every:
        raise click.UsageError("name one RUN, or give --all.")
    with opened(journal) as (reader, _):
        if run is not None:
            ok = _check_one(reader, find_run(reader, run).start.run_id, as_json)
        else:
            ok = _check_all(reader, as_json)
    if not ok:
        click.get_current_context().exit(Failure.exit_code)


def _check_one(reader: JournalReader, run_id: str, as_json: bool) -> bool:
    result = reader.check(run_id)
    assert result is not None
    if as_json:
        emit(result.model_dump())
        return result.ok
    click.echo(f"run {run_id}: {'confirmed' if result.ok else 'NOT confirmed'}")
    for problem in result.problems:
        click.echo(f"  problem   {problem}")
    for label, value in _found(result):
        click.echo(f"  {label:<9} {value}")
    return result.ok


def _found(result: CheckResult) -> list[tuple[str, str]]:
    if not result.light:
        return [("recorded", f"a {result.kind}, in which no light is counted"), _entries(result)]
    recorded, again = result.recorded_mj_cm2, result.reintegrated_mj_cm2
    return [
        ("recorded", "no dose" if recorded is None else f"{recorded:.3f} mJ/cm²"),
        ("again", "not possible" if again is None else f"{again:.3f} mJ/cm², from the stored sums"),
        ("apart", f"{_apart(result)} (limit {result.limit_pct} %)"),
        _entries(result),
        ("frames", f"{result.gaps} gaps, longest {result.longest_gap_s:.2f} s; no dose is lost by "
                   f"them. The device's sums began anew in {result.breaks} windows"),
    ]  # fmt: skip


def _entries(result: CheckResult) -> tuple[str, str]:
    text = f"{result.samples} samples, {result.events} events, {result.missing_entries} missing"
    return "entries", text


def _apart(result: CheckResult) -> str:
    off = result.difference_pct
    return "–" if off is None else f"{off:+.4f} %"


def _check_all(reader: JournalReader, as_json: bool) -> bool:
    results: list[CheckResult | _Damaged] = []
    unfinished: list[str] = []
    for run in every_run(reader):
        run_id = run.start.run_id
        if run.end is None:
            unfinished.append(run_id)
            continue
        result = _judge(reader, run_id)
        results.append(result)
        if not as_json:
            off = result.difference_pct
            text = f"{result.kind}, every entry is there" if off is None else f"{off:+.4f} %"
            text = text if result.ok else "; ".join(result.problems)
            click.echo(f"{'ok    ' if result.ok else 'NOT OK'}  {run_id}  {text}")
    failed = sum(not result.ok for result in results)
    if as_json:
        emit({"ok": not failed, "checked": len(results), "failed": failed,
              "unfinished": unfinished, "runs": results})  # fmt: skip
        return not failed
    for run_id in unfinished:
        click.echo(f"no end  {run_id}  not judged")
    click.echo(
        f"{len(results)} runs checked, {failed} not confirmed, {len(unfinished)} without end"
    )
    return not failed


@dataclass(frozen=True, slots=True)
class _Damaged:
    """A run that cannot be read: a finding, which does not end the check of the others."""

    run_id: str
    kind: str
    ok: bool
    verdict: str
    problems: tuple[str, ...]
    difference_pct: float | None


def _judge(reader: JournalReader, run_id: str) -> CheckResult | _Damaged:
    try:
        result = reader.check(run_id)
    except JournalDamaged as error:
        return _Damaged(run_id, "", False, f"not confirmed: {error}", (str(error),), None)
    assert result is not None
    return result


def every_run(reader: JournalReader) -> Iterator[RunRecord]:
    """All runs, newest first, a page at a time."""
    until: datetime | None = None
    seen: set[str] = set()
    while page := [r for r in reader.runs(until=until, limit=_PAGE) if r.start.run_id not in seen]:
        yield from page
        seen = {run.start.run_id for run in page}
        until = page[-1].start.at_utc + timedelta(milliseconds=1)
