"""What followers are told, as plain JSON values. Pure."""

from __future__ import annotations

import math
from datetime import UTC, datetime
from typing import Any

from platelink.daemon.core import UnitStatus
from platelink.daemon.recording import EventNoted


def number(value: float | None, digits: int = 4) -> float | None:
    """A number as JSON takes it: rounded, NaN and infinity as None."""
    return None if value is None or not math.isfinite(value) else round(value, digits)


def iso(at_utc_ms: int | None) -> str | None:
    """UTC in milliseconds as a text."""
    if at_utc_ms is None:
        return None
    return datetime.fromtimestamp(at_utc_ms / 1000.0, UTC).isoformat(timespec="milliseconds")


def event_line(event: EventNoted) -> dict[str, Any]:
    """One event."""
    return {
        "at_utc": iso(event.at_utc_ms),
        "run_id": event.run_id,
        "name": event.name,
        "text": event.text,
        "data": {k: number(v) if isinstance(v, float) else v for k, v in event.data.items()},
    }


def status_line(status: UnitStatus) -> dict[str, Any]:
    """The unit at one moment."""
    link, reading, exposure = status.link, status.reading, status.exposure
    line: dict[str, Any] = {
        "link": {
            "state": str(link.state),
            "text": link.text,
            "frames": link.frames,
            "frames_lost": link.frames_lost,
            "crc_failures": link.crc_failures,
            "resent": link.resent,
            "reconnects": link.reconnects,
            "reboots": link.reboots,
            "device_rx_bad": link.device_rx_bad,
            "last_frame_age_s": number(link.last_frame_age_s, 3),
            "tick_ppm": number(None if link.tick_s is None else (link.tick_s / 1e-3 - 1) * 1e6, 1),
        },
        "run_id": status.run_id,
        "reading": None,
        "exposure": None,
    }
    if reading is not None:
        line["reading"] = {
            "irradiance_mw_cm2": number(reading.irradiance_mw_cm2),
            "vacuum_kpa": number(reading.vacuum_kpa, 2),
            "oven_c": number(reading.oven_c, 2),
            "head_c": number(reading.head_c, 2),
            "inputs": reading.inputs,
            "quality": [flag.name.lower() for flag in reading.quality if flag.name],
        }
    if exposure is not None:
        line["exposure"] = {
            "state": str(exposure.state),
            "step": str(exposure.step),
            "dose_mj_cm2": number(exposure.dose_mj_cm2, 3),
            "target_dose_mj_cm2": exposure.target_dose_mj_cm2,
            "irradiance_mw_cm2": number(exposure.irradiance_mw_cm2),
            "remaining_s": number(exposure.remaining_s, 2),
            "light_s": number(exposure.light_s, 2),
            "waiting_for": list(exposure.waiting_for),
            "reason": exposure.reason,
        }
    return line


def summary(status: dict[str, Any]) -> dict[str, Any]:
    """The few values that the retained status topic shows."""
    exposure = status["exposure"] or {}
    return {
        "link": status["link"]["state"],
        "run_id": status["run_id"],
        "exposure": exposure.get("state"),
        "problem": status["problem"],
    }
