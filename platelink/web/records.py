"""Views of the record: history with its search, and one plate or run."""

from __future__ import annotations

import asyncio
from datetime import date, datetime, time, timedelta
from typing import Any

from starlette.requests import Request
from starlette.responses import RedirectResponse, Response

from platelink.web.service import Document, ServiceSays, get, part
from platelink.web.show import show

PAGE = 100
FILTERS = ("state", "since", "until")
PLATES, RUNS = "plates", "runs"
BAKE_BAND = ("low_c", "high_c")


async def history(request: Request) -> Response:
    """Plates or runs, newest first. A search with one hit opens it: a scanner ends in Enter."""
    query = request.query_params
    search = query.get("search", "").strip()
    what = RUNS if query.get("what") == RUNS else PLATES
    filters = {name: query.get(name, "") for name in FILTERS}
    rows, more = await _listed(request, what, search, filters)
    found = one_hit(rows, search)
    if search and not rows and what == PLATES:  # a run's own name, or a job exposed without a plate
        what = RUNS
        rows, more = await _listed(request, what, search, filters)
        found = one_hit(rows, search)
    if found is not None:
        return RedirectResponse(f"/records/{part(found)}", 303)
    return await show(
        request, "history.html", rows=rows, more=more, search=search, what=what, filters=filters
    )


async def _listed(
    request: Request, what: str, search: str, filters: dict[str, str]
) -> tuple[list[Document], bool]:
    days = {name: moment_of(filters[name], end=name == "until") for name in ("since", "until")}
    step = "plate" if what == PLATES else None
    found = await get(
        request, "/v1/runs", search=search, step=step, state=filters["state"], limit=PAGE, **days
    )
    return found["runs"], found["more"]


def moment_of(day: str, *, end: bool = False) -> str | None:
    """The beginning of a day here, or its end, as the service takes it; None for no day."""
    try:
        at = date.fromisoformat(day) + timedelta(days=1 if end else 0)
    except (ValueError, OverflowError):
        return None
    return datetime.combine(at, time()).astimezone().isoformat()


def one_hit(rows: list[Document], search: str) -> str | None:
    """The run that a search means: the one of exactly this name, or the only one."""
    if not search:
        return None
    ids = [str(row["run_id"]) for row in rows]
    exact = [run for run in ids if run.casefold() == search.casefold()]
    if len(exact) == 1:
        return exact[0]
    return ids[0] if len(ids) == 1 else None


async def record(request: Request) -> Response:
    """One plate with its steps and runs, or one run; with curves and events."""
    name = part(request.path_params["run"])
    run, events = await asyncio.gather(
        get(request, f"/v1/runs/{name}"), get(request, f"/v1/runs/{name}/events")
    )
    return await show(
        request,
        "record.html",
        run=run,
        events=events,
        recipe_steps=steps_of(await _plate_of(request, run)),
        limits=limits_of,
    )


async def _plate_of(request: Request, run: Document) -> Document:
    """The plate that a run belongs to, else the run itself: where the recipe stands."""
    plate = run.get("plate")
    if not plate or plate == run["run_id"]:
        return run
    try:
        found: Document = await get(request, f"/v1/runs/{part(plate)}")
    except ServiceSays:  # a plate in name only, as the command line may give one
        return run
    return found


def steps_of(run: Document) -> dict[str, Document]:
    """The steps of a plate's recipe by name; empty for another run."""
    recipe: Any = (run.get("request") or {}).get("recipe")
    steps = recipe.get("step", []) if isinstance(recipe, dict) else []
    return {str(step.get("name")): step for step in steps}


def limits_of(run: Document, step: Document) -> dict[str, str]:
    """Bands that the curves of a run are drawn with, as ``low,high`` in platelink's own units."""
    request = run.get("request") or {}
    contact = step.get("contact") or request.get("contact")
    oven = step if step.get("kind") == "bake" else request
    found = {}
    if isinstance(contact, dict) and contact.get("low_kpa") is not None:
        found["contact"] = f"{contact['low_kpa']},{contact['high_kpa']}"
    if all(isinstance(oven.get(name), int | float) for name in BAKE_BAND):
        found["oven"] = f"{oven['low_c']},{oven['high_c']}"
    return found
