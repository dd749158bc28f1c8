"""The command ``export``: a run, or a plate with all its runs, for other programs."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli import complete
from platelink.cli.context import journal_option
from platelink.cli.group import Failure
from platelink.cli.importing import found_run
from platelink.record.export import plate_to_json, run_document, run_to_csv, run_to_json

if TYPE_CHECKING:
    from platelink.record.reader import JournalReader
    from platelink.record.stored import RunRecord


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
    type=click.Path(path_type=Path),
    help="Write this file, over one that is there. Without it: standard output. Of a plate as CSV: "
    "the folder; without it, one of the plate's name here.",
)
@journal_option
def export(run: str, form: str, output: Path | None, journal: Path | None) -> None:
    """Write a run as CSV or JSON, for other programs.

    RUN is its id, the beginning of it, a plate's name, or 'last'. Of a plate all its exposures and
    bakes are written: as JSON in one file, as CSV into a folder, which gets a file for each and
    plate.json with the plate itself, its notes and corrections. Values are in platelink's own
    units, which the files name."""
    with found_run(journal, run) as whose:
        reader, found = whose.reader, whose.run
        if whose.imported is not None:
            click.echo(whose.whose, err=True)
        run_id = found.start.run_id
        if found.start.run_kind == "plate":
            _export_plate(reader, found, form, output)
            return
        samples = reader.samples(run_id)
        if found.removed is not None:
            if form == "csv":
                raise Failure(f"{run_id}: {found.removed.text}; --format json has the rest")
            click.echo(f"{run_id}: {found.removed.text}", err=True)
        if form == "csv":
            text = run_to_csv(found, samples)
        else:
            text = run_to_json(found, reader.events(run_id), samples, indent=1) + "\n"
    _out(output, text, f"run {run_id}, {len(samples)} samples")


def _out(output: Path | None, text: str, what: str) -> None:
    if output is None or str(output) == "-":
        click.echo(text, nl=False)
        return
    _write(output, text)
    click.echo(f"{output}: {what}", err=True)


def _export_plate(reader: JournalReader, plate: RunRecord, form: str, output: Path | None) -> None:
    name, parts = plate.start.run_id, reader.parts(plate.start.run_id)
    documents = [
        run_document(run, reader.events(run.start.run_id), reader.samples(run.start.run_id))
        for run in (plate, *parts)
    ]
    if form == "json":
        text = plate_to_json(documents[0], documents[1:], indent=1) + "\n"
        _out(output, text, f"plate {name}, {len(parts)} exposures and bakes")
        return
    if str(output) == "-":
        raise click.UsageError("a plate as CSV is a folder of files: name one with --output.")
    folder = output or Path(name)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise Failure(
            f"{folder} cannot be made: {error.strerror}; name another folder with --output"
        ) from error
    _write(folder / "plate.json", plate_to_json(documents[0], [], indent=1) + "\n")
    for run in parts:
        run_id = run.start.run_id
        if run.removed is not None:
            click.echo(f"{run_id}: {run.removed.text}", err=True)
            continue
        _write(folder / f"{run_id}.csv", run_to_csv(run, reader.samples(run_id)))
    click.echo(f"{folder}: plate {name}, {len(parts)} exposures and bakes", err=True)


def _write(path: Path, text: str) -> None:
    """All of it or nothing: a file half written on a full disk must not pass for a run. What is no
    file, as a device or a pipe, stays what it is."""
    from platelink.ledger.private import opener

    part = path.with_name(f".{path.name}.{os.getpid()}")
    if path.is_dir():
        raise Failure(f"{path} is a folder; name a file with --output")
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
