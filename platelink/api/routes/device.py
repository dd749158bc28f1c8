"""The device and its sensors: calibrations, what lamps taught, firmware, settings in force."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from datetime import date
from typing import Any

from fastapi import APIRouter

from platelink.api import shapes
from platelink.api.context import Context, Here
from platelink.api.errors import ApiError
from platelink.api.shapes import told
from platelink.api.stores import journal
from platelink.api.views import utc
from platelink.record.reader import JournalReader

router = APIRouter(tags=["unit"])
Line = dict[str, Any]
LOOKED_AT = 20
"""Newest runs and events looked at for what is wanted of them."""
HEARD = ("link up", "device restarted")


@router.get("/v1/device", responses=told(shapes.Device))
def device(here: Here) -> Line:
    """What this unit is, and what is known of its sensors, lamps and firmware."""
    config = here.settings.config
    answer: Line = {
        "unit": here.settings.unit,
        "lamps": config.get("unit", {}).get("lamps"),
        "sensors": list(_sensors(here)),
        "learned": None,
        "firmware": None,
        "config": config,
    }
    with suppress(ApiError), journal(here) as reader:  # nothing was recorded yet
        answer |= {"learned": _learned(reader), "firmware": _firmware(reader)}
    return answer


def _sensors(here: Context) -> Iterator[Line]:
    config, today = here.settings.config, here.today()
    for number, channel in enumerate(config.get("light", {}).get("channel", [])):
        yield {"name": f"light {number}", **_due(channel, today), "settings": channel}
    for name in ("vacuum", "oven", "head"):
        settings = config.get(name)
        if settings is not None:
            yield {"name": name, **_due(settings, today), "settings": settings}


def _due(settings: Line, today: date) -> Line:
    due = settings.get("due_on")
    days = None if due is None else (date.fromisoformat(due) - today).days
    return {
        "calibrated_on": settings.get("calibrated_on"),
        "due_on": due,
        "days_left": days,
        "overdue": days is not None and days < 0,
    }


def _learned(reader: JournalReader) -> Line | None:
    """What the newest complete run that taught anything taught."""
    for run in reader.runs(state="complete", limit=LOOKED_AT):
        for event in reversed(reader.events(run.start.run_id)):
            if event.name == "learned":
                known = {"run_id": run.start.run_id, "at_utc": utc(event.at_utc)}
                return {**event.data, **known}
    return None


def _firmware(reader: JournalReader) -> Line | None:
    """What the device said of itself when it last came up outside a run."""
    for event in reader.unit_events(limit=LOOKED_AT * 10):
        if event.name in HEARD:
            return {**event.data, "at_utc": utc(event.at_utc)}
    return None
