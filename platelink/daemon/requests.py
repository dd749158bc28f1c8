"""Requests of the service carried out, each checked once against its model.

Rights were looked at before a request came here. What is wrong with one is an answer with its
reason, never an exception.
"""

from __future__ import annotations

from typing import Protocol

from pydantic import ValidationError

from platelink.contract.base import Answer, Done, Json
from platelink.contract.calibrations import CountsNow
from platelink.contract.unit import ExposureJob, Status
from platelink.contract.wire import (
    AnyRequest,
    AskCounts,
    AskPlates,
    AskStatus,
    Control,
    CorrectPlate,
    DropLessons,
    Expose,
    InFlight,
    MakePlate,
    NotePlate,
    NoteSecurity,
    OnAlarm,
    OnLamps,
    OnPlate,
    PlateTaken,
    PlateToMake,
    TakeUpCalibrations,
    read_request,
    refusal,
)
from platelink.contract.words import AlarmAct
from platelink.contract.wrong import RequestError
from platelink.control.procedure.plan import Ages, PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.daemon.clock import new_run_id
from platelink.events.event import Event, EventName
from platelink.events.security import PeopleEntered, Security
from platelink.events.steps import PlateCorrected, PlateNoted
from platelink.events.unit import LampsChanged, LampsCleaned, LampsMeasured
from platelink.recipe.load import from_content
from platelink.sensing.budget import OnBed
from platelink.unit.bed import DROP_LESSONS
from platelink.unit.core import Core
from platelink.unit.job import Job
from platelink.unit.plate_view import plates_now


class Unit(Protocol):
    """Who carries requests out. Each text is why it was refused; empty when it is done."""

    @property
    def core(self) -> Core: ...

    def status(self) -> Status: ...

    def make_job(self, job: ExposureJob, /) -> Job: ...

    def submit(self, job: Job) -> str: ...

    def command(self, name: str, reason: str, *, who: str) -> str: ...

    def counts(self, sensor: str) -> CountsNow: ...

    def take_up(self) -> str: ...

    def make_plate(self, plan: PlatePlan) -> str: ...

    def act(self, plate: str, request: PlateRequest, *, accept_overdue: bool) -> str: ...

    def alarm(
        self, name: str, act: AlarmAct, *, who: str, why: str, minutes: float | None
    ) -> str: ...

    def note(self, event: Event, text: str) -> None: ...


def answer(unit: Unit, line: Json) -> Json:
    """Carry out one request as it came over the wire."""
    try:
        reply = _carry_out(unit, read_request(line))
    except RequestError as error:
        return refusal(str(error), error.kind)
    except ValueError as error:
        return refusal(str(error))
    if isinstance(reply, str):
        if reply:
            return refusal(reply)
        reply = Done(run_id=unit.core.run_id)
    return {"ok": True, **reply.model_dump(mode="json")}


def _carry_out(unit: Unit, request: AnyRequest) -> Answer | str:  # noqa: PLR0911, PLR0912 -- one for each
    match request:
        case AskStatus():
            return unit.status()
        case Expose():
            return unit.submit(unit.make_job(request.job))
        case Control():
            reason = request.reason or "by request"
            return unit.command(request.do, reason, who=request.who or "")
        case DropLessons():
            if not request.why.strip():
                return "say why the lamp values are discarded, such as: new lamps"
            return unit.command(DROP_LESSONS, request.why, who=request.who or "")
        case OnLamps():
            return _on_lamps(unit, request)
        case MakePlate():
            plan = plan_of(request.plate, request.who or "")
            return unit.make_plate(plan) or PlateTaken(run_id=unit.core.run_id, plate=plan.plate)
        case OnPlate():
            return unit.act(request.plate, _act(request), accept_overdue=request.accept_overdue)
        case AskPlates():
            return InFlight(run_id=unit.core.run_id, plates=plates_now(unit.core))
        case OnAlarm():
            return unit.alarm(
                request.name, request.act, who=request.who or "", why=request.why,
                minutes=request.minutes,
            )  # fmt: skip
        case AskCounts():
            return unit.counts(request.sensor)
        case TakeUpCalibrations():
            return unit.take_up()
        case NotePlate():
            text = f"{request.plate}: {request.text}"
            unit.note(PlateNoted(request.plate, request.text, request.who or ""), text)
            return ""
        case CorrectPlate():
            unit.note(*_corrected(request))
            return ""
        case NoteSecurity():
            unit.note(_noted(request), request.text)
            return ""


