"""Views of calibrations: what holds, how it changed, and the one that is being read."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

from starlette.requests import Request
from starlette.responses import Response

from platelink.contract.calibrations import Calibration, Calibrations, CalibrationWhole
from platelink.contract.runs import Device
from platelink.web.service import get, part
from platelink.web.show import show

WIDTH, HEIGHT, EDGE = 600.0, 150.0, 12.0
LEAST_PCT, LEAST_UNIT = 2.0, 0.5
"""Noise is not blown up to a curve."""


class Point(NamedTuple):
    """One approved calibration in the chart; in its coordinates."""

    name: str
    cause: str
    x: float
    y: float
    low: float
    high: float
    text: str


class Chart(NamedTuple):
    """How a sensor's calibrations changed."""

    points: list[Point]
    zero: float
    span: float
    """Value of the upper edge, and minus that of the lower."""
    unit: str


def chart_of(made: Sequence[Calibration]) -> Chart | None:
    """Of one sensor, oldest first; None below two that were approved. Light: change of the gain
    against the first, in %. Others: what is added to the configured value at the highest level."""
    found = [
        one for one in made
        if one.approved_by and one.gain and one.finished_utc and one.u is not None and one.top
    ]  # fmt: skip
    if len(found) < 2:
        return None
    light = found[0].sensor.startswith("light")
    values = [_change(one, found[0], light) for one in found]
    bars = [100.0 * one.u / one.top if light else one.u for one in found if one.u and one.top]
    least = LEAST_PCT if light else LEAST_UNIT
    span = max(least, *(abs(v) + u for v, u in zip(values, bars, strict=True)))
    days = [date.fromisoformat((one.finished_utc or "")[:10]).toordinal() for one in found]
    wide = max(1, days[-1] - days[0])
    middle, scale = HEIGHT / 2.0, (HEIGHT / 2.0 - EDGE) / span
    unit = "%" if light else found[0].unit
    points = [
        Point(
            one.name, one.cause, EDGE + (day - days[0]) / wide * (WIDTH - 2.0 * EDGE),
            middle - value * scale, middle - (value - bar) * scale, middle - (value + bar) * scale,
            f"{one.name}: {value:+.2f} ± {bar:.2f} {unit}",
        )
        for one, day, value, bar in zip(found, days, values, bars, strict=True)
    ]  # fmt: skip
    return Chart(points, middle, span, unit)


def _change(one: Calibration, first: Calibration, light: bool) -> float:
    assert one.gain and first.gain and one.top is not None
    if light:
        return 100.0 * (one.gain / first.gain - 1.0)
    return one.top - (one.top - (one.offset or 0.0)) / one.gain


async def every(request: Request) -> Response:
    """All sensors with their calibrations."""
    device = await get(request, Device, "/v1/device")
    made = (await get(request, Calibrations, "/v1/calibrations")).calibrations
    of = {
        sensor.name: [one for one in made if one.sensor == sensor.name] for sensor in device.sensors
    }
    return await show(
        request, "calibrations.html", device=device, of=of,
        charts={name: chart_of(found) for name, found in of.items()},
    )  # fmt: skip


async def one(request: Request) -> Response:
    """One calibration: live counts while it is read, its levels, its line."""
    name = part(request.path_params["name"])
    return await show(
        request, "calibration.html", made=get(request, CalibrationWhole, f"/v1/calibrations/{name}")
    )
