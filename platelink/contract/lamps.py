"""The lamp set: its use, its fade, what happened to it, when it is too weak. Data only."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from platelink.contract.base import Answer, Request, Text, Utc, Why

LampAct = Literal["changed", "cleaned", "measured"]
Part = Literal["lamps", "sensor", "both"]


class LampWork(Request):
    """What a person did to the lamps, or measured at the plate with a meter of their own."""

    act: LampAct
    why: Why = ""
    burn_h: Annotated[float, Field(ge=0.0, le=1e5)] | None = Field(
        default=None, description="Of lamps put in that have burned before; changed only."
    )
    part: Part | None = Field(default=None, description="What was cleaned.")
    irradiance_mw_cm2: Annotated[float, Field(gt=0.0, le=1e4)] | None = Field(
        default=None, description="By the hand meter, at the sensor's place, lamps warm."
    )
    meter: Text | None = Field(default=None, description="Which meter; measured only.")
    u_pct: Annotated[float, Field(gt=0.0, le=100.0)] | None = Field(
        default=None, description="Its expanded uncertainty (k = 2), as its certificate has it."
    )


class ChannelNow(Answer):
    """One light channel of the set."""

    name: str
    first_mw_cm2: float
    now_mw_cm2: float
    change_pct: float
    """Since the set began, steps with it; since the last calibration after which levels are on
    another scale, where there is one."""


class LampStep(Answer):
    """A day from which on the light was another, but for its fading and its scale."""

    at_utc: Utc
    changes_pct: list[float]
    """Of each channel."""
    text: str
    """What it looks like, or what a person had entered."""


class ScaleChange(Answer):
    """A calibration by which a light channel is read from one exposure on: a change of its scale,
    not of the lamps."""

    at_utc: Utc
    """Of that exposure."""
    sensor: str
    calibration: str
    made_on: str = Field(description="Empty: not known.")
    cause: Literal["routine", "new sensor", "cleaned sensor", "new lamps", ""] = Field(
        description="Empty: not known, or the channel's settings are others besides."
    )
    rescaled_pct: float | None = Field(
        description="By so much levels before it are rescaled; null: they are on another scale."
    )
    changed_pct: float | None = Field(
        description=(
            "Levels before it on another scale: what the channel changed across it. The "
            "lamps' share of it is not known. Null: rescaled, or too few exposures."
        )
    )


class HandReading(Answer):
    """A reading of a hand meter, beside ours of that time."""

    at_utc: Utc
    who: str
    meter: str
    irradiance_mw_cm2: float
    u_pct: float | None
    ours_mw_cm2: float | None = Field(
        description="On today's scale, as far back as it is known; null: no exposure within three "
        "days."
    )


class SetBefore(Answer):
    """A lamp set that was taken out."""

    since_utc: Utc | None
    until_utc: Utc
    burn_h: float
    starts: int
    exposures: int


class LampForecast(Answer):
    """The day when the longest step takes longer than its limit, with a 90 % interval. Null: not
    before ``until_utc``, as far as can be foretold."""

    step: str
    target_dose_mj_cm2: float
    limit_s: float
    now_s: float
    early_utc: Utc | None
    likely_utc: Utc | None
    late_utc: Utc | None
    until_utc: Utc


class LampsNow(Answer):
    """The lamp set that is in use, as the record tells it."""

    since_utc: Utc | None
    """When it was put in, or began to be recorded; null: no exposure yet."""
    entered: bool
    """A person said that it was put in; else the record begins with it."""
    burn_h: float
    starts: int
    exposures: int
    before: list[SetBefore] = Field(description="Former sets, oldest first.")
    warm_up_s: float | None = Field(description="Light lost to warm-up, median of an exposure.")
    warm_up: str
    """How it comes up, or why that is not known."""
    fade_pct: float | None = Field(description="In 100 h or 1,000 starts; negative: it fades.")
    fade_low_pct: float | None
    fade_high_pct: float | None
    fade_per: Literal["100 burn hours", "1,000 starts"] | None
    why_no_fade: str
    channels: list[ChannelNow]
    steps: list[LampStep]
    scales: list[ScaleChange] = Field(description="Changes of the scale of light, oldest first.")
    readings: list[HandReading]
    asks: str
    """What a person is asked to do; empty: nothing."""
    sensor: str
    """How far lamps and sensor are told apart."""
    forecast: LampForecast | None
    why_no_forecast: str
