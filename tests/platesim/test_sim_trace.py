"""Recorded light: the measured series and how it is played."""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest
from scipy import integrate

from platesim import trace
from platesim.scenarios import build
from platesim.trace import Trace, TraceSource, TraceUnavailable, measured_uv_a

needs_series = pytest.mark.skipif(
    importlib.util.find_spec("pvanalytics") is None,
    reason="the measured series is not installed: pip install --no-deps pvanalytics",
)


@needs_series
@pytest.mark.parametrize(
    ("day", "samples", "joule_m2"),
    [
        (1, 286, 365_500.822660),
        (2, 287, 738_164.130425),
        (3, 287, 621_765.704048),
        (4, 287, 683_242.144644),
        (None, 1147, 2_408_673.914371),
    ],
)
def test_measured_series(day: int | None, samples: int, joule_m2: float) -> None:
    """Totals by scipy 1.17.1 (integrate.trapezoid) over NREL's UV-A column, rows without a value
    dropped; 1 J/m2 is 0.1 mJ/cm2."""
    series = measured_uv_a(day)
    assert len(series.times_s) == samples
    total = integrate.trapezoid(series.irradiance_mw_cm2, series.times_s)
    assert total == pytest.approx(joule_m2 * 0.1, abs=1e-6)


@needs_series
def test_measured_peak() -> None:
    """4.0558 mW/cm2 at 12:05 on the second day."""
    series = measured_uv_a(2)
    peak = int(np.argmax(series.irradiance_mw_cm2))
    assert series.irradiance_mw_cm2[peak] == pytest.approx(4.05576, abs=1e-5)
    assert series.times_s[peak] == (12 * 60 + 5) * 60.0  # the day's rows begin at 0:00


@needs_series
def test_unit_plays_the_day_as_its_light() -> None:
    """The truth of a unit behind which the day runs 1000 times faster is the day's total / 1000."""
    unit = build("trace", seed=1)
    unit.plant.set_drive(lamp=True, pump=False)
    unit.advance(90.0)
    assert unit.true_dose_mj_cm2() == pytest.approx(73_816.4130425 / 1000.0, rel=1e-6)


def test_trace_runs_on_behind_the_shut_light() -> None:
    source = TraceSource(Trace(np.array([0.0, 10.0]), np.array([0.0, 10.0])))
    offsets = np.zeros((1, 1))
    assert source.light(3.0, offsets) is None
    source.switch(True, 5.0)
    source.switch(False, 6.0)
    assert source.light(6.0, offsets) is None
    source.switch(True, 9.0)
    light = source.light(9.0, offsets)
    assert light is not None
    assert light.bed[0, 0] == pytest.approx(4.0)
    past = source.light(15.1, offsets)
    assert past is not None
    assert past.bed[0, 0] == 0.0


def test_compressed() -> None:
    fast = Trace(np.array([0.0, 10.0]), np.array([2.0, 4.0])).compressed(5.0)
    assert fast.times_s.tolist() == [0.0, 2.0]
    assert fast.irradiance_mw_cm2.tolist() == [2.0, 4.0]


@pytest.mark.parametrize(
    ("times", "values"),
    [
        ([0.0], [1.0]),
        ([0.0, 0.0], [1.0, 1.0]),
        ([0.0, 1.0], [1.0, float("nan")]),
        ([0.0, 1.0], [1.0]),
    ],
)
def test_bad_traces_are_refused(times: list[float], values: list[float]) -> None:
    with pytest.raises(ValueError, match="a trace needs"):
        Trace(np.array(times), np.array(values))


def test_another_day_is_refused() -> None:
    with pytest.raises(ValueError, match=r"days 1\.\.4"):
        measured_uv_a(5)


@needs_series
def test_another_file_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace, "_SHA256", "0000000000000000")
    with pytest.raises(TraceUnavailable, match="expected 0000"):
        measured_uv_a(1)


def test_missing_package_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(trace, "_PACKAGE", "no-such-package-here")
    with pytest.raises(TraceUnavailable, match="pip install"):
        measured_uv_a(1)
