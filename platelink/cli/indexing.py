"""The command ``index``, which keeps the facts that questions are answered from."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from platelink.cli.asking import facts_option
from platelink.cli.context import emit, opened
from platelink.cli.filters import no_courses


@click.command()
@click.option("--anew", is_flag=True, help="Make it from the first entry on.")
@click.option("--verify", "whole", is_flag=True, help="Look at all of it first.")
@facts_option
def index(journal: Path | None, facts: Path | None, anew: bool, whole: bool, as_json: bool) -> None:
    """Bring the facts beside the journal up to date; every question does it by itself.

    They follow from the journal: a file that is lost, damaged or another journal's is rebuilt. So
    do those of imported records from these, in a file of their own."""
    from platelink.evidence.imported_facts import bring_up_imported
    from platelink.facts.build import bring_up, facts_beside, facts_of
    from platelink.facts.rows import courses_removed
    from platelink.facts.workers import cores

    with opened(journal) as (reader, _):
        path = facts or facts_beside(reader.path)
        progress: Callable[[int, int], None] = (
            (lambda *_: None)
            if as_json
            else lambda at, of: click.echo(f"entry {at} of {of}", err=True)
        )
        done = bring_up(reader, path, anew=anew, whole=whole, progress=progress, processes=cores())
        with facts_of(reader, path) as db:
            gone = courses_removed(db)
        others = bring_up_imported(reader.path, path, anew=anew, whole=whole)
    if as_json:
        told: dict[str, Any] = {
            "facts": str(path),
            "entries": done.entries,
            "made": done.made,
            "anew": done.anew,
            "courses_removed": gone,
        }
        if others is not None:
            beside, brought = others
            told["imported"] = {"facts": str(beside), "records": brought.entries,
                                "made": brought.made, "anew": brought.anew}  # fmt: skip
        emit(told)
        return
    if done.anew:
        click.echo(f"rebuilt: {done.anew}")
    click.echo(f"{path}: {done.entries} entries taken up, {done.made} plates and runs")
    if gone:
        click.echo(no_courses(gone))
    if others is not None:
        beside, brought = others
        click.echo(f"{beside}: {brought.entries} imported records taken up, {brought.made} of them "
                   "to be asked")  # fmt: skip
