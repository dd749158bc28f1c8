"""The device and its sensors: calibrations, lessons of the lamps, firmware, settings in force."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import asdict
from datetime import date

from fastapi import APIRouter

from platelink.api.context import Asking, Context, Here
from platelink.api.errors import ApiError
from platelink.api.stores import journal, reading_calibrations
from platelink.api.views import utc
from platelink.contract.base import Done, Json, Reasoned
from platelink.contract.lamps import LampsNow, LampWork
from platelink.contract.runs import Device, LampLesson, Lamps, Sensor
from platelink.contract.service import SensorSettings
from platelink.contract.wire import DropLessons, OnLamps
from platelink.control.light.lessons import KEPT, Lessons, told_by
from platelink.control.states import Learned
from platelink.events.event import EventName
from platelink.finding.lamps import lamps_now
from platelink.record.lessons import lessons_in
from platelink.record.lit import lamp_record
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent
from platelink.sensing.calibration import UNIT, Calibration, quantity_of

router = APIRouter(tags=["unit"])
LOOKED_AT = 200
"""Newest events looked at for what is wanted of them."""
HEARD = (EventName.LINK_UP, EventName.DEVICE_RESTARTED)


@router.get("/v1/device")
def device(here: Here) -> Device:
    """What this unit is, and what is known of its sensors, lamps and firmware."""
    settings = here.settings
    firmware, told = None, list[RunEvent]()
    with suppress(ApiError), journal(here) as reader:  # nothing was recorded yet
        told, firmware = lessons_in(reader), _firmware(reader)
    lessons = told_by(told, settings.fresh_mw_cm2)[: -KEPT - 1 : -1]
    in_force = Lessons(Learned(), settings.fresh_mw_cm2, told).in_force
    return Device(
        unit=settings.unit,
        lamps=settings.lamps,
        sensors=sensors_now(here),
        learned=Lamps(**asdict(in_force)) if lessons else None,
        lessons=[
            LampLesson(run_id=str(event.run_id), at_utc=utc(event.at_utc), **asdict(learned))
            for event, learned in lessons
        ],
        firmware=firmware,
        config=settings.config,
    )


def sensors_now(here: Context) -> list[Sensor]:
    """Every sensor, and how its calibration stands."""
    with reading_calibrations(here) as store:
        held = {} if store is None else store.in_force()
    today = here.today()
    return [_sensor(sensor, held.get(sensor.name), today) for sensor in here.settings.sensors]


@router.post("/v1/lessons/drop")
async def drop_lessons(body: Reasoned, here: Here, who: Asking) -> Done:
    """Have what lamps taught dropped, as when they were changed: it is learned anew."""
    request = DropLessons(who=who.name, role=who.role, **body.given_values())
    return await here.daemon.ask(request, Done)


@router.get("/v1/lamps")
def lamps(here: Here) -> LampsNow:
    """The lamp set in use: burn hours, fade, what happened to it, and when it is too weak."""
    names = [sensor.name for sensor in here.settings.sensors]
    with reading_calibrations(here) as store:
        made = () if store is None else store.of_light()
    with suppress(ApiError), journal(here) as reader:
        return lamps_now(*lamp_record(reader), names=names, made=made)
    return lamps_now([], [], None)  # nothing was recorded yet


@router.post("/v1/lamps")
async def lamp_work(body: LampWork, here: Here, who: Asking) -> Done:
    """Enter that lamps were changed or cleaned, or what a hand meter read at the plate."""
    request = OnLamps(who=who.name, role=who.role, **body.given_values())
    return await here.daemon.ask(request, Done)


def _sensor(sensor: SensorSettings, held: Calibration | None, today: date) -> Sensor:
    """One made with other settings is not in force; the unit's alarm says so."""
    if held is not None and held.settings != sensor.stands_on:
        held = None
    calibrated_on = sensor.calibrated_on if held is None else held.made_at_utc.date()
    due_on = sensor.due_on if held is None else held.due_on
    days = None if due_on is None else (due_on - today).days
    return Sensor(
        name=sensor.name,
        calibration="as configured" if held is None else held.name,
        certificate=None if held is None else held.instrument.certificate,
        u=None if held is None else held.expanded_u(),
        unit=UNIT[quantity_of(sensor.name)],
        calibrated_on=None if calibrated_on is None else calibrated_on.isoformat(),
        due_on=None if due_on is None else due_on.isoformat(),
        days_left=days,
        overdue=days is not None and days < 0,
        settings=sensor.settings,
    )


def _firmware(reader: JournalReader) -> Json | None:
    """What the device said of itself when it last came up outside a run."""
    for event in reader.unit_events(limit=LOOKED_AT):
        if event.name in HEARD:
            return {**event.data, "at_utc": utc(event.at_utc)}
    return None
