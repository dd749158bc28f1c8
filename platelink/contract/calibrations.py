"""Calibrations of the sensors: what is asked and answered about them. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Day, Json, Name, Reasoned, Request, Text, Utc, Why

Cause = Literal["routine", "new sensor", "cleaned sensor", "new lamps"]
ReadingKind = Literal["dark", "level"]


class Reference(Request):
    """The reference instrument, as its certificate says."""

    name: Name
    certificate: Name = Field(description="Number of its certificate.")
    due_on: Day = Field(description="Last day its own calibration is good.")
    u_pct: float = Field(default=0.0, description="Expanded uncertainty, % of the reading.")
    u_abs: float = Field(default=0.0, description="The same in the quantity's unit; both count.")
    k: float = Field(default=2.0, description="Coverage factor of U.")
    resolution: float = Field(
        default=0.0, description="Last digit of what it shows, in the quantity's unit."
    )


class NewCalibration(Request):
    """A calibration to be begun."""

    sensor: Name = Field(examples=["light 0", "vacuum"])
    cause: Cause = "routine"
    reference: Reference


class DarkTaken(Request):
    """Take the settled counts as the dark reading."""


class LevelTaken(Request):
    """Take the settled counts as a level, with what the reference shows."""

    reference: Text = Field(description="With its unit.", examples=["11.8 mW/cm2"])


class LevelLeftOut(Request):
    """A level is not used, with the reason; it stays in the record."""

    level: int
    why: Why


class CalibrationFinished(Request):
    """Find the line; refused, with all reasons, when the levels cannot carry it."""

    due_on: Day
    why: Why = ""


class CalibrationApproved(Reasoned):
    """Approve one; it is in force from the next run."""


class CalibrationDropped(Reasoned):
    """Discard one; the one before is in force again."""


AtCalibration = (
    DarkTaken | LevelTaken | LevelLeftOut | CalibrationFinished | CalibrationApproved
    | CalibrationDropped
)  # fmt: skip
CALIBRATION_ACTS: dict[type[AtCalibration], str] = {
    DarkTaken: "dark", LevelTaken: "level", LevelLeftOut: "leave-out",
    CalibrationFinished: "finish", CalibrationApproved: "approve", CalibrationDropped: "drop",
}  # fmt: skip
"""Each with the last part of its path."""


class Counts(Answer):
    """Counts of one input."""

    mean: float
    rms: float = Field(description="Scatter of single conversions.")
    u_mean: float
    n: int
    low: int | None
    high: int | None
    head_c: float | None
    supply_v: float | None = Field(description="The converter's reference, as measured.")


class CountsNow(Answer):
    """An input as it is now."""

    sensor: str
    unit: str
    counts: Counts | None
    x: float | None = Field(description="As the configured characteristic tells it; light: null.")
    value: float | None = Field(description="As the calibration in force tells it.")
    drift: float = Field(description="Over the window looked at, counts.")
    limit: float
    waits_s: float
    settled: bool
    text: str


class LevelNow(Answer):
    """One level of a calibration."""

    number: int
    reference: float
    x: float
    counts: Counts
    residual: float | None = Field(description="Reference minus line.")
    left_out: str | None = Field(description="Why it is not used.")


class LineNow(Answer):
    """The line that was found: value = offset + gain · x."""

    offset: float
    gain: float
    u_offset: float
    u_gain: float
    dof: int
    residual_sd: float
    bow: float
    x_low: float
    x_high: float


class Step(Answer):
    """Something that was done."""

    act: str
    at_utc: Utc
    who: str
    why: str
    body: Json


class Calibration(Answer):
    """A calibration as it is now."""

    name: str
    sensor: str
    revision: int
    stage: str
    in_force: bool
    cause: str
    reference: Json
    unit: str
    levels: int
    begun_by: str
    begun_utc: Utc
    finished_utc: Utc | None
    approved_by: str | None
    due_on: str | None
    days_left: int | None
    gain: float | None
    offset: float | None
    u: float | None = Field(description="U (k = 2) at the highest level, in the unit.")
    top: float | None = Field(description="Value at the highest level.")
    asks: str = Field(description="What a person should look at before approving it.")


class Calibrations(Answer):
    """Calibrations."""

    calibrations: list[Calibration]


class CalibrationWhole(Calibration):
    """A calibration with everything read and done."""

    dark: Counts | None
    level: list[LevelNow]
    line: LineNow | None
    history: list[Step]
