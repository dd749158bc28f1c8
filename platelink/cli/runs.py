"""Commands on recorded runs: ``runs`` lists them, ``check`` doubts them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from platelink.cli import complete
from platelink.cli.context import emit, journal_option, json_option, load_config, opened
from platelink.cli.filters import filter_options, in_order
from platelink.cli.group import Failure
from platelink.cli.importing import found_run
from platelink.cli.quantities import Display
from platelink.cli.tables import Column, local, print_table
from platelink.cli.uncertainty import expanded
from platelink.contract.base import Json
from platelink.contract.runs import BakeEnd, PlateEnd, Run
from platelink.contract.uncertainty import LEAST_DOUBT_MJ_CM2
from platelink.contract.words import RunState
from platelink.evidence.beside import log_problem
from platelink.record.check import CheckResult
from platelink.record.errors import JournalDamaged
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
    Column("ALARMS", least=6, spare=9),
    Column("PLATE", least=6, spare=5),
    Column("OPERATOR", least=6, spare=8),
)


@click.command()
@filter_options
@click.option("--step", help="Only this step of the plate.")
@click.option("--state", type=click.Choice(get_args(RunState)), help="Only runs with this outcome.")
@click.option("--plate", help="Only this plate.")
@click.option("--operator", help="Only this operator.")
@click.option(
    "--limit", type=click.IntRange(min=1), default=50, show_default=True, help="Most to list."
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

    Lot and verdict are as they were corrected, where they were.

    Dates are days of this computer's time zone; a time needs its zone, such as
    2026-03-02T08:00+01:00."""
    in_order(since, until)
    if journal is None and not (path := load_config().journal.path).exists():
        if as_json:
            emit({"journal": str(path), "unit": None, "more": False, "runs": []})
        else:
            click.echo(NONE_YET)
        return
    with opened(journal) as (reader, display):
        found = reader.runs(since=since, until=until, limit=limit + 1, **wanted)
        more, found = len(found) > limit, found[:limit]
        if as_json:
            lines = [run.summary for run in found]
            emit({"journal": str(reader.path), "unit": reader.unit, "more": more, "runs": lines})
            return
        rows = [_row(run, display) for run in found]
        filtered = since or until or any(wanted.values())
        none = f"no run in {reader.path} matches; drop a filter" if filtered else NONE_YET
        print_table(_COLUMNS, rows, none)
        if more:
            click.echo(f"only the newest {limit} are shown; raise --limit or narrow the search")


NONE_YET = "none yet; start a plate: platelink plate make RECIPE"


def _result(record: RunRecord, display: Display) -> str:
    """What came of a plate or a bake, which have no dose."""
    kind, data = record.start.run_kind, record.end.data if record.end else {}
    if kind == "plate":
        return verdict_of(record.summary, data)
    bake = BakeEnd.model_validate(data) if kind == "bake" else BakeEnd()
    if bake.in_band_s is None:
        return ""
    mean = TEMPERATURE.format(bake.mean_c, display.temperature)
    return f"{bake.in_band_s / 60.0:.1f} min in band, air mean {mean}"


def verdict_of(run: Run, data: Json) -> str:
    """The judgement with the codes of the defects; a corrected one says so."""
    ended = PlateEnd.model_validate(data)
    corrected = run.judgement != ended.judgement
    return f"{run.judgement} (corrected)" if corrected else ended.verdict


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
        ", ".join(run.alarms),
        run.plate or "",
        run.operator or "",
    ]


@click.command()
@click.argument("run", required=False, shell_complete=complete.runs)
@click.option("--all", "every", is_flag=True, help="Check every run of the journal.")
@journal_option
@json_option
def check(run: str | None, every: bool, journal: Path | None, as_json: bool) -> None:
    """Integrate the stored samples of a run again and compare with its recorded dose. Of a plate
    all its exposures and bakes are checked.

    RUN is its id, the beginning of it, a plate's name, or 'last'; of an imported one UNIT/NAME.
    Exit code 1 when the record is not confirmed. Runs that have no end yet are named and not
    judged, but for one that is named."""
    if (run is None) != every:
        raise click.UsageError("name one RUN, or give --all.")
    if run is not None:
        with found_run(journal, run) as whose:
            reader, found = whose.reader, whose.run
            if whose.imported is not None:
                click.echo(whose.whose, err=as_json)
            parts = reader.parts(found.start.run_id) if found.start.run_kind == "plate" else []
            if parts:
                ok = _check_all(reader, [found, *parts], as_json)
            else:
                ok = _check_one(reader, found.start.run_id, as_json)
            log = log_problem(reader.path)
    else:
        with opened(journal) as (reader, _):
            ok = _check_all(reader, every_run(reader), as_json)
            log = log_problem(reader.path)
    if log:
        click.echo(f"log of seals: {log}", err=as_json)
        ok = False
    if not ok:
        click.get_current_context().exit(Failure.exit_code)


