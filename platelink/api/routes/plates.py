"""Plates: those in flight, and those on record."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Any, Literal

from fastapi import APIRouter, Query
from fastapi.concurrency import run_in_threadpool

from platelink.api import shapes
from platelink.api.bodies import ActBody, PlateBody
from platelink.api.context import Asking, Context, Here, must
from platelink.api.errors import ApiError
from platelink.api.making import Making, count_uses, looked_up, refuse_blocked
from platelink.api.routes.runs import Page, run_line, search_runs
from platelink.api.shapes import told
from platelink.api.stores import journal, reading, writing
from platelink.api.views import findings_view
from platelink.api.who import Who
from platelink.people.rights import Right
from platelink.record.reader import RunRecord
from platelink.runs import EndState

router = APIRouter(tags=["plates"])
Line = dict[str, Any]
State = EndState | Literal["in flight"]


class PlateAct(StrEnum):
    """What can be done to a plate."""

    BEGIN = "begin"
    DONE = "done"
    MEASURE = "measure"
    HOLD = "hold"
    RESTART = "restart"
    STOP = "stop"
    ABORT = "abort"
    SKIP = "skip"


class PlatesQuery(Page):
    """Which plates are wanted."""

    state: State | None = None


@router.get("/v1/plates", responses=told(shapes.Plates))
async def plates(here: Here, query: Annotated[PlatesQuery, Query()]) -> Line:
    """Plates in flight, whole, and those on record, newest first."""
    shown: list[Line] = []
    known = await _in_flight(here)
    if query.state in (None, "in flight"):
        words = (query.search or "").casefold()
        shown = [plate for plate in known if words in _texts(plate)]
    recorded: list[Line] = []
    if query.state != "in flight":
        recorded = await run_in_threadpool(_on_record, here, query)
    flying = {plate["plate"] for plate in known}
    return {
        "in_flight": shown,
        "on_record": [plate for plate in recorded if plate["plate"] not in flying],
    }


async def _in_flight(here: Context) -> list[Line]:
    if here.hub.alone:
        return []
    found: list[Line] = (await here.daemon.ask("plates"))["plates"]
    return found


def _texts(plate: Line) -> str:
    names = ("plate", "recipe", "title", "job", "lot", "by", "note")
    return "\n".join(str(plate[name]) for name in names if plate.get(name)).casefold()


def _on_record(here: Context, query: PlatesQuery) -> list[Line]:
    wanted: Line = {"step": "plate", "state": query.state}
    try:
        with journal(here) as reader:
            found = search_runs(reader, wanted, query.search, query.limit)
    except ApiError:
        if not here.settings.journal.exists():  # nothing was recorded yet
            return []
        raise
    return [_record_line(run) for run in found]


def _record_line(run: RunRecord) -> Line:
    data = run.end.data if run.end else {}
    return {"plate": run.start.run_id, **run_line(run), "request": _asked(run), "data": data}


def _asked(run: RunRecord) -> Line:
    """The request without the whole recipe."""
    return {k: v for k, v in run.start.request.items() if not isinstance(v, dict | list)}


@router.post("/v1/plates", responses=told(shapes.PlateMade))
async def make_plate(body: PlateBody, here: Here, who: Asking) -> Line:
    """Take up a plate. A draft recipe takes the right to approve it."""
    making = await run_in_threadpool(_looked_up, here, body)
    refuse_blocked(making)
    if making.revision.state == "draft":
        must(who, Right.SIGN_RECIPES)
    asked = {
        **{k: v for k, v in body.given().items() if v is not None},
        "recipe": making.recipe.content(),
        "revision": making.revision.name,
        "findings": [finding.text for finding in making.findings],
    }
    told = await here.daemon.ask("plate_make", plate=asked, who=who.name, role=who.role)
    notices = await run_in_threadpool(_counted, here, making, body, str(told["plate"]), who)
    return {
        "plate": told["plate"],
        "revision": making.revision.name,
        "findings": findings_view(making.findings),
        "notices": notices,
    }


def _looked_up(here: Context, body: PlateBody) -> Making:
    with reading(here) as store:
        return looked_up(store, body, today=here.today(), expired=here.settings.expired_lot)


def _counted(here: Context, making: Making, body: PlateBody, plate: str, who: Who) -> list[str]:
    """The plate is being made; what cannot be counted is told, and can be counted by hand."""
    try:
        with writing(here) as store:
            count_uses(store, making, body, plate, here.by(who))
    except ApiError as error:
        return [f"not counted: {error}"]
    return []


@router.get("/v1/plates/{plate}", responses=told(shapes.PlateWhole))
async def plate(plate: str, here: Here) -> Line:
    """Everything about one plate: now, if it is in flight, and its record."""
    now = next((p for p in await _in_flight(here) if p["plate"] == plate), None)
    record = await run_in_threadpool(_record_of, here, plate)
    if now is None and record is None:
        raise ApiError(f"there is no plate {plate}; see /v1/plates", "unknown")
    return {"plate": plate, "now": now, "record": record}


def _record_of(here: Context, plate: str) -> Line | None:
    if not here.settings.journal.exists():
        return None
    with journal(here) as reader:
        run = reader.run(plate)
        if run is None or run.start.step != "plate":
            return None
        parts = reader.runs(plate=plate, limit=1000)
        events = reader.events(plate)
    return {
        **run_line(run),
        "request": run.start.request,
        "conditions": run.start.conditions,
        "data": run.end.data if run.end else {},
        "parts": [run_line(part) for part in reversed(parts) if part.start.run_id != plate],
        "told": [event.model_dump(mode="json", exclude={"format"}) for event in events],
    }


@router.post("/v1/plates/{plate}/{act}", responses=told(shapes.Done))
async def act_on_plate(plate: str, act: PlateAct, body: ActBody, here: Here, who: Asking) -> Line:
    """Begin the step that is ready, confirm the present stage, give measured values, hold,
    restart, stop, abort, or skip a step. UV light injures skin and eyes: lid closed."""
    if body.accept_overdue:
        must(who, Right.ACCEPT_OVERDUE)
    return await here.daemon.ask(
        "plate", plate=plate, act=act, who=who.name, role=who.role, **body.given()
    )
