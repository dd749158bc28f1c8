"""Calibrations of the sensors: read level by level, finished, approved."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from datetime import date
from typing import Annotated, Any

from fastapi import APIRouter, Depends
from fastapi.concurrency import run_in_threadpool

from platelink.api.calibration_views import brief, whole
from platelink.api.context import Asking, Context, Here, must
from platelink.api.errors import ApiError
from platelink.api.routes.recipes import other_leads
from platelink.api.stores import reading_calibrations, writing_calibrations
from platelink.api.who import Who
from platelink.calibrations.made import Made, Plan, Stage
from platelink.calibrations.store import CalibrationStore
from platelink.contract.base import Done
from platelink.contract.calibrations import (
    Calibration,
    CalibrationApproved,
    CalibrationDropped,
    CalibrationFinished,
    Calibrations,
    CalibrationWhole,
    CountsNow,
    DarkTaken,
    LevelLeftOut,
    LevelTaken,
    NewCalibration,
    Reference,
)
from platelink.contract.service import SensorSettings
from platelink.contract.wire import AskCounts, TakeUpCalibrations
from platelink.ledger.errors import StoreRefused
from platelink.people.rights import Right
from platelink.sensing.calibrate import OnBus
from platelink.sensing.calibration import Cause, Counts, Instrument, Level, Quantity, quantity_of
from platelink.units import IRRADIANCE, PRESSURE, TEMPERATURE, UnitError

router = APIRouter(tags=["calibrations"])
_UNITS = {
    Quantity.LIGHT: IRRADIANCE, Quantity.VACUUM: PRESSURE, Quantity.OVEN: TEMPERATURE,
    Quantity.HEAD: TEMPERATURE,
}  # fmt: skip


def _found(store: CalibrationStore | None, name: str) -> Made:
    if store is None:
        raise ApiError("no calibration yet; start with 'platelink calibrate'", "unknown")
    try:
        return store.find(name)
    except StoreRefused as error:
        raise ApiError(str(error), "unknown") from None


def _made(here: Context, name: str) -> Made:
    with reading_calibrations(here) as store:
        return _found(store, name)


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ApiError(f"'{text}' is not a date such as 2026-03-02", "misuse") from None


def _briefly(here: Context, store: CalibrationStore, made: Made) -> Calibration:
    return brief(made, store.of(made.sensor), today=here.today())


@router.get("/v1/calibrations")
def calibrations(here: Here) -> Calibrations:
    """List all calibrations, by sensor, oldest first."""
    with reading_calibrations(here) as store:
        if store is None:
            return Calibrations(calibrations=[])
        found = [made for sensor in store.sensors() for made in store.of(sensor)]
        return Calibrations(calibrations=[_briefly(here, store, made) for made in found])


@router.get("/v1/calibrations/{name}")
def calibration(name: str, here: Here) -> CalibrationWhole:
    """One calibration, with everything read and done."""
    with reading_calibrations(here) as store:
        made = _found(store, name)
        assert store is not None
        return whole(_briefly(here, store, made), made, store.history(made))


@router.get("/v1/counts/{sensor}")
async def counts(sensor: str, here: Here) -> CountsNow:
    """What the device counts at an input; it is watched from the first question on."""
    return await here.daemon.ask(AskCounts(sensor=sensor), CountsNow)


@router.post("/v1/calibrations")
def begin_calibration(body: NewCalibration, here: Here, who: Asking) -> Calibration:
    """Begin a calibration of a sensor."""
    sensor = _settings(here, body.sensor)
    stands_on: dict[str, Any] = dict(sensor.stands_on)
    plan = Plan(
        cause=Cause(body.cause),
        instrument=_instrument(body.reference),
        settings=stands_on,
        adc_max=(1 << int(stands_on["adc_bits"])) - 1,
        on_bus=None if sensor.on_bus is None else OnBus(*sensor.on_bus),
        temp_coeff_per_c=stands_on.get("temp_coeff_per_c", 0.0),
        reference_temp_c=stands_on.get("reference_temp_c", 25.0),
    )
    with writing_calibrations(here) as store:
        return _briefly(here, store, store.begin(body.sensor, plan, here.by(who)))


def _settings(here: Context, sensor: str) -> SensorSettings:
    for known in here.settings.sensors:
        if known.name == sensor:
            return known
    there = ", ".join(known.name for known in here.settings.sensors) or "none"
    raise ApiError(f"this unit has no sensor '{sensor:.40}'; there are: {there}", "unknown")


def _instrument(it: Reference) -> Instrument:
    return Instrument(
        name=it.name, certificate=it.certificate, due_on=_day(it.due_on), u_rel=it.u_pct / 100.0,
        u_abs=it.u_abs, k=it.k, resolution=it.resolution,
    )  # fmt: skip


async def _settled(name: str, here: Here) -> CountsNow:
    """The counts of the calibration's sensor, which must stand still."""
    sensor = (await run_in_threadpool(_made, here, name)).sensor
    now = await here.daemon.ask(AskCounts(sensor=sensor), CountsNow)
    if not (now.settled and now.counts is not None):
        raise ApiError(f"{sensor}: {now.text}", "refused")
    return now


