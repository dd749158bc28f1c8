"""Plates: those in progress, and those on record."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.concurrency import run_in_threadpool

from platelink.api.ages import ages
from platelink.api.context import Asking, Context, Here, must
from platelink.api.errors import ApiError
from platelink.api.making import (
    Making,
    ask_first,
    count_uses,
    looked_up,
    refuse_blocked,
    told_findings,
)
from platelink.api.on_bed import on_bed
from platelink.api.remaking import remade
from platelink.api.routes.runs import event_view, wanted_of
from platelink.api.stores import journal, reading, writing
from platelink.api.views import findings_view
from platelink.api.who import Who
from platelink.contract.base import Done, Json
from platelink.contract.plates import (
    ActOnPlate,
    NewPlate,
    NoteOnPlate,
    PlateCorrectionAsked,
    PlateListed,
    PlateMade,
    PlateNow,
    PlateRecord,
    Plates,
    PlatesQuery,
    PlateWhole,
)
from platelink.contract.predicted import DepthPredicted, DepthQuery
from platelink.contract.remake import Remake
from platelink.contract.runs import FILTERS
from platelink.contract.story import RunStory
from platelink.contract.wire import (
    AskPlates,
    CorrectPlate,
    InFlight,
    MakePlate,
    NotePlate,
    OnPlate,
    PlateTaken,
    PlateToMake,
)
from platelink.contract.words import PlateAct
from platelink.contract.wrong import RequestError, made
from platelink.finding.causes import SYMPTOMS
from platelink.finding.foretold import depth_foretold_in
from platelink.people.rights import Right
from platelink.recipe.life import State
from platelink.record.stored import RunRecord
from platelink.record.story import story_of
from platelink.units import DOSE

router = APIRouter(tags=["plates"])
VERDICTS = ("good", "reject")
MOST_MJ_CM2 = 1e6
"""More than any plate gets."""


@router.get("/v1/plates")
async def plates(here: Here, query: Annotated[PlatesQuery, Query()]) -> Plates:
    """Plates in progress, whole, and those on record, newest first."""
    shown: list[PlateNow] = []
    known = await _in_flight(here)
    if query.state in (None, "in flight"):
        words = (query.search or "").casefold()
        shown = [plate for plate in known if words in _texts(plate)]
        if any(getattr(query, name) is not None for name in FILTERS):
            there = await run_in_threadpool(_wanted, here, query)
            shown = [plate for plate in shown if plate.plate in there]
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


def _wanted(here: Context, query: PlatesQuery) -> set[str]:
    """Plates without an end that the filters leave; the starts of those in flight are recorded."""
    with journal(here) as reader:
        wanted = wanted_of(query) | {"state": "open", "search": None}
        return set(reader.wanted(wanted, limit=query.limit))


def _texts(plate: PlateNow) -> str:
    texts = (
        plate.plate, plate.recipe, plate.title, plate.job, plate.lot, plate.film, plate.by,
        plate.note,
    )  # fmt: skip
    return "\n".join(text for text in texts if text).casefold()


def _on_record(here: Context, query: PlatesQuery) -> list[PlateListed]:
    try:
        with journal(here) as reader:
            found = reader.runs(limit=query.limit, **wanted_of(query))
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
    """Take up a plate. A draft recipe takes the right to approve it. What stands against its lot is
    asked first: the refusal has its names as ``asks``, to be given as ``accept``, and with
    ``asks_why`` a reason as ``accept_why``."""
    making = await run_in_threadpool(_looked_up, here, body)
    refuse_blocked(making)
    if making.revision.state is State.DRAFT:
        must(who, Right.SIGN_RECIPES)
    ask_first(making, body.accept, body.accept_why)
    request = MakePlate(plate=_to_make(body, making, who), who=who.name, role=who.role)
    taken = await here.daemon.ask(request, PlateTaken)
    notices = await run_in_threadpool(_counted, here, making, body, taken.plate, who)
    return PlateMade(
        plate=taken.plate,
        revision=making.revision.name,
        findings=findings_view(making.findings),
        notices=notices,
    )


def _to_make(body: NewPlate, making: Making, who: Who) -> PlateToMake:
    try:
        return made(
            PlateToMake,
            recipe=making.recipe.content(),
            revision=making.revision.name,
            findings=told_findings(making, who.name, body.accept_why),
            plate=body.plate,
            lot=body.lot,
            film=body.film,
            on_bed=making.on_bed,
            ages=making.ages,
            job=body.job,
            note=body.note,
            area_cm2=body.area_cm2,
        )
    except RequestError as error:
        raise ApiError(str(error), "refused") from None


def _looked_up(here: Context, body: NewPlate) -> Making:
    with reading(here) as store:
        settings = here.settings
        making = looked_up(
            store, body, today=here.today(), expired=settings.expired_lot,
            least_density=settings.least_film_density,
        )  # fmt: skip
        old = ages(here, store, body)
    lies, finding = on_bed(here, body.place)
    found = making.findings if finding is None else (*making.findings, finding)
    return replace(making, findings=found, on_bed=lies, ages=old)


def _counted(here: Context, making: Making, body: NewPlate, plate: str, who: Who) -> list[str]:
    """The plate is being made; what cannot be counted is told, and can be counted by hand."""
    try:
        with writing(here) as store:
            count_uses(store, making, body, plate, here.by(who, body.accept_why))
    except ApiError as error:
        return [f"not counted: {error}"]
    return []


@router.get("/v1/plates/{plate}")
async def plate(plate: str, here: Here) -> PlateWhole:
    """Everything about one plate: now, if it is in progress, and its record."""
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


@router.get("/v1/plates/{plate}/remake")
def remake_plate(plate: str, here: Here) -> Remake:
    """How to make a plate that has ended again on today's lamps, stock and calibrations, what
    cannot be matched, and a draft. Nothing is applied."""
    run, story = _ended(here, plate)
    return remade(here, run, story)


@router.get("/v1/plates/{plate}/depth")
def plate_depth(plate: str, here: Here, query: Annotated[DepthQuery, Query()]) -> DepthPredicted:
    """The depth to expect of a plate whose last exposure with contact is over, from its record and
    those before it; and causes, once it is measured or ``symptom`` says what the press saw. Before
    that exposure is complete it cannot be told, and ``text`` says why."""
    if query.symptom and query.symptom not in SYMPTOMS:
        raise ApiError(f"symptoms are {', '.join(SYMPTOMS)}", "misuse")
    with journal(here) as reader:
        run = reader.run(plate)
        if run is None:
            raise ApiError(f"there is no plate {plate}; see /v1/plates", "unknown")
        return depth_foretold_in(reader, run, symptom=query.symptom or "")


@router.post("/v1/plates/{plate}/note")
async def note_plate(plate: str, body: NoteOnPlate, here: Here, who: Asking) -> Done:
    """Add a note to a plate that has ended, as an entry of its own."""
    await run_in_threadpool(_ended, here, plate)
    request = NotePlate(plate=plate, text=body.text, who=who.name, role=who.role)
    return await here.daemon.ask(request, Done)


@router.post("/v1/plates/{plate}/correct")
async def correct_plate(plate: str, body: PlateCorrectionAsked, here: Here, who: Asking) -> Done:
    """Correct lot, job, verdict, a depth or a dose of a plate that has ended, as an entry of its
    own; what was recorded stays, and is shown beside it."""
    request = await run_in_threadpool(_correction, here, plate, body)
    signed = request.model_copy(update={"who": who.name, "role": who.role})
    return await here.daemon.ask(signed, Done)


def _ended(here: Context, plate: str) -> tuple[RunRecord, RunStory]:
    with journal(here) as reader:
        run = reader.run(plate)
        if run is None or run.start.run_kind != "plate":
            raise ApiError(f"there is no plate {plate}; see /v1/plates", "unknown")
        if run.end is None:
            raise ApiError(f"plate {plate} has not ended; wait for its end", "refused")
        return run, story_of(reader, run)


def _correction(here: Context, plate: str, body: PlateCorrectionAsked) -> CorrectPlate:
    """What is to be put down; ``ApiError`` says what is wrong with it."""
    run, story = _ended(here, plate)
    field: str = body.field
    now = body.value.strip()
    right: str | float = now
    was: str | float | None = None
    match body.field:
        case "lot":
            was = run.summary.lot
            _must_be_a_lot(here, now)
        case "job":
            was = run.summary.job
        case "verdict":
            was = run.summary.judgement
            if now not in VERDICTS:
                raise ApiError(f"a verdict is {' or '.join(VERDICTS)}, not {now!r}", "refused")
        case "depth":
            depths = {depth.point: depth for depth in story.depths}
            if body.point not in depths:
                there = ", ".join(depths) or "none"
                raise ApiError(f"say which depth: measured points of {plate}: {there}", "refused")
            field, was, right = f"depth {body.point}", depths[body.point].um, _um(now)
        case "dose":
            field, was, right = _dose(here, run, body, now)
    if right == was:
        raise ApiError(f"{field} of {plate} is {now} already", "refused")
    return CorrectPlate(plate=plate, field=field, was=was, now=right, why=body.why)


def _must_be_a_lot(here: Context, lot: str) -> None:
    with reading(here) as store:
        if store is not None and lot not in {one.lot.name for one in store.shelf.lots()}:
            raise ApiError(f"there is no lot {lot}; add it first, or choose one", "refused")


def _dose(
    here: Context, run: RunRecord, body: PlateCorrectionAsked, value: str
) -> tuple[str, float, float]:
    """Field, what stood there and what is right, both in mJ/cm²."""
    plate = run.start.run_id
    with journal(here) as reader:
        recorded = {
            part.start.run_id: part.end.dose_mj_cm2 for part in reader.parts(plate)
            if part.end is not None and part.end.dose_mj_cm2 is not None
        }  # fmt: skip
    if body.run_id not in recorded:
        there = ", ".join(recorded) or "none"
        raise ApiError(f"say of which exposure: those of {plate} with a dose: {there}", "refused")
    try:
        right = round(DOSE.parse(value), 3)
    except ValueError as error:
        raise ApiError(f"a dose: {error}", "refused") from None
    if right > MOST_MJ_CM2:
        raise ApiError(f"a dose of {value}: must be at most {MOST_MJ_CM2:g} mJ/cm²", "refused")
    field = f"dose {body.run_id}"
    newest = run.summary.newest(field)
    return field, recorded[body.run_id] if newest is None else float(newest.now), right


def _um(text: str) -> float:
    number = re.fullmatch(r"(\d{1,4}(?:[.,]\d{1,4})?)\s*(?:um|µm|μm)?", text)
    if number is None:
        raise ApiError(f"a depth is a number of µm, such as 24.5 um, not {text!r}", "refused")
    return float(number[1].replace(",", "."))


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
