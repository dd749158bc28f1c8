"""Invented calibrations for the tests."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

from platelink.calibrations.made import Made, Plan
from platelink.calibrations.store import CalibrationStore
from platelink.ledger.by import By
from platelink.sensing.calibration import Cause, Counts, Instrument, Level

T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
TODAY, DUE = T0.date(), date(2027, 3, 1)
METER = Instrument(
    name="hand meter (invented)", certificate="EX-117", due_on=date(2026, 9, 1), u_rel=0.07,
    resolution=0.01,
)  # fmt: skip
PLAN = Plan(cause=Cause.ROUTINE, instrument=METER, settings={"gain": 1.0}, adc_max=1023)
DARK = Counts(mean=21.3, rms=0.6, u_mean=0.02, n=6000, low=19, high=24)
SLOPE = 0.0149


def by(why: str = "", *, minutes: float = 0.0, who: str = "A. Example") -> By:
    """Somebody, some time after the beginning."""
    return By(who, T0 + timedelta(minutes=minutes), why)


def counts(mean: float) -> Counts:
    """A settled reading."""
    return replace(DARK, mean=mean, low=int(mean) - 2, high=int(mean) + 3)


def level(reference: float, slope: float = SLOPE, dark: float = DARK.mean) -> Level:
    """Light as the sensor of this slope reads it."""
    x = reference / slope
    return Level(reference=reference, x=x, counts=counts(x + dark))


def read(
    store: CalibrationStore, sensor: str = "light 0", plan: Plan = PLAN, slope: float = SLOPE
) -> Made:
    """A light calibration with all its readings."""
    name = store.begin(sensor, plan, by()).name
    store.dark(name, DARK, by())
    for reference in (4.0, 7.0, 9.5, 12.0):
        made = store.level(name, level(reference, slope), by())
    return made


def approved(
    store: CalibrationStore, sensor: str = "light 0", plan: Plan = PLAN, slope: float = SLOPE
) -> Made:
    """The same, approved."""
    name = read(store, sensor, plan, slope).name
    store.finish(name, DUE, by(), today=TODAY)
    return store.approve(name, by("compared with the hand meter", who="B. Example"))