def _check_one(reader: JournalReader, run_id: str, as_json: bool) -> bool:
    result = reader.check(run_id)
    assert result is not None
    if as_json:
        emit(result.model_dump())
        return result.ok
    if result.removed is not None and not result.problems:
        click.echo(f"run {run_id}: {result.verdict}")
        click.echo("  {:<9} {}".format(*_entries(result)))
        return False
    click.echo(f"run {run_id}: {'confirmed' if result.ok else 'NOT confirmed'}")
    for problem in result.problems:
        click.echo(f"  problem   {problem}")
    for label, value in _found(result):
        click.echo(f"  {label:<9} {value}")
    return result.ok


def _found(result: CheckResult) -> list[tuple[str, str]]:
    if not result.light:
        told = [("recorded", f"a {result.kind}, in which no light is counted")]
        recorded_s, again_s = result.recorded_in_band_s, result.again_in_band_s
        if recorded_s is not None and again_s is not None:
            text = f"{recorded_s:.0f} s recorded, {again_s:.0f} s by the readings"
            told.append(("in band", text))
        return [*told, _entries(result)]
    recorded, again = result.recorded_mj_cm2, result.reintegrated_mj_cm2
    return [
        ("recorded", "no dose" if recorded is None else f"{recorded:.3f} mJ/cm²"),
        ("again", "not possible" if again is None else f"{again:.3f} mJ/cm², from the stored sums"),
        ("apart", f"{_apart(result)} (limit {result.limit_pct} %)"),
        *_contact(result),
        _entries(result),
        ("frames", (
            f"{result.gaps} gaps, longest {result.longest_gap_s:.2f} s; no dose is lost by "
            f"them. The device restarted its sums in {result.breaks} windows"
        )),
    ]  # fmt: skip


def _contact(result: CheckResult) -> list[tuple[str, str]]:
    out_s = result.out_of_contact_s
    if out_s is None:
        return []
    told = f"out of its band for {out_s:.2f} s of light at most" if out_s else "in its band"
    return [("vacuum", told)]


def _entries(result: CheckResult) -> tuple[str, str]:
    text = f"{result.samples} samples, {result.events} events, {result.missing_entries} missing"
    return "entries", text


def _apart(result: CheckResult) -> str:
    off = result.difference_pct
    return "–" if off is None else f"{off:+.4f} %"


def _check_all(reader: JournalReader, runs: Iterable[RunRecord], as_json: bool) -> bool:
    results: list[CheckResult | _Damaged] = []
    unfinished: list[str] = []
    removed: list[str] = []
    for run in runs:
        run_id = run.start.run_id
        if run.end is None:
            unfinished.append(run_id)
            continue
        result = _judge(reader, run_id)
        if isinstance(result, CheckResult) and result.removed and not result.problems:
            removed.append(run_id)
            if not as_json:
                click.echo(f"left    {run_id}  {result.verdict}")
            continue
        results.append(result)
        if not as_json:
            off = result.difference_pct
            text = f"{result.kind}, every entry is there" if off is None else f"{off:+.4f} %"
            text = text if result.ok else "; ".join(result.problems)
            click.echo(f"{'ok    ' if result.ok else 'NOT OK'}  {run_id}  {text}")
    failed = sum(not result.ok for result in results)
    if as_json:
        emit({"ok": not failed, "checked": len(results), "failed": failed,
              "unfinished": unfinished, "samples_removed": removed, "runs": results})  # fmt: skip
        return not failed
    for run_id in unfinished:
        click.echo(f"no end  {run_id}  not judged")
    more = f", {len(removed)} cannot be recomputed" if removed else ""
    click.echo(
        f"{len(results)} runs checked, {failed} not confirmed, {len(unfinished)} without end{more}"
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
