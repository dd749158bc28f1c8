"""Entries to points of the store, and points to line protocol. Pure.

    platelink            every column of the samples, and ``sample`` (index within the run)
    platelink_event      count = 1, with the tag ``name``
    platelink_run_start  count = 1, target_dose_mj_cm2
    platelink_run_end    dose_mj_cm2, device_dose_mj_cm2, plate_to_plate_pct, against_meter_pct,
                         light_s, samples, events, gaps, with the tag ``state``

Tags of all: site, unit, run, step. Numbers only; text stays in the journals.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final, NamedTuple

from platelink.contract.uncertainty import uncertainty_in
from platelink.publish.intake import at_ms
from platelink.publish.topics import Address
from platelink.runs import AnyEntry, RunChannels, RunEnd, RunEvent, RunSamples, RunStart

UNKNOWN_STEP: Final = "unknown"
_UNSAFE: Final = re.compile(r"[\x00-\x1f\x7f\\\"]")


class Point(NamedTuple):
    series: str
    """Measurement and tags, escaped: what stands before the first space of a line."""
    fields: dict[str, float]
    at_ms: int
    order: int
    """Place within the series: rises from point to point as they were made."""


def points_of(entry: AnyEntry, address: Address, *, step: str, order: int) -> Iterator[Point]:
    """The points of an entry; ``order`` is the entry's number in its journal."""
    at = at_ms(entry)
    match entry:
        case RunSamples():
            series = _series("platelink", address, step)
            yield from _samples(entry, series)
        case RunEvent():
            series = _series("platelink_event", address, step, name=entry.name)
            yield Point(series, {"count": 1.0}, at, order)
        case RunStart():
            series = _series("platelink_run_start", address, step)
            fields = {"count": 1.0, "target_dose_mj_cm2": entry.target_dose_mj_cm2}
            yield Point(series, _known(fields), at, order)
        case RunEnd():
            series = _series("platelink_run_end", address, step, state=entry.state)
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
            yield Point(series, _known(ends), at, order)
        case RunChannels():
            pass


def line(point: Point, at_ms: int) -> str:
    """One line of the line protocol, time in milliseconds. ``repr`` gives the shortest text that
    reads back as the same number."""
    fields = ",".join(f"{name}={float(value)!r}" for name, value in point.fields.items())
    return f"{point.series} {fields} {at_ms}"


def _samples(entry: RunSamples, series: str) -> Iterator[Point]:
    for i, at in enumerate(entry.at_utc_ms):
        fields = _known({name: column[i] for name, column in entry.values.items()})
        index = entry.first_sample + i
        yield Point(series, fields | {"sample": float(index)}, at, index)


def _known(fields: dict[str, float | None]) -> dict[str, float]:
    return {name: value for name, value in fields.items() if value is not None}


def _series(measurement: str, address: Address, step: str, **more: str) -> str:
    tags = {"site": address.site, "unit": address.unit, "run": address.run_id, "step": step, **more}
    # An empty tag value is not allowed in a line; the store takes a missing tag for an empty one.
    pairs = [f"{key}={_tag(value)}" for key, value in tags.items() if value]
    return ",".join([measurement, *pairs])


def _tag(value: str) -> str:
    """A tag value may hold anything but line ends; '\\' has no escape, so it becomes '_'."""
    clean = _UNSAFE.sub("_", value)
    return clean.replace(",", r"\,").replace("=", r"\=").replace(" ", r"\ ")
