"""Plates and alarms as plain JSON values, for every face. Pure."""

from __future__ import annotations

from typing import Any

from platelink.control.alarm_states import AlarmsStatus, AlarmState
from platelink.control.bake import Bake
from platelink.control.exposure_request import ExposureStatus
from platelink.control.procedure.plan import contact_limits
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.room import PlateRoom
from platelink.control.stages import Stages
from platelink.daemon.core import UnitCore
from platelink.daemon.unit_watch import utc_ms
from platelink.daemon.view import iso, number
from platelink.recipe.steps import (
    BakeStep,
    BlowOffStep,
    ExposeStep,
    InspectStep,
    PromptStep,
    WashStep,
)

Line = dict[str, Any]


def plates_lines(core: UnitCore) -> Line:
    """The bed and every plate in flight, as the status has them."""
    room, busy = core.room, core.busy()
    status = core.exposure.status() if core.exposure is not None and room.plates else None
    plates = [plate_line(room, plate, status, busy) for plate in room.plates.values()]
    on_bed = room.on_bed()
    return {"bed": {"plate": on_bed, "free": on_bed is None and not busy}, "plates": plates,
            "advisory": core.settings.advisory}  # fmt: skip


def plate_line(
    room: PlateRoom, plate: Plate, exposure: ExposureStatus | None, busy: str,
    *, whole: bool = False,
) -> Line:  # fmt: skip
    """One plate; ``whole`` with everything its recipe says, deviations and facts of each step."""
    plan, present = plate.plan, plate.present
    steps = [
        {"name": step.name, "kind": step.kind, "state": str(now.state)}
        for step, now in zip(plan.steps, plate.steps, strict=True)
    ]
    line: Line = {
        "plate": plan.plate,
        "recipe": plan.revision,
        "title": plan.recipe.title,
        "job": plan.job,
        "lot": plan.lot,
        "by": plan.who,
        "state": str(plate.state),
        "reason": present.reason,
        "step": None if plate.over else plate.index,
        "steps": steps,
        "deviations": len(plate.deviations),
        "now": now_line(room, plate, exposure, busy),
    }
    if whole:
        line["note"] = plan.note
        line["hash"] = plan.content_hash
        line["deviations_told"] = list(plate.deviations)
        line["steps"] = [
            {**shown, **{"reason": now.reason, "runs": list(now.runs), "facts": now.facts},
             "asked": step.model_dump(mode="json")}
            for shown, step, now in zip(steps, plan.steps, plate.steps, strict=True)
        ]  # fmt: skip
    return line


def now_line(room: PlateRoom, plate: Plate, exposure: ExposureStatus | None, busy: str) -> Line:
    """The present step."""
    step, present = plate.step, plate.present
    waiting = list(room.waiting_for(plate, busy))
    live = exposure if plate.live else None
    if live is not None:
        waiting += live.waiting_for
    if plate.cut:
        waiting.append("what the device gave while the program was down")
    line: Line = {
        "name": step.name,
        "kind": step.kind,
        "state": str(present.state),
        "instructions": step.instructions or "",
        "cautions": list(step.cautions),
        "reason": present.reason or (live.reason if live else ""),
        "waiting_for": waiting,
        "acts": [str(act) for act in room.acts(plate, busy)],
        "untimed": plate.untimed,
    }
    if isinstance(step, ExposeStep):
        line["exposure"] = _exposure(room, plate, step, live)
    elif isinstance(step, BakeStep):
        line["bake"] = _bake(plate, step)
    elif isinstance(step, InspectStep):
        line["inspect"] = step.model_dump(mode="json", include={"point", "check"})
    else:
        line["stage"] = _stage(plate, step)
    return line


def _exposure(room: PlateRoom, plate: Plate, step: ExposeStep, live: ExposureStatus | None) -> Line:
    given = plate.present.dose_mj_cm2
    limits = contact_limits(step, room.unit)
    return {
        "target_dose_mj_cm2": number(step.dose_mj_cm2, 3),
        "dose_mj_cm2": number(given + (live.dose_mj_cm2 if live else 0.0), 3),
        "irradiance_mw_cm2": number(live.irradiance_mw_cm2) if live else 0.0,
        "remaining_s": number(live.remaining_s, 2) if live else None,
        "light_s": number(live.light_s, 2) if live else 0.0,
        "step": str(live.step) if live else "none",
        "tolerance_pct": step.tolerance_pct,
        "screen": step.screen,
        "contact": {"low_kpa": number(limits.low_kpa, 2), "high_kpa": number(limits.high_kpa, 2)}
        if limits
        else None,
    }


def _bake(plate: Plate, step: BakeStep) -> Line:
    line: Line = {
        "low_c": number(step.low_c, 2), "high_c": number(step.high_c, 2),
        "nominal_c": number(step.nominal_c, 2), "over_c": number(step.limit_c, 2),
        "needed_s": step.in_band_s,
    }  # fmt: skip
    if isinstance(plate.machine, Bake):
        status = plate.machine.status()
        names = (
            "oven_c", "in_band_s", "elapsed_s", "gap_s", "mean_c", "min_c", "max_c",
            "equivalent_s",
        )  # fmt: skip
        line |= {name: number(getattr(status, name), 2) for name in names}
        line |= {"step": str(status.step), "door_open": status.door_open}
    return line


def _stage(plate: Plate, step: WashStep | BlowOffStep | PromptStep) -> Line:
    if not isinstance(plate.machine, Stages):
        stages = step.stage if isinstance(step, WashStep) else ()
        planned = stages[0].duration_s if stages else getattr(step, "duration_s", None)
        prompt = stages[0].prompt if stages else step.instructions or ""
        return {
            "name": stages[0].name if stages else step.name, "prompt": prompt, "number": 1,
            "count": max(1, len(stages)), "waiting": True, "planned_s": planned, "elapsed_s": 0.0,
            "due": False, "overdue": False,
        }  # fmt: skip
    status = plate.machine.status()
    return {
        "name": status.stage,
        "prompt": status.prompt,
        "number": status.number,
        "count": status.count,
        "waiting": status.waiting,
        "planned_s": status.planned_s,
        "elapsed_s": number(status.elapsed_s, 2),
        "due": status.due,
        "overdue": status.overdue,
    }


def alarms_line(alarms: AlarmsStatus, *, now: float, at_utc_ms: int) -> Line:
    """All alarms that are not normal, those that want an answer first."""
    return {
        "unacknowledged": alarms.unacknowledged,
        "per_hour": alarms.per_hour,
        "flood": alarms.flood,
        "list": [
            {
                "name": a.name,
                "state": str(a.state),
                "priority": a.priority.name.lower(),
                "group": a.group,
                "active": a.active,
                "value": number(a.value),
                "limit": number(a.limit),
                "unit": a.unit,
                "since_utc": iso(utc_ms(a.since_s, now, at_utc_ms)),
                "until_utc": iso(utc_ms(a.until_s, now, at_utc_ms)),
                "who": a.who,
                "why": a.why,
                "first_out": a.first_out,
                "count": a.count,
                "text": a.text,
                "cause": a.cause,
                "next_act": a.next_act,
            }
            for a in alarms.alarms
            if a.state is not AlarmState.NORMAL
        ],
    }
