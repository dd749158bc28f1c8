"""What followers get, in the models of the contract. Pure."""

from __future__ import annotations

import math
from datetime import UTC, datetime

from platelink.contract.base import Json
from platelink.contract.plates import PlateBrief
from platelink.contract.unit import (
    Alarms,
    EndedLine,
    EventLine,
    Exposure,
    Light,
    Link,
    LiveLine,
    Reading,
    RefusedLine,
    Status,
    UnitEvent,
)
from platelink.control.alarm.states import AlarmState, Priority
from platelink.control.light.light import Light as Measure
from platelink.control.light.request import ExposureStatus
from platelink.link.outputs import LinkStatus
from platelink.sensing.readings import Reading as Measured
from platelink.unit.outputs import CoreOutput, EventNoted, Refused, RunClosed, RunEnded


def number(value: float | None, digits: int = 4) -> float | None:
    """A number as JSON takes it: rounded, NaN and infinity as None."""
    return None if value is None or not math.isfinite(value) else round(value, digits)


def iso(at_utc_ms: int | None) -> str | None:
    """UTC in milliseconds as a text."""
    return None if at_utc_ms is None else utc(at_utc_ms)


def utc(at_utc_ms: int) -> str:
    """UTC in milliseconds as a text."""
    return datetime.fromtimestamp(at_utc_ms / 1000.0, UTC).isoformat(timespec="milliseconds")


def line_of(output: CoreOutput) -> LiveLine | None:
    """An output as the line of followers; None where it is none of theirs."""
    match output:
        case EventNoted():
            return EventLine(event=event_now(output))
        case RunEnded(run_id, _, ended):
            return EndedLine(ended=run_id, state=str(ended.state), reason=ended.reason)
        case RunClosed(run_id, _, state, reason, data):
            return EndedLine(ended=run_id, state=str(state), reason=reason, data=data)
        case Refused(text):
            return RefusedLine(refused=text)
    return None


def event_now(event: EventNoted) -> UnitEvent:
    """One event."""
    return UnitEvent(
        at_utc=utc(event.at_utc_ms),
        run_id=event.run_id,
        name=event.name,
        text=event.text,
        data={k: number(v) if isinstance(v, float) else v for k, v in event.data.items()},
    )


def link_now(link: LinkStatus) -> Link:
    """The link to the device."""
    return Link(
        state=str(link.state),
        text=link.text,
        frames=link.frames,
        frames_lost=link.frames_lost,
        crc_failures=link.crc_failures,
        resent=link.resent,
        reconnects=link.reconnects,
        reboots=link.reboots,
        device_rx_bad=link.device_rx_bad,
        last_frame_age_s=number(link.last_frame_age_s, 3),
        tick_ppm=number(None if link.tick_s is None else (link.tick_s / 1e-3 - 1) * 1e6, 1),
    )


def reading_now(reading: Measured | None) -> Reading | None:
    """What the device measures."""
    if reading is None:
        return None
    return Reading(
        irradiance_mw_cm2=number(reading.irradiance_mw_cm2),
        vacuum_kpa=number(reading.vacuum_kpa, 2),
        oven_c=number(reading.oven_c, 2),
        head_c=number(reading.head_c, 2),
        water_c=number(reading.water_c, 2),
        inputs=reading.inputs,
        quality=[flag.name.lower() for flag in reading.quality if flag.name],
    )


def light_now(light: Measure | None) -> Light:
    """Light on the bed; None: not known."""
    if light is None:
        return Light(state="unknown", measured=False, output=False, order=None, left_on=False)
    return Light(
        state="on" if light.on else "unknown" if light.unseen or light.blind else "dark",
        measured=light.measured,
        output=light.output,
        order=light.order,
        left_on=light.left_on,
    )


def exposure_now(exposure: ExposureStatus | None) -> Exposure | None:
    """The exposure that is going on, or was the last."""
    if exposure is None:
        return None
    return Exposure(
        state=str(exposure.state),
        step=str(exposure.step),
        dose_mj_cm2=number(exposure.dose_mj_cm2, 3),
        target_dose_mj_cm2=exposure.target_dose_mj_cm2,
        irradiance_mw_cm2=number(exposure.irradiance_mw_cm2),
        remaining_s=number(exposure.remaining_s, 2),
        light_s=number(exposure.light_s, 2),
        waiting_for=list(exposure.waiting_for),
        reason=exposure.reason,
        asks_what_fell=exposure.asks_what_fell,
        uncertain_mj_cm2=number(exposure.uncertain_mj_cm2, 3),
    )


_CALLING = (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED,
            AlarmState.LATCHED_UNACKNOWLEDGED)  # fmt: skip
_STANDING = (AlarmState.ACKNOWLEDGED, AlarmState.LATCHED_ACKNOWLEDGED)


def summary(status: Status) -> Json:
    """The few values that the retained status topic shows."""
    return {
        "link": status.link.state,
        "run_id": status.run_id,
        "exposure": status.exposure.state if status.exposure else None,
        "light": status.light.state,
        "order": status.light.order,
        "dose_mj_cm2": status.exposure.dose_mj_cm2 if status.exposure else None,
        "problem": status.problem,
        "alarms": alarms_brief(status.alarms),
        "plates": [plate_line(plate) for plate in status.plates],
        "overdue": [*overdue(status)],
    }


def alarms_brief(alarms: Alarms) -> Json:
    """How many call for an answer, how many stand although answered, and the worst of them."""
    calling = [one for one in alarms.list if one.state in _CALLING]
    standing = [one for one in alarms.list if one.state in _STANDING]
    worst = min(calling or standing, key=lambda a: Priority[a.priority.upper()], default=None)
    return {
        "unacknowledged": len(calling),
        "acknowledged": len(standing),
        "worst": None if worst is None else {
            "name": worst.name, "priority": worst.priority, "state": worst.state,
            "next_act": worst.next_act,
        },
    }  # fmt: skip


def plate_line(plate: PlateBrief) -> Json:
    """A plate in progress: where it is."""
    stage = plate.now.stage
    return {
        "plate": plate.plate,
        "state": plate.state,
        "step": plate.now.name,
        "step_state": plate.now.state,
        "overdue": stage is not None and stage.overdue,
    }


def overdue(status: Status) -> list[str]:
    """What is past its time, in a few words each."""
    late = [plate for plate in status.plates if plate.now.stage and plate.now.stage.overdue]
    stages = [f"plate {plate.plate}: {plate.now.name}" for plate in late]
    dues = [one.name for one in status.alarms.list if one.active and one.unit == "days"]
    return stages + dues
