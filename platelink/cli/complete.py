"""Names of what there is, for completion in the shell. Whatever is wrong completes to nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from platelink.client import Client

    Complete = Callable[[click.Context, click.Parameter, str], list[str]]

MOST = 50
"""More names than anyone reads."""


def _of(ask: Callable[[Client], Iterable[str]]) -> Complete:
    def complete(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[str]:
        from platelink.cli.context import service

        try:
            with ctx.scope(cleanup=False), service() as client:
                return [name for name in ask(client) if name.startswith(incomplete)][:MOST]
        except Exception:  # a traceback in the middle of typing helps nobody
            return []

    return complete


def _every_plate(client: Client) -> list[str]:
    found = client.plates()
    return [*(p.plate for p in found.in_flight), *(p.plate for p in found.on_record)]


in_flight = _of(lambda client: [plate.plate for plate in client.plates().in_flight])
plates = _of(_every_plate)
recipes = _of(lambda client: [recipe.recipe for recipe in client.recipes()])
revisions = _of(lambda client: [revision.name for revision in client.recipes(every=True)])
lots = _of(lambda client: [lot.name for lot in client.stock.lots()])
screens = _of(lambda client: [screen.name for screen in client.stock.screens()])
films = _of(lambda client: [film.name for film in client.stock.films()])
items = _of(
    lambda client: [one.name for one in client.stock.items() if one.reset_by != "calibration"]
)
calibrations = _of(lambda client: [one.name for one in client.calibrations()])
experiments = _of(lambda client: [one.name for one in client.experiments()])
runs = _of(lambda client: ["last", *(run.run_id for run in client.runs().runs)])
