"""A stage of hand work: as the recipe has it, and as it was. Data only."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

from platelink.control.states import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """One stage, as the recipe has it. Times in seconds."""

    name: str
    prompt: str
    """What the person is to do."""
    time_s: float | None = None
    """None: it is only confirmed."""
    tolerance_s: float = 5.0
    """Done earlier or later than this is flagged."""
    overdue_s: float = 30.0
    """This long after its time it is overdue."""
    at_least: bool = False
    """Its time is a least time: it is never late or overdue."""
    waits: bool = False
    """True: its time begins with ``begin``; False: with the end of the stage before."""

    def __post_init__(self) -> None:
        if self.time_s is not None and not (math.isfinite(self.time_s) and self.time_s > 0.0):
            raise ValueError(f"{self.name}: time_s = {self.time_s} must be greater than 0")
        for name in ("tolerance_s", "overdue_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{self.name}: {name} = {value} must be 0 or more")


class Verdict(StrEnum):
    """How a stage went."""

    IN_TIME = "in time"
    EARLY = "early"
    LATE = "late"
    CONFIRMED = "confirmed"  # it has no time
    BROKEN_OFF = "broken off"


@dataclass(frozen=True, slots=True)
class StageResult:
    """One stage as it was. Times in seconds; water as the mean, lowest and highest reading."""

    name: str
    planned_s: float | None
    actual_s: float
    """Without holds."""
    held_s: float
    unattended_s: float
    """Part of ``actual_s`` in which this program did not run."""
    verdict: Verdict
    who: str | None
    water_mean_c: float | None
    water_min_c: float | None
    water_max_c: float | None
    water_fault: str = ""
    """What was not as it should be; empty when all was."""


@dataclass(frozen=True, slots=True)
class StagesStatus:
    """The stages as a face shows them."""

    state: State
    stage: str | None
    """Name of the present stage; None when all are done."""
    prompt: str
    number: int
    """Of the present stage, from 1."""
    count: int
    waiting: bool
    """Its time has not begun."""
    planned_s: float | None
    elapsed_s: float
    due: bool
    overdue: bool
    results: tuple[StageResult, ...]
    reason: str