Settled = Annotated[CountsNow, Depends(_settled)]


def _counts(now: CountsNow) -> Counts:
    assert now.counts is not None
    return Counts(**dict(now.counts))


def _at(here: Context, name: str, act: Callable[[CalibrationStore], Made]) -> Calibration:
    with writing_calibrations(here) as store:
        _found(store, name)
        return _briefly(here, store, act(store))


@router.post("/v1/calibrations/{name}/dark")
def take_dark(name: str, body: DarkTaken, here: Here, who: Asking, now: Settled) -> Calibration:
    """Take the settled counts as the dark reading."""
    return _at(here, name, lambda store: store.dark(name, _counts(now), here.by(who)))


@router.post("/v1/calibrations/{name}/level")
def take_level(name: str, body: LevelTaken, here: Here, who: Asking, now: Settled) -> Calibration:
    """Take the settled counts as a level, with what the reference shows."""
    counts = _counts(now)
    quantity = quantity_of(now.sensor)
    try:
        reference = _UNITS[quantity].parse(body.reference)
    except UnitError as error:
        raise ApiError(str(error), "misuse") from None
    x = counts.mean if quantity is Quantity.LIGHT else now.x
    if x is None:
        raise ApiError(
            f"{now.sensor}: {counts.mean:.1f} counts do not fit the sensor's settings; "
            "correct its section of the configuration, or its wiring",
            "refused",
        )
    level = Level(reference=reference, x=x, counts=counts)
    return _at(here, name, lambda store: store.level(name, level, here.by(who)))


@router.post("/v1/calibrations/{name}/leave-out")
def leave_out(name: str, body: LevelLeftOut, here: Here, who: Asking) -> Calibration:
    """A level is not used, with the reason; it stays in the record."""
    by = here.by(who, body.why)
    return _at(here, name, lambda store: store.leave_out(name, body.level, by))


@router.post("/v1/calibrations/{name}/finish")
def finish(name: str, body: CalibrationFinished, here: Here, who: Asking) -> Calibration:
    """Find the line; refused, with all reasons, when the levels cannot carry it."""
    due_on, by = _day(body.due_on), here.by(who, body.why)
    return _at(here, name, lambda store: store.finish(name, due_on, by, today=here.today()))


@router.post("/v1/calibrations/{name}/approve")
async def approve(
    name: str, body: CalibrationApproved, here: Here, who: Asking,
    others: Annotated[int, Depends(other_leads)],
) -> Calibration:  # fmt: skip
    """Approve one; it is in force from the next run. Who finished it approves it only as with
    recipes (own_approval)."""
    allowed = here.settings.own_approval
    own_may = allowed == "yes" or (allowed == "auto" and not others)
    made = await run_in_threadpool(_made, here, name)
    if made.finished is not None and made.finished.who == who.name and not own_may:
        raise ApiError(
            f"{name} is your own: another lead must approve it ([recipes] own_approval in the "
            "configuration)",
            "refused",
        )
    by = here.by(who, body.why)
    approved = await run_in_threadpool(_at, here, name, lambda store: store.approve(name, by))
    await _tell(here, who)
    return approved


@router.post("/v1/calibrations/{name}/drop")
async def drop(name: str, body: CalibrationDropped, here: Here, who: Asking) -> Calibration:
    """Discards it; one in force is discarded by a lead."""
    if (await run_in_threadpool(_made, here, name)).stage is Stage.APPROVED:
        must(who, Right.SIGN_CALIBRATIONS)
    by = here.by(who, body.why)
    dropped = await run_in_threadpool(_at, here, name, lambda store: store.drop(name, by))
    await _tell(here, who)
    return dropped


async def _tell(here: Context, who: Who) -> None:
    """Let the unit take up what holds now; without one it reads that when it starts."""
    with suppress(ApiError):
        await here.daemon.ask(TakeUpCalibrations(who=who.name, role=who.role), Done)
