"""Experiments in the unit's record, from the command line: begun, read, corrected, concluded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from platelink.cli import complete
from platelink.cli.context import emit, json_option, service
from platelink.cli.find import CAUTION, KINDS
from platelink.cli.group import Misuse
from platelink.cli.quantities import clean
from platelink.cli.stock import why_option
from platelink.cli.tables import Column, local, pairs, print_table
from platelink.cli.typed_reading import asked_reading, pairs_of

if TYPE_CHECKING:
    from platelink.contract.experiments import AtExperiment, Experiment, ReadingNow

_TABLE = (
    Column("EXPERIMENT"),
    Column("NOW", least=8),
    Column("BEGUN"),
    Column("BY", least=6, spare=2),
    Column("READINGS", right=True, spare=1),
    Column("RESULT", least=20),
)
_name = click.argument("name", shell_complete=complete.experiments)
_values = click.argument("values", nargs=-1, metavar="[KEY=VALUE]...")


@click.command()
@click.argument("kind", type=click.Choice(KINDS))
@_values
@json_option
def begin(kind: str, values: tuple[str, ...], as_json: bool) -> None:
    """Begin an experiment of this KIND, with the keys of its kind, such as 'target_um=27'."""
    from platelink.client import request
    from platelink.contract.experiments import NewExperiment

    of: Any = kind
    new = request(NewExperiment, kind=of, head=pairs_of(values))
    with service() as client:
        made = client.begin_experiment(new)
    if as_json:
        emit(made)
        return
    click.echo(CAUTION)
    click.echo(f"{made.name} has begun; its readings:  platelink find read {made.name}")


@click.command()
@_name
@_values
@json_option
def read(name: str, values: tuple[str, ...], as_json: bool) -> None:
    """Enter a reading of the experiment NAME, such as 'dose_mj_cm2=408 mJ/cm2' held=5 washed=6.

    Without values it asks for readings, and records each at once; an empty answer to the first
    question ends it."""
    from platelink.client import ClientError, request
    from platelink.contract.experiments import ReadingTaken
    from platelink.finding.readings import READINGS

    with service() as client:
        if values:
            made = client.at_experiment(name, request(ReadingTaken, reading=pairs_of(values)))
            _told(made, _count(made), as_json=as_json)
            return
        if as_json:
            raise Misuse("--json needs the values of one reading, as KEY=VALUE")
        made = client.experiment(name)
        click.echo(CAUTION)
        click.echo(f"{name}: {_count(made)} so far")
        while (typed := asked_reading(READINGS[made.kind])) is not None:
            try:
                made = client.at_experiment(name, request(ReadingTaken, reading=typed))
            except ClientError as error:
                if error.kind != "refused":
                    raise
                click.echo(clean(f"  {error}; once more"))
                continue
            click.echo(f"recorded: {_count(made)}")
    click.echo(f"its result:  platelink find conclude {name}")


def _count(made: Experiment) -> str:
    return f"{made.readings} reading{'' if made.readings == 1 else 's'}"


def _told(made: Experiment, done: str, *, as_json: bool) -> None:
    if as_json:
        emit(made)
    else:
        click.echo(clean(f"{made.name}: {done}"))


def _act(name: str, what: AtExperiment, done: str, *, as_json: bool) -> None:
    with service() as client:
        made = client.at_experiment(name, what)
    _told(made, done, as_json=as_json)


@click.command()
@_name
@click.argument("number", type=click.IntRange(1))
@_values
@why_option(required=True)
@json_option
def correct(name: str, number: int, values: tuple[str, ...], why: str, as_json: bool) -> None:
    """Correct values of reading NUMBER of the experiment NAME; what was typed stays on record."""
    from platelink.client import request
    from platelink.contract.experiments import ReadingCorrected

    given = pairs_of(values)
    if not given:
        raise Misuse("say what is corrected, as KEY=VALUE")
    with service() as client:
        typed = {one.number: one.typed for one in client.experiment(name).reading}
        merged = typed.get(number, {}) | given
        whole = {key: value for key, value in merged.items() if value is not None}
        what = request(ReadingCorrected, number=number, reading=whole, why=why)
        made = client.at_experiment(name, what)
    _told(made, f"reading {number} is corrected", as_json=as_json)


@click.command()
@_name
@click.argument("number", type=click.IntRange(1))
@why_option(required=True)
@json_option
def leave(name: str, number: int, why: str, as_json: bool) -> None:
    """Leave out reading NUMBER of the experiment NAME; it stays on record, with the reason."""
    from platelink.client import request
    from platelink.contract.experiments import ReadingLeftOut

    what = request(ReadingLeftOut, number=number, why=why)
    _act(name, what, f"reading {number} is left out", as_json=as_json)


@click.command()
@_name
@_values
@why_option(required=True)
@json_option
def change(name: str, values: tuple[str, ...], why: str, as_json: bool) -> None:
    """Change keys of the experiment NAME, such as 'target_um=28'."""
    from platelink.client import request
    from platelink.contract.experiments import HeadChanged

    what = request(HeadChanged, head=pairs_of(values), why=why)
    _act(name, what, "changed", as_json=as_json)


@click.command()
@_name
@click.argument("run", shell_complete=complete.runs)
@click.option("--off", is_flag=True, help="It does not belong to it after all; needs --why.")
@why_option(required=False)
@json_option
def run(name: str, run: str, off: bool, why: str, as_json: bool) -> None:
    """Record that a RUN or plate belongs to the experiment NAME."""
    from platelink.client import request
    from platelink.contract.experiments import RunNamed, RunTakenOff

    if off:
        _act(name, request(RunTakenOff, run=run, why=why), f"without {run}", as_json=as_json)
    else:
        _act(name, request(RunNamed, run=run), f"with {run}", as_json=as_json)


@click.command()
@_name
@json_option
def conclude(name: str, as_json: bool) -> None:
    """Record what the readings of the experiment NAME tell; nothing is applied.

    Exit code 1 where they cannot tell. Readings may follow, and another conclusion."""
    from platelink.client import request
    from platelink.contract.experiments import ExperimentConcluded

    with service() as client:
        made = client.at_experiment(name, request(ExperimentConcluded))
    assert made.conclusion is not None
    if as_json:
        emit(made)
    else:
        _print_conclusion(made)
    if not made.conclusion.told:
        raise SystemExit(1)


def _print_conclusion(made: Experiment) -> None:
    told = made.conclusion
    if told is None:
        return
    for line in told.lines:
        click.echo(clean(line))
    if told.ahead and told.ahead not in told.lines:
        click.echo(clean(f"next: {told.ahead}"))
    if told.proposal:
        click.echo(
            f"\nproposed, to be entered and approved by a person:\n{told.proposal}", nl=False
        )


@click.command("list")
@click.option("--kind", type=click.Choice(KINDS), help="Of this kind alone.")
@json_option
def list_(kind: str | None, as_json: bool) -> None:
    """List all experiments of the record, in the order they were begun."""
    with service() as client:
        found = [one for one in client.experiments() if kind in (None, one.kind)]
    if as_json:
        emit({"experiments": found})
        return
    rows = [
        [one.name, one.stage, local(one.begun_utc), one.begun_by, str(one.readings),
         "" if one.conclusion is None else one.conclusion.text]
        for one in found
    ]  # fmt: skip
    print_table(_TABLE, rows, "none yet; start with: platelink find begin wedge")


@click.command()
@_name
@json_option
def show(name: str, as_json: bool) -> None:
    """Show the experiment NAME: its readings, what it came to, who did what."""
    with service() as client:
        whole = client.experiment(name)
    if as_json:
        emit(whole)
        return
    click.echo(f"experiment {whole.name}: {whole.stage}")
    facts = [(key, clean(_shown(value))) for key, value in whole.head.items() if value is not None]
    facts += [("run", clean(one)) for one in whole.runs]
    click.echo(pairs(facts) if facts else "")
    for one in whole.reading:
        click.echo(clean(f"  {_reading(one)}"))
    if whole.conclusion is not None:
        told = whole.conclusion
        of = ", ".join(map(str, told.readings)) or "none"
        since = "" if whole.stage != "reading" else "; entered since: conclude it again"
        click.echo(clean(f"\nconcluded {local(told.at_utc)} by {told.who}, of readings {of}, "
                         f"fit {told.fit}, platelink {told.platelink}{since}"))  # fmt: skip
        _print_conclusion(whole)
    click.echo()
    for step in whole.history:
        why = f": {step.why}" if step.why else ""
        click.echo(clean(f"{local(step.at_utc)}  {step.act} by {step.who}{why}"))


def _shown(value: Any) -> str:
    return " ".join(map(str, value)) if isinstance(value, list) else str(value)


def _reading(one: ReadingNow) -> str:
    values = ", ".join(f"{key} {_shown(value)}" for key, value in one.typed.items())
    dose = "" if one.dose_mj_cm2 is None else f", dose of the run {one.dose_mj_cm2:.1f} mJ/cm²"
    if one.dose_now_mj_cm2 is not None:
        dose += f" (the record corrected it to {one.dose_now_mj_cm2:.1f}: conclude again)"
    marks = "; corrected" if one.corrected else ""
    marks += f"; left out: {one.left_out}" if one.left_out is not None else ""
    return f"{one.number}: {values}{dose}{marks}"


@click.command()
@_name
@why_option(required=True)
@json_option
def discard(name: str, why: str, as_json: bool) -> None:
    """Discard the experiment NAME. It stays on record."""
    from platelink.client import request
    from platelink.contract.experiments import ExperimentDropped

    _act(name, request(ExperimentDropped, why=why), "discarded; it stays on record",
         as_json=as_json)  # fmt: skip
