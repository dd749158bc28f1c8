"""The command ``doctor``: what was found, and what to do, as text."""

from __future__ import annotations

from pathlib import Path

import click

from platelink.cli.context import PLACES, asked_config, emit, json_option
from platelink.cli.group import Failure
from platelink.doctor.examine import examine, without_configuration
from platelink.doctor.findings import Finding

_MARKS = {"ok": "ok", "notice": "notice", "wrong": "WRONG", "unknown": "unknown"}


@click.command()
@click.option("--recorder", is_flag=True, help="This machine runs only the recorder.")
@click.option("--quick", is_flag=True, help="Do not read the whole journal.")
@click.option(
    "--repair",
    "damaged",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Copy what is sound in this damaged file, and look at nothing else.",
)
@click.option(
    "--to",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Where to; left out: beside it, as FILE.repaired.",
)
@json_option
def doctor(
    recorder: bool, quick: bool, damaged: Path | None, to: Path | None, as_json: bool
) -> None:
    """Look at port, device, clock, journal, disk, broker and store, and say what to do.

    Where no daemon runs the port is opened for a few seconds to hear the device. Exit code 1 when
    something is wrong."""
    if damaged is not None:
        _repair(damaged, to, as_json)
        return
    found: list[Finding] = []
    path = asked_config()
    for finding in (
        without_configuration(PLACES)
        if path is None
        else examine(path, recorder=recorder, quick=quick)
    ):
        found.append(finding)
        if not as_json:
            click.echo(text_of(finding))
    wrong = sum(finding.health == "wrong" for finding in found)
    if as_json:
        emit({"ok": not wrong, "findings": found})
    else:
        click.echo(last_word(found))
    if wrong:
        click.get_current_context().exit(Failure.exit_code)


def _repair(damaged: Path, to: Path | None, as_json: bool) -> None:
    from platelink.doctor.repair import repair

    made = repair(damaged, to)
    if as_json:
        emit({"kind": made.kind, "file": str(made.target), "tables": {
            table: {"copied": copied, "lost": made.found.lost[table]}
            for table, copied in made.found.copied.items()
        }})  # fmt: skip
        return
    click.echo(f"{made.target}: {made.kind}, what is sound of {damaged}")
    for table, copied in made.found.copied.items():
        lost = made.found.lost[table]
        click.echo(f"  {table:<12} {copied} copied{f', {lost} LOST' if lost else ''}")
    click.echo(
        "keep the damaged file. A backup has more of what is lost: compare. To use the copy, end "
        f"what writes the file, move {damaged} away with what lies beside it, and put the copy in "
        "its place"
    )


def last_word(found: list[Finding]) -> str:
    """How much is wrong, and what to do next: the cause comes before what follows from it."""
    wrong = [finding for finding in found if finding.health == "wrong"]
    noticed = [finding for finding in found if finding.health == "notice"]
    said = f"wrong: {len(wrong)} of {len(found)}" if wrong else "nothing is wrong"
    first = next((one for one in (*wrong, *noticed) if one.advice), None)
    if wrong and (first is None or first.health != "wrong"):
        return f"{said}; next: {wrong[0].subject}: {wrong[0].measured}"
    if first:
        return f"{said}; next: {first.subject}: {first.advice}"
    runs = any(f.subject == "daemon" and f.health == "ok" for f in found)
    return f"{said}; next: {'platelink plate make RECIPE' if runs else 'platelink serve'}"


def text_of(finding: Finding) -> str:
    """A finding as one line, and what to do below it."""
    lines = [f"{_MARKS.get(finding.health, '-'):<8} {finding.subject:<10} {finding.measured}"]
    if finding.limit and finding.health != "ok":
        lines.append(f"{'':<19} limit: {finding.limit}")
    if finding.advice:
        lines.append(f"{'':<19} do: {finding.advice}")
    return "\n".join(lines)
