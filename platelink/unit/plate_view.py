"""The status of plates, alarms and the whole unit, for every face. Pure."""

from __future__ import annotations

from functools import lru_cache

from platelink.contract import unit as u
from platelink.contract.plates import (
    BakeAhead,
    BakeNow,
    ContactBand,
    DepthPoint,
    ExposeNow,
    InspectNow,
    PlateBrief,
    PlateNow,
    StageNow,
    StepListed,
    StepNow,
    StepWhole,
    WaterNow,
    YesNoCheck,
)
from platelink.control.alarm.states import AlarmsStatus
from platelink.control.light.request import ExposureStatus
from platelink.control.procedure.in_flight import PlatesInFlight
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.step_status import BakePart, ExposurePart
from platelink.control.steps.stage import StagesStatus
from platelink.control.steps.water import WaterStatus
from platelink.recipe.steps import InspectStep
from platelink.unit.alarms import utc_ms
from platelink.unit.core import Core
from platelink.unit.job import UnitStatus
from platelink.unit.stamp import Stamp
from platelink.unit.view import exposure_now, iso, light_now, link_now, number, reading_now, utc


def status_now(
    core: Core,
    unit: str,
    *,
    journal: u.JournalNow,
    problem: str = "",
    service: u.ServiceNow | None = None,
    publisher: u.PublisherNow | None = None,
    at: Stamp,
) -> u.Status:
    """Everything a face shows; ``problem`` is why the port cannot be opened."""
    status, in_flight = unit_status(core, now=at.now), core.plates.in_flight
    on_bed, busy = in_flight.on_bed(), core.busy()
    return u.Status(
        link=link_now(status.link),
        run_id=status.run_id,
        reading=reading_now(status.reading),
        exposure=exposure_now(status.exposure),
        light=light_now(status.light),
        unit=unit,
        at_utc=utc(at.utc_ms),
        bed=u.Bed(plate=on_bed, free=on_bed is None and not busy),
        plates=[
            plate_brief(in_flight, plate, status.exposure, busy)
            for plate in in_flight.plates.values()
        ],
        advisory=core.settings.advisory,
        alarms=alarms_now(core.alarms.status(), at=at),
        problem=problem or core.bed.mismatch,
        journal=journal,
        service=service,
        publisher=publisher,
        instruments=instruments_now(core, now=at.now),
    )


def instruments_now(core: Core, *, now: float) -> tuple[u.InstrumentNow, ...] | None:
    """The instruments on the bus; None where there are none."""
    return tuple(
        u.InstrumentNow(
            name=one.name, measures=str(one.quantity), age_s=number(one.age_s, 2),
            every_s=round(one.every_s, 3), lost=one.lost, problem=one.problem,
        )
        for one in core.converter.beside.status(now=now)
    ) or None  # fmt: skip


def unit_status(core: Core, *, now: float) -> UnitStatus:
    """Everything a face shows of link and exposure."""
    light = core.bed.watch.known(now=now)
    return UnitStatus(
        link=core.session.status(now=now),
        reading=core.reading if light is not None else None,
        run_id=core.run_id,
        exposure=core.bed.exposure_status(now=now),
        light=light,
    )


def plates_now(core: Core) -> list[PlateNow]:
    """Every plate in progress, with all that is known of it as of the core's newest input."""
    in_flight, busy = core.plates.in_flight, core.busy()
    exposure = core.bed.exposure_status(now=core.at.now)
    return [plate_now(in_flight, plate, exposure, busy) for plate in in_flight.plates.values()]


@lru_cache(maxsize=1024)
def _listed(name: str, kind: str, state: str) -> StepListed:
    """One for all statuses: most steps of a plate are the same in the next one."""
    return StepListed(name=name, kind=kind, state=state)


def plate_brief(
    in_flight: PlatesInFlight, plate: Plate, exposure: ExposureStatus | None, busy: str
) -> PlateBrief:
    """One plate, as the status has it."""
    plan = plate.plan
    return PlateBrief(
        plate=plan.plate,
        recipe=plan.revision,
        title=plan.recipe.title,
        job=plan.job,
        lot=plan.lot,
        film=plan.film,
        by=plan.who,
        state=str(plate.state),
        reason=plate.present.reason,
        step=None if plate.progress.over else plate.index,
        steps=tuple(
            _listed(step.name, step.kind, now.state.value)
            for step, now in zip(plan.steps, plate.steps, strict=True)
        ),
        deviations=len(plate.progress.deviations),
        now=step_now(in_flight, plate, exposure, busy),
    )


def plate_now(
    in_flight: PlatesInFlight, plate: Plate, exposure: ExposureStatus | None, busy: str
) -> PlateNow:
    """One plate with everything its recipe says, deviations and facts of each step."""
    plan = plate.plan
    brief = plate_brief(in_flight, plate, exposure, busy)
    steps = (
        StepWhole(
            **dict(shown), reason=now.reason, runs=list(now.runs), facts=now.facts,
            asked=step.model_dump(mode="json"),
        )
        for shown, step, now in zip(brief.steps, plan.steps, plate.steps, strict=True)
    )  # fmt: skip
    return PlateNow(
        **dict(brief) | {"steps": tuple(steps)},
        note=plan.note,
        hash=plan.content_hash,
        deviations_told=list(plate.progress.deviations),
    )


