"""Views of the record: history with its search, and one plate or run."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime, time, timedelta
from typing import Any
from urllib.parse import urlencode

from pydantic import ValidationError
from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platelink.contract.base import Answer, Json
from platelink.contract.plates import ContactBand
from platelink.contract.predicted import DepthPredicted
from platelink.contract.runs import Events, Run, Runs, RunWhole
from platelink.contract.story import RunStory
from platelink.contract.uncertainty import FEW_PCT, LEAST_DOUBT_MJ_CM2, uncertainty_in
from platelink.web.service import ServiceSays, get, part
from platelink.web.show import show
from platelink.web.words import ALARMS

PAGE = 100
FILTERS = (
    "state",
    "lot",
    "film",
    "recipe",
    "alarm",
    "verdict",
    "person",
    "screen",
    "since",
    "until",
)
PLATES, RUNS = "plates", "runs"
OVER_CHOICES = 20
"""Newest runs of the same step that are offered to be laid over one."""
MOST_PRINTED = 24
"""Events of a run that are printed."""


async def history(request: Request) -> Response:
    """Plates or runs, newest first. A search with one hit opens it: a scanner ends in Enter."""
    query = request.query_params
    search = query.get("search", "").strip()
    what = RUNS if query.get("what") == RUNS else PLATES
    filters = {name: query.get(name, "").strip() for name in FILTERS}
    rows, more = await _listed(request, what, search, filters)
    found = one_hit([row.run_id for row in rows], search)
    if search and not rows and what == PLATES:  # a run's own name, or a job exposed without a plate
        what = RUNS
        rows, more = await _listed(request, what, search, filters)
        found = one_hit([row.run_id for row in rows], search)
    if found is not None:
        return RedirectResponse(f"/records/{part(found)}", 303)
    return await show(
        request, "history.html", rows=rows, more=more, search=search, what=what, filters=filters,
        narrowed=sum(map(bool, filters.values())), table=_table(what, search, filters),
        alarm_names=ALARMS,
    )  # fmt: skip


def _asked(what: str, search: str, filters: dict[str, str]) -> dict[str, Any]:
    """What the service is asked for."""
    days = {name: moment_of(filters[name], end=name == "until") for name in ("since", "until")}
    step = "plate" if what == PLATES else None
    return {**filters, **days, "search": search, "step": step}


def _table(what: str, search: str, filters: dict[str, str]) -> str:
    """The query of all that is found as a file."""
    asked = _asked(what, search, filters)
    return urlencode({name: value for name, value in asked.items() if value})


async def _listed(
    request: Request, what: str, search: str, filters: dict[str, str]
) -> tuple[list[Run], bool]:
    found = await get(request, Runs, "/v1/runs", limit=PAGE, **_asked(what, search, filters))
    return found.runs, found.more


def moment_of(day: str, *, end: bool = False) -> str | None:
    """The beginning of a day here, or its end, as the service takes it; None for no day."""
    try:
        at = date.fromisoformat(day) + timedelta(days=1 if end else 0)
    except (ValueError, OverflowError):
        return None
    return datetime.combine(at, time()).astimezone().isoformat()


def one_hit(ids: list[str], search: str) -> str | None:
    """The run that a search means: the one of exactly this name, or the only one."""
    if not search:
        return None
    exact = [run for run in ids if run.casefold() == search.casefold()]
    if len(exact) == 1:
        return exact[0]
    return ids[0] if len(ids) == 1 else None


async def record(request: Request) -> Response:
    """One plate with its steps and runs, or one run; with curves and events."""
    name = part(request.path_params["run"])
    run, events, story = await asyncio.gather(
        get(request, RunWhole, f"/v1/runs/{name}"),
        get(request, Events, f"/v1/runs/{name}/events"),
        get(request, RunStory, f"/v1/runs/{name}/story"),
    )
    over = request.query_params.get("over", "")
    plate, choices, over_runs, depth = await asyncio.gather(
        _plate_of(request, run), _choices(request, run), _over(request, run, over),
        _depth(request, run),
    )  # fmt: skip
    return await show(
        request,
        "record.html",
        run=run,
        events=events,
        story=story,
        depth=depth,
        over=over,
        over_choices=choices,
        over_runs=over_runs,
        most_printed=MOST_PRINTED,
        printed_utc=datetime.now(UTC).isoformat(),
        budget=uncertainty_in(run.data),
        few_pct=FEW_PCT,
        least_doubt=LEAST_DOUBT_MJ_CM2,
        recipe_steps=steps_of(plate.request),
        limits=limits_of,
    )


async def _depth(request: Request, run: RunWhole) -> DepthPredicted | None:
    """As it was to be expected of a plate before its wash; the record is shown without it, too."""
    if run.kind != "plate":
        return None
    try:
        return await get(request, DepthPredicted, f"/v1/plates/{part(run.run_id)}/depth")
    except ServiceSays:
        return None


async def _choices(request: Request, run: RunWhole) -> list[Run]:
    """Newest ones of the same step, and of the same recipe if it has one."""
    recipe = (run.recipe or "").partition("@")[0]
    found = await get(
        request, Runs, "/v1/runs", step=run.step, recipe=recipe, limit=OVER_CHOICES + 1
    )
    return [one for one in found.runs if one.run_id != run.run_id and one.state != "open"]


async def _over(request: Request, run: RunWhole, other: str) -> dict[str, str]:
    """Which run lies over the one of each step; of another plate the one of the same step."""
    if not other:
        return {}
    try:
        found = await get(request, RunWhole, f"/v1/runs/{part(other)}")
    except ServiceSays:
        return {}
    if run.kind != "plate":
        return {run.step: found.run_id}
    return {one.step: one.run_id for one in sorted(found.parts, key=lambda one: one.begun_utc)}


async def _plate_of(request: Request, run: RunWhole) -> RunWhole:
    """The plate that a run belongs to, else the run itself: where the recipe stands."""
    if not run.plate or run.plate == run.run_id:
        return run
    try:
        return await get(request, RunWhole, f"/v1/runs/{part(run.plate)}")
    except ServiceSays:  # a plate in name only, as the command line may give one
        return run


class Bands(Answer):
    """What of a recipe's step, or of a run's request, its curves are drawn within."""

    name: str = ""
    kind: str = ""
    contact: ContactBand | bool | None = None
    low_c: float | None = None
    high_c: float | None = None


def bands(values: object) -> Bands:
    """Those of a step or a request; none where another release wrote it otherwise."""
    try:
        return Bands.model_validate(values)
    except ValidationError:
        return Bands()


def steps_of(request: Json) -> dict[str, Bands]:
    """The steps of a plate's recipe by name; empty for the request of another run."""
    recipe = request.get("recipe")
    steps = recipe.get("step") if isinstance(recipe, dict) else None
    found = map(bands, steps if isinstance(steps, list) else ())
    return {step.name: step for step in found}


def limits_of(request: Json, step: Bands | None) -> dict[str, str]:
    """Bands that the curves of a run are drawn with, as ``low,high`` in platelink's own units."""
    wanted, step = bands(request), step or Bands()
    contact = step.contact or wanted.contact
    oven = step if step.kind == "bake" else wanted
    found = {}
    if isinstance(contact, ContactBand) and contact.low_kpa is not None:
        found["contact"] = f"{contact.low_kpa},{contact.high_kpa}"
    if oven.low_c is not None and oven.high_c is not None:
        found["oven"] = f"{oven.low_c},{oven.high_c}"
    return found