def _corrected(request: CorrectPlate) -> tuple[Event, str]:
    was = "nothing" if request.was is None else request.was
    text = f"{request.plate}: {request.field} is {request.now}, not {was}; {request.why}"
    event = PlateCorrected(
        request.plate, request.field, request.was, request.now, request.who or "", request.why
    )
    return event, text


def _on_lamps(unit: Unit, request: OnLamps) -> str:
    event, text = lamp_work(request)
    refused = ""
    if isinstance(event, LampsChanged):
        refused = unit.command(DROP_LESSONS, f"other lamps: {event.why}", who=event.who)
    if not refused:
        unit.note(event, text)
    return refused


def lamp_work(work: OnLamps) -> tuple[Event, str]:
    """What is put down of it, and its text. ValueError says what is missing."""
    who, why = work.who or "", work.why.strip()
    by = f" by {who}" if who else ""
    match work.act:
        case "changed":
            if not why:
                raise ValueError("say which lamps were fitted, such as: six new tubes")
            burn_h = work.burn_h or 0.0
            before = f", {burn_h:.0f} h burned before" if burn_h else ""
            return LampsChanged(who, why, burn_h), f"lamps replaced{by}: {why}{before}"
        case "cleaned":
            if work.part is None:
                raise ValueError("say what was cleaned: lamps, sensor or both")
            what = {"lamps": "lamps", "sensor": "light sensor", "both": "lamps and light sensor"}
            said = f": {why}" if why else ""
            return LampsCleaned(who, why, work.part), f"{what[work.part]} cleaned{by}{said}"
        case "measured":
            if work.irradiance_mw_cm2 is None or work.meter is None:
                raise ValueError("say what the hand meter read, in mW/cm², and which meter it was")
            event = LampsMeasured(who, why, work.irradiance_mw_cm2, work.meter, work.u_pct)
            return event, f"{work.meter} read {work.irradiance_mw_cm2:.2f} mW/cm²{by}"


def _noted(request: NoteSecurity) -> Event:
    if request.what == EventName.PEOPLE_ENTERED:
        return PeopleEntered(request.who or "")
    return Security(request.what, request.who, request.address, request.times)


def plan_of(plate: PlateToMake, who: str) -> PlatePlan:
    """The plan of a request; ValueError says what is wrong with it."""
    try:
        recipe = from_content(plate.recipe)
    except ValidationError as error:
        raise ValueError(f"recipe: {error}") from None
    if not who.strip():
        raise ValueError("say who makes the plate")
    return PlatePlan(
        plate=plate.plate or f"plate-{new_run_id()}",
        recipe=recipe,
        revision=plate.revision or recipe.id,
        content_hash=recipe.content_hash(),
        who=who,
        job=plate.job,
        lot=plate.lot,
        film=plate.film,
        on_bed=None if plate.on_bed is None else OnBed(**dict(plate.on_bed)),
        ages=None if plate.ages is None else Ages(**dict(plate.ages)),
        area_cm2=plate.area_cm2,
        note=plate.note,
        findings=plate.findings,
    )


def _act(request: OnPlate) -> PlateRequest:
    return PlateRequest(
        act=request.act,
        who=request.who or "",
        reason=request.reason,
        step=request.step,
        values=request.values or {},
        run_id=new_run_id(),
    )