def step_now(
    in_flight: PlatesInFlight, plate: Plate, exposure: ExposureStatus | None, busy: str
) -> StepNow:
    """The present step."""
    step, present, part = plate.step, plate.present, plate.work.status()
    waiting = list(in_flight.waiting_for(plate, busy))
    live = exposure if plate.live or plate.cut else None
    if live is not None:
        waiting += live.waiting_for
    if part.waiting_for:
        waiting.append(part.waiting_for)
    if plate.cut:
        waiting.append("the dose given while the program was down")
    return StepNow(
        name=step.name,
        kind=step.kind,
        state=str(present.state),
        instructions=step.instructions or "",
        cautions=list(step.cautions),
        reason=present.reason or (live.reason if live else ""),
        waiting_for=waiting,
        acts=[str(act) for act in in_flight.acts(plate, busy)],
        untimed=plate.work.untimed,
        exposure=_exposure(part.exposure, live) if part.exposure else None,
        bake=_bake(part.bake) if part.bake else None,
        inspect=_inspection(part.inspect) if part.inspect else None,
        stage=_stage(part.stage) if part.stage else None,
        water=_water(part.water) if part.water else None,
    )


def _exposure(part: ExposurePart, live: ExposureStatus | None) -> ExposeNow:
    step, limits = part.step, part.contact
    return ExposeNow(
        target_dose_mj_cm2=number(step.dose_mj_cm2, 3),
        dose_mj_cm2=number(part.given_mj_cm2 + (live.dose_mj_cm2 if live else 0.0), 3),
        irradiance_mw_cm2=number(live.irradiance_mw_cm2) if live else 0.0,
        remaining_s=number(live.remaining_s, 2) if live else None,
        light_s=number(live.light_s, 2) if live else 0.0,
        step=str(live.step) if live else "none",
        tolerance_pct=step.tolerance_pct,
        screen=step.screen,
        contact=ContactBand(low_kpa=number(limits.low_kpa, 2), high_kpa=number(limits.high_kpa, 2))
        if limits
        else None,
        asks_what_fell=live.asks_what_fell if live else False,
    )


def _bake(part: BakePart) -> BakeAhead:
    request, status = part.request, part.status
    ahead = BakeAhead(
        low_c=number(request.low_c, 2),
        high_c=number(request.high_c, 2),
        nominal_c=number(request.reference_c, 2),
        over_c=number(request.over_c, 2),
        needed_s=request.in_band_s,
    )
    if status is None:
        return ahead
    return BakeNow(
        **dict(ahead),
        oven_c=number(status.oven_c, 2),
        in_band_s=number(status.in_band_s, 2),
        elapsed_s=number(status.elapsed_s, 2),
        gap_s=number(status.gap_s, 2),
        mean_c=number(status.mean_c, 2),
        min_c=number(status.min_c, 2),
        max_c=number(status.max_c, 2),
        equivalent_s=number(status.equivalent_s, 2),
        plate_c=number(status.plate_c, 2),
        plate_max_c=number(status.plate_max_c, 2),
        plate_equivalent_s=number(status.plate_equivalent_s, 2),
        step=str(status.step),
        door_open=status.door_open,
    )


def _inspection(step: InspectStep) -> InspectNow:
    return InspectNow(
        point=[DepthPoint(**dict(point)) for point in step.point],
        check=[YesNoCheck(**dict(check)) for check in step.check],
    )


def _stage(status: StagesStatus) -> StageNow:
    return StageNow(
        name=status.stage,
        prompt=status.prompt,
        number=status.number,
        count=status.count,
        waiting=status.waiting,
        planned_s=status.planned_s,
        elapsed_s=number(status.elapsed_s, 2),
        due=status.due,
        overdue=status.overdue,
    )


def _water(status: WaterStatus) -> WaterNow:
    return WaterNow(
        low_c=status.band.low_c,
        high_c=status.band.high_c,
        water_c=number(status.water_c, 2),
        by=status.by,
    )


def alarms_now(alarms: AlarmsStatus, *, at: Stamp) -> u.Alarms:
    """All alarms that are not normal, those that want an answer first."""
    return u.Alarms(
        unacknowledged=alarms.unacknowledged,
        per_hour=alarms.per_hour,
        flood=alarms.flood,
        list=[
            u.Alarm(
                name=a.name,
                state=str(a.state),
                priority=a.priority.name.lower(),
                group=a.group,
                active=a.active,
                value=number(a.value),
                limit=number(a.limit),
                unit=a.unit,
                since_utc=iso(utc_ms(a.since_s, at)),
                until_utc=iso(utc_ms(a.until_s, at)),
                who=a.who,
                why=a.why,
                first_out=a.first_out,
                count=a.count,
                text=a.text,
                cause=a.cause,
                next_act=a.next_act,
            )
            for a in alarms.alarms
        ],
    )
