"""The command ``find``: the shop's experiments, reading by reading, and what they tell."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli.context import emit, find_run, journal_option, json_option, opened
from platelink.cli.group import Failure, Lazy, LazyGroup, Misuse
from platelink.cli.quantities import clean
from platelink.cli.typed_reading import asked_reading, toml_of, typed_value

if TYPE_CHECKING:
    from platelink.finding.experiments import Experiment

KINDS = ("wedge", "reciprocity", "depth", "screens", "bed", "washout")
CAUTION = (
    "  ! UV light injures eyes and skin: lid, curtains, interlock stay as the maker made them.\n"
    "    Wet floors and mains do not mix; fresh plates and ovens burn."
)
_file = click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
_kind = click.argument("kind", type=click.Choice(KINDS))


@click.group(
    cls=LazyGroup,
    lazy={
        "example": Lazy("find:example", "Print an example of a kind of experiment."),
        "design": Lazy("find:design", "Which doses to expose."),
        "ask": Lazy("find:ask", "Be asked for readings, and keep each in a file."),
        "tell": Lazy("find:tell", "What the readings of a file tell."),
        "predict": Lazy("find_depth:predict", "Depth of a plate before its wash."),
        "cause": Lazy("find_depth:cause", "Why a plate is not as predicted, or prints badly."),
        "begin": Lazy("find_record:begin", "Begin an experiment in the record."),
        "read": Lazy("find_record:read", "Enter readings of one."),
        "run": Lazy("find_record:run", "Name the runs and plates that belong to one."),
        "correct": Lazy("find_record:correct", "Correct a reading; what was typed stays."),
        "leave": Lazy("find_record:leave", "Leave out a reading, with the reason."),
        "change": Lazy("find_record:change", "Change what one is asked, with the reason."),
        "conclude": Lazy("find_record:conclude", "Record what its readings tell."),
        "list": Lazy("find_record:list_", "List the experiments of the record."),
        "show": Lazy("find_record:show", "Show one in full."),
        "discard": Lazy("find_record:discard", "Discard one; it stays on record."),
    },
)
def find() -> None:
    """Find doses by experiments: wedge, reciprocity, depth, screens, evenness, washout.

    docs/finding.md says what to expose and what to read. The unit's record keeps them from 'begin'
    on; 'ask' and 'tell' work with a file of your own. 'predict' and 'cause' are about plates on
    record. Nothing is applied: what is found is
    proposed, and entered into recipe or configuration by a person."""


@click.command()
@_kind
def example(kind: str) -> None:
    """Print a whole experiment of this KIND; all its values are invented."""
    from importlib.resources import files

    place = files("platelink.finding").joinpath("examples", f"{kind}.toml")
    click.echo(place.read_text(encoding="utf-8"), nl=False)


@click.command()
@click.argument("kind", type=click.Choice(["wedge", "reciprocity", "depth"]))
@click.option("--dose", required=True, help='Dose in the middle, such as "240 mJ/cm2".')
@click.option("--n", type=click.IntRange(2, 100), help="How many exposures, or patches of a strip.")
@json_option
def design(kind: str, dose: str, n: int | None, as_json: bool) -> None:
    """Say which doses to expose for an experiment of this KIND about a dose."""
    from platelink.finding.depth import strip
    from platelink.finding.reciprocity import staggered
    from platelink.units import DOSE

    middle = DOSE.parse(dose)
    doses = strip(middle, n or 8) if kind == "depth" else staggered(middle, n or 5)
    if as_json:
        emit({"doses_mj_cm2": doses})
        return
    each = ", ".join(f"{d:.0f}" for d in doses)
    where = {
        "wedge": "one wedge each",
        "reciprocity": "one wedge each at full light, and the same doses through a mesh of 4 to 1",
        "depth": "one patch each, in chance order, the same strip on two plates",
    }
    click.echo(f"{each} mJ/cm²: {where[kind]}")


@click.command()
@_kind
@_file
def ask(kind: str, file: Path) -> None:
    """Ask for the readings of an experiment of this KIND, and append each to FILE at once.

    An empty answer to the first question ends it; it goes on where the file ends."""
    from platelink.finding.readings import READINGS

    click.echo(CAUTION)
    if file.exists():
        found = _loaded(file)
        if found.kind != kind:
            raise Misuse(f"{file} is an experiment of kind {found.kind}; name another file")
        click.echo(f"continuing {file}: {len(found.reading)} readings so far")
    else:
        _begin(kind, file)
    while True:
        typed = asked_reading(READINGS[kind])
        if typed is None:
            break
        lines = "".join(f"{key} = {toml_of(value)}\n" for key, value in typed.items())
        _append(file, f"\n[[reading]]\n{lines}")
        click.echo(f"kept in {file}")
    click.echo(f"its result:  platelink find tell {file}")


def _begin(kind: str, file: Path) -> None:
    """A new file with its head: keys without a default are asked for."""
    from platelink.finding.experiments import KINDS as MODELS

    lines = ["format = 1", f'kind = "{kind}"']
    for name, field in MODELS[kind].model_fields.items():
        if field.is_required() and name not in ("format", "kind"):
            value = click.prompt(f"{name} ({field.description})")
            lines.append(f"{name} = {toml_of(typed_value(name, value))}")
    text = "\n".join(lines) + "\n"
    _must_load(text, file)
    _append(file, text)


def _append(file: Path, text: str) -> None:
    """At the end of the file, and on the disk before anything else is asked."""
    import os

    try:
        with file.open("a", encoding="utf-8") as out:
            out.write(text)
            out.flush()
            os.fsync(out.fileno())
    except OSError as error:
        raise Failure(f"{file} cannot be written ({error.strerror}); name another place") from None


@click.command()
@_file
@journal_option
@json_option
def tell(file: Path, journal: Path | None, as_json: bool) -> None:
    """Show the result of the experiment in FILE: a dose with its interval, or what is missing."""
    experiment = _loaded(file)
    answer = experiment.told(_dose_of(journal))
    if as_json:
        emit({"kind": experiment.kind, "lines": list(answer.lines), "proposal": answer.proposal,
              "result": answer.result})  # fmt: skip
        return
    for line in answer.lines:
        click.echo(clean(line))
    if answer.proposal:
        click.echo(
            f"\nproposed, to be entered and approved by a person:\n{answer.proposal}", nl=False
        )


def _loaded(file: Path) -> Experiment:
    from platelink.finding.experiments import ExperimentError, loads
    from platelink.forms.problems import read

    missing = "begin with 'platelink find ask KIND FILE'"
    return loads(read(file, missing=missing, kind=ExperimentError), str(file))


def _must_load(text: str, file: Path) -> None:
    from platelink.finding.experiments import loads

    loads(text, str(file))


def _dose_of(journal: Path | None) -> Callable[[str], float]:
    """The dose of a run of the record; the journal is opened where one is asked for."""

    def dose(wanted: str) -> float:
        with opened(journal) as (reader, _):
            run = find_run(reader, wanted).summary
        if run.kind != "expose" or run.state != "complete" or run.dose_mj_cm2 is None:
            raise Misuse(
                f"run {run.run_id} ({run.kind}, {run.state}) has no whole dose; name the run of an "
                "exposure that is complete, or type the dose"
            )
        return run.dose_mj_cm2

    return dose
