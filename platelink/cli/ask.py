"""The command ``ask``: its table of questions."""

from __future__ import annotations

import click

from platelink.cli.group import Lazy, LazyGroup


@click.group(
    cls=LazyGroup,
    lazy={
        "plates": Lazy("asking:plates", "Which plates and runs, by all that is known of them."),
        "plate": Lazy("asking:plate", "Everything about one, at once."),
        "compare": Lazy("asking:compare", "Two side by side, the greatest differences first."),
        "sensor": Lazy("asking:sensor", "What a sensor touches if it was wrong."),
        "days": Lazy("asking:days", "What was made on each day."),
        "parquet": Lazy("asking:parquet", "Write the facts as Parquet files, for other tools."),
    },
)
def ask() -> None:
    """Ask the record. Answers come from the facts beside the journal, brought up first."""
