"""The command ``replay``: the same inputs once more, through the unit of this release."""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from platelink.cli import complete
from platelink.cli.context import emit, find_run, journal_option, json_option, opened
from platelink.cli.group import Failure

if TYPE_CHECKING:
    from platelink.replay.play import Played

_TOLD = 20
Far = Callable[[int, int], None]


@click.command()
@click.argument("plate", required=False, shell_complete=complete.runs)
@click.option("--all", "everything", is_flag=True, help="All that is on tape.")
@click.option(
    "--since", type=click.DateTime(["%Y-%m-%d", "%Y-%m-%dT%H:%M"]),
    help="With --all: from this day on (UTC).",
)  # fmt: skip
@journal_option
@json_option
def replay(
    plate: str | None, *, everything: bool, since: datetime | None, journal: Path | None,
    as_json: bool,
) -> None:  # fmt: skip
    """Make a PLATE once more from all that came in then: every frame of the device, every act, the
    same settings, through the unit of this release. Every command, event, state and number is
    compared to the bit with what is on record. Exit code 1 when anything comes otherwise.

    With --all before an upgrade: would the new release have made the same plates?"""
    from platelink.replay.play import play_all, play_plate
    from platelink.replay.play import since as tapes_since
    from platelink.tape.files import TapeError, folder_of, tapes

    if (plate is not None) == everything:
        raise click.UsageError("name one PLATE, or give --all.")
    if since is not None and not everything:
        raise click.UsageError("--since goes with --all.")
    with opened(journal) as (reader, _), _progress(as_json) as far:
        there = tapes(folder_of(reader.path))
        begun = time.perf_counter()
        try:
            if plate is not None:
                played = play_plate(find_run(reader, plate), reader, there, far)
            else:
                if since is not None:
                    there = tapes_since(there, since.replace(tzinfo=UTC))
                played = list(play_all(there, reader, far, processes=os.cpu_count() or 1))
        except TapeError as error:
            raise Failure(str(error)) from error
        took_s = time.perf_counter() - begun
    if not played:
        folder = folder_of(reader.path)
        raise Failure(
            f"no tape in {folder}; tapes are in no backup: copy the unit's folder {folder.name} "
            f"to there; how much is kept says [journal] tapes_mb"
        )
    if as_json:
        emit({"same": all(one.same for one in played), "took_s": took_s, "tapes": played})
    else:
        _tell(played, took_s)
    if not all(one.same for one in played):
        click.get_current_context().exit(Failure.exit_code)


@contextmanager
def _progress(as_json: bool) -> Iterator[Far]:
    """How far it is, on a terminal."""
    shown = sys.stderr.isatty() and not as_json

    def far(inputs: int, at_ms: int) -> None:
        if shown:
            click.echo(f"\r{_when(at_ms)}, {inputs:,} inputs", err=True, nl=False)

    yield far
    if shown:
        click.echo("\r" + " " * 60 + "\r", err=True, nl=False)


def _tell(played: Sequence[Played], took_s: float) -> None:
    from platelink import __version__

    for one in played:
        counted = one.counted
        click.echo(
            f"tape {one.tape}{_made(one)}" if one.release else f"tape {one.tape}: not played"
        )
        if counted.removed:
            click.echo(f"  samples of {counted.removed} runs were removed, and are not compared")
        for text in one.problems:
            click.echo(f"  PROBLEM  {text}")
        for found in one.differences[:_TOLD]:
            click.echo(
                f"  {_when(found.at_utc_ms, 'milliseconds')}  {found.what}\n"
                f"    recorded  {found.recorded or 'nothing'}\n"
                f"    now       {found.now or 'nothing'}"
            )
        if len(one.differences) > _TOLD:
            click.echo(f"  and {len(one.differences) - _TOLD} more (--json has all)")
    life_s = sum(one.life_s for one in played)
    pace = f"{took_s:.1f} s ({life_s / took_s:,.0f} times as fast)"
    there = [one for one in played if one.release]
    if not there:
        click.echo("nothing could be played")
        return
    if not all(one.same for one in there):
        told = "does NOT do the same"
    elif len(there) < len(played):
        told = f"does the same, to the bit, in the {len(there)} of {len(played)} that can be played"
    else:
        told = "does the same, to the bit"
    click.echo(f"{life_s / 60.0:,.1f} min of life in {pace}: release {__version__} {told}")


def _made(one: Played) -> str:
    """What was compared."""
    counted = one.counted
    return (
        f", made by release {one.release}: {one.inputs:,} inputs from {_when(one.began_ms)} to "
        f"{_when(one.until_ms)}\n  {counted.runs} runs, {counted.events:,} events, "
        f"{counted.samples:,} samples, {counted.commands:,} commands, {counted.states:,} states: "
        + ("the same" if one.same else "NOT the same")
    )


def _when(at_ms: int, spec: str = "seconds") -> str:
    return (
        datetime.fromtimestamp(at_ms / 1000.0, UTC).isoformat(" ", spec).replace("+00:00", " UTC")
    )
