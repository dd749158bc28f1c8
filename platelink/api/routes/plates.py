"""Plates: those in flight, and those on record."""

from __future__ import annotations

from functools import partial
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.concurrency import run_in_threadpool

from platelink.api.context import Asking, Context, Here, must
from platelink.api.errors import ApiError
from platelink.api.making import Making, count_uses, looked_up, refuse_blocked
from platelink.api.routes.runs import event_view, search_runs
from platelink.api.stores import journal, reading, writing
from platelink.api.views import findings_view
from platelink.api.who import Who
from platelink.contract.base import Done, Json
from platelink.contract.plates import (
    ActOnPlate,
    NewPlate,
    PlateListed,
    PlateMade,
    PlateNow,
    PlateRecord,
    Plates,
    PlatesQuery,
    PlateWhole,
)
from platelink.contract.wire import (
    AskPlates,
    InFlight,
    MakePlate,
    OnPlate,
    PlateTaken,
    PlateToMake,
)
from platelink.contract.words import PlateAct
from platelink.contract.wrong import RequestError, made
from platelink.people.rights import Right
from platelink.recipe.life import State
from platelink.record.stored import RunRecord

router = APIRouter(tags=["plates"])


@router.get("/v1/plates")
async def plates(here: Here, query: Annotated[PlatesQuery, Query()]) -> Plates:
    """Plates in flight, whole, and those on record, newest first."""
    shown: list[PlateNow] = []
    known = await _in_flight(here)
    if query.state in (None, "in flight"):
        words = (query.search or "").casefold()
        shown = [plate for plate in known if words in _texts(plate)]
    recorded: list[PlateListed] = []
    if query.state != "in flight":
        recorded = await run_in_threadpool(_on_record, here, query)
    flying = {plate.plate for plate in known}
    return Plates(
        in_flight=shown, on_record=[plate for plate in recorded if plate.plate not in flying]
    )


async def _in_flight(here: Context) -> list[PlateNow]:
    if here.hub.alone:
        return []
    return (await here.daemon.ask(AskPlates(), InFlight)).plates


def _texts(plate: PlateNow) -> str:
    texts = (plate.plate, plate.recipe, plate.title, plate.job, plate.lot, plate.by, plate.note)
    return "\n".join(text for text in texts if text).casefold()


def _on_record(here: Context, query: PlatesQuery) -> list[PlateListed]:
    try:
        with journal(here) as reader:
            state = None if query.state == "in flight" else query.state
            look = partial(reader.runs, step="plate", state=state)
            found = search_runs(look, query.search, query.limit)
    except ApiError:
        if not here.settings.journal.exists():  # nothing was recorded yet
            return []
        raise
    return [_listed(run) for run in found]


def _listed(run: RunRecord) -> PlateListed:
    """With the request, but for the whole recipe."""
    asked: Json = {k: v for k, v in run.start.request.items() if not isinstance(v, dict | list)}
    shown = dict(run.summary) | {"plate": run.start.run_id}
    return PlateListed(**shown, request=asked, data=_data(run))


def _data(run: RunRecord) -> Json:
    return run.end.data if run.end else {}


@router.post("/v1/plates")
async def make_plate(body: NewPlate, here: Here, who: Asking) -> PlateMade:
    """Take up a plate. A draft recipe takes the right to approve it."""
    making = await run_in_threadpool(_looked_up, here, body)
    refuse_blocked(making)
    if making.revision.state is State.DRAFT:
        must(who, Right.SIGN_RECIPES)
    request = MakePlate(plate=_to_make(body, making), who=who.name, role=who.role)
    taken = await here.daemon.ask(request, PlateTaken)
    notices = await run_in_threadpool(_counted, here, making, body, taken.plate, who)
    return PlateMade(
        plate=taken.plate,
        revision=making.revision.name,
        findings=findings_view(making.findings),
        notices=notices,
    )


def _to_make(body: NewPlate, making: Making) -> PlateToMake:
    try:
        return made(
            PlateToMake,
            recipe=making.recipe.content(),
            revision=making.revision.name,
            findings=tuple(finding.text for finding in making.findings),
            plate=body.plate,
            lot=body.lot,
            job=body.job,
            note=body.note,
            area_cm2=body.area_cm2,
        )
    except RequestError as error:
        raise ApiError(str(error), "refused") from None


def _looked_up(here: Context, body: NewPlate) -> Making:
    with reading(here) as store:
        return looked_up(store, body, today=here.today(), expired=here.settings.expired_lot)


def _counted(here: Context, making: Making, body: NewPlate, plate: str, who: Who) -> list[str]:
    """The plate is being made; what cannot be counted is told, and can be counted by hand."""
    try:
        with writing(here) as store:
            count_uses(store, making, body, plate, here.by(who))
    except ApiError as error:
        return [f"not counted: {error}"]
    return []


@router.get("/v1/plates/{plate}")
async def plate(plate: str, here: Here) -> PlateWhole:
    """Everything about one plate: now, if it is in flight, and its record."""
    now = next((p for p in await _in_flight(here) if p.plate == plate), None)
    record = await run_in_threadpool(_record_of, here, plate)
    if now is None and record is None:
        raise ApiError(f"there is no plate {plate}; see /v1/plates", "unknown")
    return PlateWhole(plate=plate, now=now, record=record)


def _record_of(here: Context, plate: str) -> PlateRecord | None:
    if not here.settings.journal.exists():
        return None
    with journal(here) as reader:
        run = reader.run(plate)
        if run is None or run.start.step != "plate":
            return None
        parts = reader.parts(plate)
        events = reader.events(plate)
    return PlateRecord(
        **dict(run.summary),
        request=run.start.request,
        conditions=run.start.conditions,
        data=_data(run),
        parts=[part.summary for part in parts],
        told=[event_view(event) for event in events],
    )


@router.post("/v1/plates/{plate}/{act}")
async def act_on_plate(
    plate: str, act: PlateAct, body: ActOnPlate, here: Here, who: Asking
) -> Done:
    """Begin the step that is ready, confirm the present stage, give measured values, hold,
    restart, stop, abort, or skip a step. UV light injures skin and eyes: lid closed."""
    if body.accept_overdue:
        must(who, Right.ACCEPT_OVERDUE)
    request = OnPlate(plate=plate, act=act, who=who.name, role=who.role, **body.given_values())
    return await here.daemon.ask(request, Done)
