"""Entries of an invented run, for the tests of publishing."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from pydantic import JsonValue

from platelink.runs import (
    AnyEntry,
    Channel,
    RunChannels,
    RunEnd,
    RunEvent,
    RunSamples,
    RunStart,
)

SITE, UNIT = "invented-shop", "unit-1"
AT = datetime(2026, 1, 2, 3, 4, 5, tzinfo=UTC)
AT_MS = 1_767_323_045_000
JOURNAL = "7b1c2d3e-0000-4000-8000-000000000001"


def entry_id(number: int) -> str:
    return f"{JOURNAL}-{number}"


def start(
    number: int = 1, run: str = "r1", step: str = "film", at: datetime = AT,
    slot: int | None = None,
) -> RunStart:  # fmt: skip
    return RunStart(
        id=entry_id(number), run_id=run, unit=UNIT, at_utc=at, step=step, target_dose_mj_cm2=340.0,
        operator="invented", conditions={"calibration": "invented"}, slot=slot,
    )  # fmt: skip


def channels(number: int = 2, run: str = "r1", at: datetime = AT) -> RunChannels:
    described = (
        Channel(name="irradiance_mw_cm2", unit="mW/cm2"),
        Channel(name="dose_mj_cm2", unit="mJ/cm2"),
        Channel(name="vacuum_kpa", unit="kPa"),
    )
    return RunChannels(id=entry_id(number), run_id=run, unit=UNIT, at_utc=at, channels=described)


def samples(
    number: int, first: int, count: int, run: str = "r1", at: datetime = AT, step_ms: int = 50
) -> RunSamples:
    """``count`` samples from index ``first``: every value is a different number."""
    places = range(first, first + count)
    begin = round(at.timestamp() * 1000)
    return RunSamples(
        id=entry_id(number), run_id=run, unit=UNIT, at_utc=at, first_sample=first,
        ticks=tuple(50 * i for i in places),
        at_utc_ms=tuple(begin + step_ms * i for i in places),
        values={
            "irradiance_mw_cm2": tuple(7.0 + 0.001 * i for i in places),
            "dose_mj_cm2": tuple(0.35 * i for i in places),
            "vacuum_kpa": tuple(None if i % 7 == 3 else 60.0 - i / 3 for i in places),
        },
    )  # fmt: skip


def event(
    number: int, name: str = "light_on", run: str | None = "r1", at: datetime = AT
) -> RunEvent:
    return RunEvent(id=entry_id(number), run_id=run, unit=UNIT, at_utc=at, name=name)


def end(number: int, count: int, run: str = "r1", at: datetime = AT) -> RunEnd:
    return RunEnd(
        id=entry_id(number), run_id=run, unit=UNIT, at_utc=at, state="complete",
        reason="dose reached", dose_mj_cm2=340.1, device_dose_mj_cm2=340.2, light_s=60.5,
        samples=count, events=2,
    )  # fmt: skip


UNCERTAINTY: dict[str, JsonValue] = {
    "plate_to_plate_pct": 1.5, "against_meter_pct": 14.0, "plate_to_plate_dof": None,
    "against_meter_dof": 23.0, "plate_to_plate_holds_pct": 95.4,
    "against_meter_holds_pct": 94.2, "assumed": [], "lines": [],
}  # fmt: skip
"""As an exposure's end may hold it; invented."""


def whole_run(blocks: int, per_block: int, *, first: int = 1, run: str = "r1") -> list[AnyEntry]:
    """A run as the journal tells it: start, channels, light on, blocks of a second, off, end."""
    entries: list[AnyEntry] = [start(first, run), channels(first + 1, run)]
    entries.append(event(first + 2, "light_on", run))
    for block in range(blocks):
        entries.append(samples(first + 3 + block, block * per_block, per_block, run))
    after = AT + timedelta(milliseconds=50 * blocks * per_block)
    entries.append(event(first + 3 + blocks, "light_off", run, after))
    entries.append(end(first + 4 + blocks, blocks * per_block, run, after))
    return entries
