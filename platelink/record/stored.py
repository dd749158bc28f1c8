"""What is read from a journal: its runs, with and without an end. Data only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any, NamedTuple

from platelink.contract.runs import Run
from platelink.events.unit import DoseCorrected
from platelink.runs import AnyEntry, RunChannels, RunEnd, RunEvent, RunStart, SampleBlock

WITHOUT_LIGHT = ("plate", "bake")
"""Kinds of run in which no light is counted."""


class OutboxRow(NamedTuple):
    """An entry and its number, which is a reader's cursor."""

    number: int
    entry: AnyEntry


class Removed(NamedTuple):
    """That a closed run's samples were removed on purpose."""

    number: int
    """The entry that tells of it."""
    at_utc: datetime
    days: int
    """The rule: how long samples are kept."""
    manifest_sha256: str
    """What the record was sealed as."""

    @property
    def text(self) -> str:
        """In a sentence, which says nothing of the seal."""
        return f"samples removed on {self.at_utc:%Y-%m-%d} by the retention of {self.days} days"

    @property
    def compared(self) -> str:
        """The same, for who has found that all that is left is what was sealed."""
        return f"{self.text}; the seal of what was removed stands"


@dataclass(frozen=True, slots=True)
class RunRecord:
    """A run without its events and samples; ``end`` is None while it is open."""

    start: RunStart
    channels: RunChannels | None
    end: RunEnd | None
    corrected: DoseCorrected | None = None
    """What the device told of its light after that end."""
    facts: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """By name, as ``record/facts.py`` tells them; lot, recipe and screens also of its plate."""
    after: tuple[RunEvent, ...] = ()
    """What people noted and corrected after a plate's end, oldest first."""
    removed: Removed | None = None
    """Why its samples are not there any more."""

    @property
    def summary(self) -> Run:
        """As it stands in a list."""
        return Run.of(self.start, self.end, self.corrected, self.facts, self.after)


@dataclass(frozen=True, slots=True)
class OpenRun:
    """A run without an end, and what is stored of it."""

    start: RunStart
    channels: RunChannels | None
    samples: int
    events: int
    first: SampleBlock | None
    """The first sample, as a block of one."""
    last: SampleBlock | None
    """The newest sample, as a block of one."""

    @property
    def kind(self) -> str:
        """What is left of a plate or a bake is resumed, not closed as light."""
        return self.start.run_kind


@dataclass(frozen=True, slots=True)
class LightScale:
    """What a count of one light channel was worth in a run."""

    calibration: str
    """``light 0@3``, or ``as configured``."""
    made_on: str
    slope_mw_cm2_per_count: float
    weight: float
    settings: dict[str, Any]
    """All else that it was set to: with other settings a count is another."""


@dataclass(frozen=True, slots=True)
class LitRun:
    """An exposure that is over, as far as it tells of the lamps."""

    run_id: str
    at_ms: int
    """When it began, UTC."""
    complete: bool
    light_s: float
    dose_mj_cm2: float | None
    lamps: dict[str, Any]
    """What the run's end holds of them (``platelink/unit/lit.py``); empty in older records."""
    light: tuple[LightScale, ...] = ()
    """Of each channel; empty where the run's start does not tell it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExposedPlate:
    """A plate whose last exposure with contact before the wash is over."""

    plate: str
    recipe: str
    """Its id, whatever the revision."""
    step: str
    """That exposure."""
    screen: str | None
    target_mj_cm2: float
    dose_mj_cm2: float
    irradiance_mw_cm2: float | None
    """Mean of its light."""
    calibrations: tuple[str, ...]
    exposed_utc: datetime
    lot: str
    place_pct: float | None
    """Light on it against the sensor's, by its place on a measured bed; None: nobody said."""
    lot_open_days: float | None
    """As it was made, since its lot was opened; this and the next two: None, not on record."""
    bath_days: float | None
    """Since the bath was renewed."""
    bath_m2: float | None
    """Washed in it since."""
    contact_kpa: float
    """Vacuum lost in its light at worst, as told by the hold test and by warnings."""
    limits_um: Mapping[str, tuple[float, float]]
    """Of each point that the recipe has measured."""
    depths_um: Mapping[str, float]
    """As they were corrected; empty until it is inspected."""
    inspected_utc: datetime | None
    bake_min: float | None
    """In the band."""
    water_c: float | None

    def like(self, other: ExposedPlate) -> bool:
        """Made of the same recipe under the same screen: their depths belong together."""
        return (self.recipe, self.step, self.screen) == (other.recipe, other.step, other.screen)


class Use(NamedTuple):
    """What one run of the record used, at its end."""

    at_utc: datetime
    exposure: bool = False
    light_s: float | None = 0.0
    """None: it gave light, and nobody knows for how long."""
    plate: bool = False
    washed_cm2: float | None = 0.0
    """None: the plate was washed, and its record names no area."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SpentPlate:
    """How a plate ended, and what it took."""

    plate: str
    complete: bool
    verdict: str
    """good or reject, as it was corrected; empty: nobody judged it."""
    area_cm2: float | None
    """None: its record names none."""
    light_s: float | None
    """Of all its exposures; None: of one of them it is not on record."""
    hand_s: float
    """Of its stages done by hand, as they were timed."""
