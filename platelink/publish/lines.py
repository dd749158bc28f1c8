"""Entries to points of the store, and points to line protocol. Pure.

    platelink            every column of the samples, and ``sample`` (index within the run)
    platelink_event      count = 1, with the tag ``name``; of an alarm also ``alarm``, ``priority``
                         and ``state``
    platelink_run_start  count = 1, target_dose_mj_cm2
    platelink_run_end    dose_mj_cm2, device_dose_mj_cm2, plate_to_plate_pct, against_meter_pct,
                         light_s, samples, events, gaps, with the tag ``state``

Tags of all: site, unit, step; of samples also slot, of starts and ends run: a store's cost is its
series, and each name of a run makes new ones. Runs recorded before there were slots have run on
all. Numbers only; text stays in the journals.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

from pydantic_core import to_json

from platelink.contract.uncertainty import uncertainty_in
from platelink.events.event import read
from platelink.events.unit import AlarmMoved
from platelink.publish.intake import at_ms
from platelink.publish.topics import Address
from platelink.runs import AnyEntry, RunChannels, RunEnd, RunEvent, RunSamples, RunStart

_UNSAFE: Final = re.compile(r"[\x00-\x1f\x7f\\\"]")


class RunTags(NamedTuple):
    """What the start of a run tells of the tags of all its points."""

    step: str
    slot: int | None = None
    """None in older records: the run's name stands in its place."""


UNKNOWN: Final = RunTags("unknown")
"""Of a run whose start has not come."""
OUTSIDE: Final = RunTags("")
"""Of what belongs to no run."""


class Points(NamedTuple):
    """Points of one series, one after the other."""

    series: str
    """Measurement and tags, escaped: what stands before the first space of a line."""
    fields: list[str]
    """Of each point, as they stand in its line."""
    at_ms: Sequence[int]
    order: int
    """Number of their entry in its journal."""

    def lines(self, at_ms: Sequence[int]) -> list[str]:
        """Of the line protocol, with these times in milliseconds."""
        series = self.series
        return [f"{series} {fields} {at}" for fields, at in zip(self.fields, at_ms, strict=True)]


def points_of(entry: AnyEntry, address: Address, run: RunTags, *, order: int) -> Points | None:
    """The points of an entry, if it has any; ``order`` is the entry's number in its journal."""
    named = {"site": address.site, "unit": address.unit, "run": address.run_id}
    known = named if run.slot is None else named | {"run": None}
    step = {"step": run.step}

    def point(series: str, fields: dict[str, float | None]) -> Points:
        told = ",".join(f"{name}={value!r}" for name, value in fields.items() if value is not None)
        return Points(series, [told], (at_ms(entry),), order)

    match entry:
        case RunSamples() if not entry.ticks:  # the unit has removed them since
            return None
        case RunSamples():
            slot = None if run.slot is None else str(run.slot)
            series = _series("platelink", known | {"slot": slot} | step)
            return Points(series, _samples(entry), entry.at_utc_ms, order)
        case RunEvent():
            series = _series("platelink_event", known | step | {"name": entry.name} | _alarm(entry))
            return point(series, {"count": 1.0})
        case RunStart():
            series = _series("platelink_run_start", named | step)
            return point(series, {"count": 1.0, "target_dose_mj_cm2": entry.target_dose_mj_cm2})
        case RunEnd():
            series = _series("platelink_run_end", named | step | {"state": entry.state})
            stated = uncertainty_in(entry.data)
            ends = {
                "dose_mj_cm2": entry.dose_mj_cm2,
                "device_dose_mj_cm2": entry.device_dose_mj_cm2,
                "plate_to_plate_pct": stated.plate_to_plate_pct if stated else None,
                "against_meter_pct": stated.against_meter_pct if stated else None,
                "light_s": entry.light_s,
                "samples": float(entry.samples),
                "events": float(entry.events),
                "gaps": float(entry.gaps),
            }
            return point(series, ends)
        case RunChannels():
            return None


def _samples(entry: RunSamples) -> list[str]:
    """A column at once: most messages are samples, and this is most of the work of each. The texts
    are the shortest that read back as the same numbers."""
    first = float(entry.first_sample)
    columns = {**entry.values, "sample": tuple(first + i for i in range(len(entry.at_utc_ms)))}
    texts = [to_json(column)[1:-1].decode("ascii").split(",") for column in columns.values()]
    if not any(None in column for column in entry.values.values()):
        form = ",".join(f"{name}=%s" for name in columns)
        return [form % fields for fields in zip(*texts, strict=True)]
    known = [
        [(name, text) for name, text in zip(columns, fields, strict=True) if text != "null"]
        for fields in zip(*texts, strict=True)
    ]
    return [",".join(f"{name}={text}" for name, text in fields) for fields in known]


def _alarm(event: RunEvent) -> dict[str, str | None]:
    """What more tells an alarm; nothing of another event."""
    moved = read(AlarmMoved, event.name, event.data)
    if moved is None:
        return {}
    return {"alarm": moved.alarm, "priority": moved.priority, "state": moved.to}


def _series(measurement: str, tags: Mapping[str, str | None]) -> str:
    # An empty tag value is not allowed in a line; the store takes a missing tag for an empty one.
    pairs = [f"{key}={_tag(value)}" for key, value in tags.items() if value]
    return ",".join([measurement, *pairs])


def _tag(value: str) -> str:
    """A tag value may hold anything but line ends; '\\' has no escape, so it becomes '_'."""
    clean = _UNSAFE.sub("_", value)
    return clean.replace(",", r"\,").replace("=", r"\=").replace(" ", r"\ ")
