"""Commands of ``ask``, which answer questions about everything made."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from platelink.cli.context import emit, journal_option, json_option, opened
from platelink.cli.filters import in_order, moment, no_courses
from platelink.cli.group import Failure
from platelink.cli.plate_after import restate
from platelink.cli.quantities import Display, clean, shown
from platelink.cli.runs import off_text
from platelink.cli.tables import Column, local, pairs, print_table

if TYPE_CHECKING:
    from platelink.contract.facts import Compared, ImportedPieces, Piece
    from platelink.facts.both import Both

_COLUMNS = (
    Column("NAME"),
    Column("BEGUN", spare=1),
    Column("STATE"),
    Column("VERDICT"),
    Column("OFF", right=True, spare=2),
    Column("JOB", least=6, spare=3),
    Column("LOT", spare=4),
    Column("REVISION", least=8, spare=5),
    Column("OPERATOR", least=6, spare=6),
    Column("ALARMS", least=8, spare=7),
    Column("WHAT WAS ASKED", least=20, spare=0),
)
_IMPORTED = (Column("IMPORTED"), Column("SITE", least=6, spare=8), *_COLUMNS[1:])
_DIFFERENCES = (
    Column("WHAT", least=20),
    Column("FIRST", right=True, least=8),
    Column("SECOND", right=True, least=8),
    Column("SPREADS APART", right=True),
)
_DOSES = (
    Column("PLATE", least=6), Column("STEP"), Column("BEGUN", spare=2),
    Column("RECORDED", right=True), Column("CORRECTED", right=True), Column("OFF", right=True),
    Column("READ WITH", spare=1), Column("WHY NOT", least=10, spare=3),
)  # fmt: skip
_DAYS = (
    Column("DAY"), Column("MADE", right=True), Column("GOOD", right=True),
    Column("REJECT", right=True), Column("WORST DOSE", right=True),
)  # fmt: skip


def facts_option(command: Any) -> Any:
    """``--facts``, with ``--journal`` and ``--json``."""
    return click.option(
        "--facts",
        type=click.Path(path_type=Path, dir_okay=False),
        help="The facts file; without it the one beside the journal.",
    )(journal_option(json_option(command)))


@contextmanager
def asked_facts(journal: Path | None, facts: Path | None) -> Iterator[tuple[Both, Display]]:
    """What questions are answered from, brought up to date."""
    from platelink.evidence.imported_facts import both_of
    from platelink.facts.build import facts_beside
    from platelink.facts.workers import cores

    with (
        opened(journal) as (reader, display),
        both_of(reader, facts or facts_beside(reader.path), processes=cores()) as both,
    ):
        yield both, display


def _wanted(command: Any) -> Any:
    """The options that all must be true together."""
    options: list[tuple[tuple[str, ...], dict[str, Any]]] = [
        (("--text",), {"help": "A part of a name, job, lot, screen, person or note."}),
        (("--plate",), {"help": "Of this name."}),
        (("--job",), {"help": "For this job."}),
        (("--lot",), {"help": "Of this lot of stock."}),
        (("--screen",), {"help": "With this screen."}),
        (("--unit",), {"help": "On this unit."}),
        (("--operator",), {"help": "Asked for or acted on by this person."}),
        (("--lamp-set",), {"help": "With these lamps: 1 for the first on record."}),
        (("--sensor",), {"help": "Read with this sensor, as 'light 0'."}),
        (("--calibration",), {"help": "Read with this calibration, as 'light 0@3'."}),
        (("--recipe",), {"help": "By this recipe, in any revision."}),
        (("--revision",), {"help": "By this revision, as fine@2."}),
        (("--verdict",), {"help": "good or reject."}),
        (("--state",), {"help": "complete, stopped, aborted, interrupted or open."}),
        (("--kind",), {"help": "plate, or a lone expose or bake."}),
        (("--alarm",), {"help": "This alarm was raised while it was made."}),
        (("--since",), {"metavar": "TIME", "callback": moment, "help": "Begun then or later."}),
        (("--until",), {"metavar": "TIME", "callback": moment,
                        "help": "Begun before; a date: until its end."}),
        (("--off", "off_pct"), {"type": click.FloatRange(min=0), "metavar": "PERCENT",
                                "help": "A dose off its target by more than this."}),
        (("--where",), {"multiple": True, "metavar": "TEXT",
                        "help": "As 'vacuum below 50 kPa for 2 s'; vacuum and irradiance while "
                                "light is counted, oven in the bake. May be repeated."}),
        (("--lamps-of",), {"metavar": "PLATE", "help": "Same lamps, same day (UTC) as this one."}),
        (("--between",), {"nargs": 2, "metavar": "PLATE PLATE",
                          "help": "Begun after the one and before the other."}),
        (("--limit",), {"type": click.IntRange(1, 1000), "default": 100, "show_default": True,
                        "help": "At most so many."}),
    ]  # fmt: skip
    for names, settings in reversed(options):
        command = click.option(*names, **settings)(command)
    return command


@click.command()
@_wanted
@facts_option
def plates(journal: Path | None, facts: Path | None, as_json: bool, **wanted: Any) -> None:
    """List plates, and runs that belong to none, newest first. All that is given must be true.

    Values are compared as they are written, letters large or small. OFF is the greatest error of a
    dose against its target. Records imported from other units stand in a list of their own, each
    verified again now; in none is an alarm or a lamp set."""
    from platelink.client import request
    from platelink.contract.facts import Asked

    in_order(wanted["since"], wanted["until"])
    given: dict[str, Any] = {
        k: list(v) if isinstance(v, tuple) else v for k, v in wanted.items() if v is not None
    }
    if len(given.get("text", "...")) < 3:
        raise click.UsageError("--text needs three characters at least; give all of a name instead")
    asked = request(Asked, **given)
    with asked_facts(journal, facts) as (found, _):
        answer = found.pieces(asked)
        if as_json:
            emit(answer)
            return
        print_table(_COLUMNS, [_row(one) for one in answer.made], "nothing on record is so")
        _tell(answer, answer.more)
        if answer.courses_removed:
            click.echo(no_courses(answer.courses_removed), err=True)
        if answer.imported is not None:
            _tell_imported(answer.imported)


def _row(one: Piece) -> list[str]:
    return [
        one.name, local(one.began_utc), one.state,
        " ".join([one.verdict or "", *one.defects]).strip(),
        off_text(one.off_pct).removeprefix("+"), one.job or "", one.lot or "", one.revision or "",
        one.operator or "", ", ".join(one.alarms), "; ".join(one.matched),
    ]  # fmt: skip


def _tell_imported(answer: ImportedPieces) -> None:
    """What was found of other units, and what of them could not be asked."""
    if answer.made:
        click.echo("\nof other units, each verified again now under the key it was imported under")
        rows = [
            [one.imported.called, one.imported.site, *_row(one)[1:]]
            for one in answer.made if one.imported is not None
        ]  # fmt: skip
        print_table(_IMPORTED, rows, "")
    if answer.more:
        click.echo("more was imported that is so: raise --limit, or narrow the question")
    if answer.cannot:
        click.echo(
            f"imported records were not asked: none tells of {', '.join(answer.cannot)}", err=True
        )
    if answer.behind:
        click.echo(
            f"{answer.behind} imported records are not in it yet: another process is bringing the "
            "facts up", err=True,
        )  # fmt: skip
    for why in answer.why:
        click.echo(f"left out: {why}", err=True)
    if answer.left_out > len(answer.why):
        click.echo(f"{answer.left_out} imported records are left out; see platelink verify "
                   "--imported", err=True)  # fmt: skip


def _tell(answer: Any, more: bool) -> None:
    if more:
        click.echo("there are more: raise --limit, or narrow the question")
    if answer.behind:
        click.echo(
            f"{answer.behind} entries of the journal are not in it yet: another process is "
            "bringing the facts up", err=True,
        )  # fmt: skip
    if answer.unread:
        click.echo(
            f"{answer.unread} runs cannot be read, or not whole; see platelink doctor", err=True
        )


@click.command()
@click.argument("name")
@facts_option
def plate(name: str, journal: Path | None, facts: Path | None, as_json: bool) -> None:
    """Show everything that is known of a plate or run; --json has the curves, too. One that was
    imported from another unit is UNIT/NAME where this unit has one of that name."""
    with asked_facts(journal, facts) as (found, display):
        answer = found.opened(name, curves=as_json)
    if as_json:
        emit(answer)
        return
    click.echo(f"{answer.kind} {clean(answer.name)}")
    if (origin := answer.imported) is not None:
        click.echo(
            f"of unit {clean(answer.unit)} ({clean(origin.site)}), not of this one: imported "
            f"{origin.imported_utc}, verified again now under key {origin.key}; without alarms "
            "meanwhile, lamps, and what was noted or corrected after its end"
        )
    facts_told = {key: value for key, value in answer.facts.items() if key != "imported"}
    click.echo(pairs(_told(facts_told, display)))
    for step in answer.steps:
        click.echo(f"\n{clean(str(step['step']))}")
        click.echo(pairs(_told({k: v for k, v in step.items() if k != "step"}, display)))


def _told(facts: dict[str, Any], display: Display) -> list[tuple[str, str]]:
    """What is known, and not what is empty."""
    told = []
    for key, value in facts.items():
        if value in (None, [], ""):
            continue
        if key.endswith("_ms"):
            told.append((key.removesuffix("_ms"), _at(value)))
        elif isinstance(value, list):
            told.append((key, clean("; ".join(map(_plainly, value)))))
        else:
            told.append(shown(_UNITS.get(key, key), value, display))
    return told


_UNITS = {
    f"{quantity}_{which}": f"{quantity}_{which}_{unit}"
    for quantity, unit in (("vacuum", "kpa"), ("irradiance", "mw_cm2"), ("oven", "c"))
    for which in ("min", "max", "mean")
}


def _plainly(value: object) -> str:
    if isinstance(value, dict):
        return ", ".join(f"{k} {v}" for k, v in value.items() if v not in (None, ""))
    return str(value)


def _at(at_ms: int) -> str:
    from platelink.ledger.by import from_ms

    return local(from_ms(at_ms))


@click.command()
@click.argument("first")
@click.argument("second")
@facts_option
def compare(
    first: str, second: str, journal: Path | None, facts: Path | None, as_json: bool
) -> None:
    """Show where two plates differ, the greatest differences first.

    Numbers are ranked by how many times the usual spread they are apart, among the newest 100 of
    the same recipe; texts follow."""
    from platelink.facts.compare import compare as compared

    with asked_facts(journal, facts) as (found, _):
        answer = compared(found, first, second)
    if as_json:
        emit(answer)
        return
    print_table(_DIFFERENCES, _differences(answer), "nothing that is known differs")
    click.echo(f"{len(answer.same)} facts are the same")


def _differences(answer: Compared) -> list[list[str]]:
    return [
        [
            one.what,
            _cell(one.first),
            _cell(one.second),
            "" if one.rank is None else f"{one.rank:.1f}",
        ]
        for one in answer.differences
    ]


def _cell(value: str | float | None) -> str:
    return "–" if value is None else f"{value:.6g}" if isinstance(value, float) else value


@click.command()
@click.argument("name")
@click.option("--since", metavar="TIME", callback=moment, required=True,
              help="Wrong from then on.")  # fmt: skip
@click.option("--until", metavar="TIME", callback=moment, help="Right again from then on.")
@click.option("--factor", type=click.FloatRange(min=0, min_open=True),
              help="Its counts are worth so many times what was recorded.")  # fmt: skip
@click.option("--slope", type=click.FloatRange(min=0, min_open=True),
              help="A count is worth so much, mW/cm².")  # fmt: skip
@click.option("--dark", type=float, help="Counts without light, where no run read them itself.")
@click.option("--limit", type=click.IntRange(1, 1000), default=100, show_default=True,
              help="At most so many plates.")  # fmt: skip
@click.option("--record", "why", metavar="WHY",
              help="Write each corrected dose down beside its plate; the reason.")  # fmt: skip
@facts_option
def sensor(  # noqa: PLR0917 -- given by name
    name: str, since: datetime, until: datetime | None, factor: float | None, slope: float | None,
    dark: float | None, limit: int, why: str | None, journal: Path | None, facts: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """List what was read with a sensor of this unit since a time, as 'light 0', and state the doses
    again.

    With --factor, --slope or --dark the doses of a light channel are integrated again from the
    samples. What was recorded stays; --record puts each corrected dose down beside it, as an entry
    of its own that is sealed."""
    from platelink.client import request
    from platelink.contract.facts import AskedSensor
    from platelink.facts.sensor import Corrected, touched

    in_order(since, until)
    given = (factor, slope, dark) != (None, None, None)
    if factor is not None and slope is not None:
        raise click.UsageError("give --factor or --slope, not both")
    if why is not None and (not given or journal is not None):
        raise click.UsageError("--record goes with --factor, --slope or --dark, on the unit itself")
    request(AskedSensor, since=since, factor=factor, slope=slope, dark=dark)
    corrected = Corrected(slope, dark, factor) if given else None
    with asked_facts(journal, facts) as (found, _):
        answer = touched(found.own, name, since, until, corrected=corrected, limit=limit)
    written = restate(answer.doses, f"{name}: {why}") if why is not None else {}
    if as_json:
        emit(answer if why is None else {**answer.model_dump(mode="json"), "recorded": written})
        return
    if corrected is None:
        print_table(
            _COLUMNS, [_row(one) for one in answer.made], f"nothing since was read with {name}"
        )
    else:
        rows = [
            [one.plate, one.step, local(one.began_utc), _mj(one.recorded_mj_cm2),
             _mj(one.corrected_mj_cm2), off_text(one.corrected_off_pct), one.read_with, one.why]
            for one in answer.doses
        ]  # fmt: skip
        print_table(_DOSES, rows, f"no dose since was read with {name}")
    for run_id, refused in written.items():
        click.echo(clean(f"{run_id}: " + (f"not recorded: {refused}" if refused else "recorded")))
    _tell(answer, answer.more)


def _mj(dose: float | None) -> str:
    return "–" if dose is None else f"{dose:.2f} mJ/cm²"


@click.command()
@click.option("--limit", type=click.IntRange(1, 1000), default=30, show_default=True,
              help="At most so many days.")  # fmt: skip
@facts_option
def days(limit: int, journal: Path | None, facts: Path | None, as_json: bool) -> None:
    """Show what was made on this unit on each day (UTC), newest first."""
    with asked_facts(journal, facts) as (found, _):
        answer = found.own.days(limit)
    if as_json:
        emit(answer)
        return
    rows = [
        [one.day, str(one.made), str(one.good), str(one.reject),
         off_text(one.worst_off_pct).removeprefix("+")]
        for one in answer.days
    ]  # fmt: skip
    print_table(_DAYS, rows, "nothing is on record yet")


@click.command()
@click.argument("directory", type=click.Path(path_type=Path, file_okay=False))
@facts_option
def parquet(directory: Path, journal: Path | None, facts: Path | None, as_json: bool) -> None:
    """Write made.parquet and steps.parquet into DIRECTORY, over what is there.

    Needs the extra 'parquet' of this package."""
    from platelink.facts.parquet import NoParquetError, write

    with asked_facts(journal, facts) as (found, _):
        try:
            written = write(found.own, directory)
        except NoParquetError as error:
            raise Failure(str(error)) from None
        except OSError as error:
            raise Failure(f"{directory} cannot be written: {error.strerror}") from error
    if as_json:
        emit(written)
        return
    for name, rows in written.items():
        click.echo(f"{directory / name}: {rows} rows")
