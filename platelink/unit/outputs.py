"""What the unit puts out: operations on the journal, refusals, the device's account. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal

from platelink.control.states import Ended, State
from platelink.events.event import Data, Event
from platelink.link import messages as m
from platelink.runs import Channel, SampleBlock
from platelink.sensing.budget import Budget


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBegun:
    """A run to open in the journal; the fields are those of ``runs.RunStart``."""

    run_id: str
    at_utc_ms: int
    kind: Literal["expose", "plate", "bake"]
    step: str
    operator: str | None
    plate: str | None
    job: str | None = None
    note: str | None = None
    target_dose_mj_cm2: float | None = None
    request: dict[str, Any]
    conditions: dict[str, Any]
    channels: tuple[Channel, ...]


@dataclass(frozen=True, slots=True)
class RunSampled:
    """A block of samples for the journal."""

    run_id: str
    block: SampleBlock


@dataclass(frozen=True, slots=True)
class EventNoted:
    """An event for the journal; ``run_id`` None outside a run."""

    run_id: str | None
    at_utc_ms: int
    event: Event
    text: str
    ticks: int | None = None

    @property
    def name(self) -> str:
        """The event's stable name."""
        return self.event.name

    @property
    def data(self) -> Data:
        """What the event carries, as plain JSON values."""
        return self.event.data()


@dataclass(frozen=True, slots=True)
class RunEnded:
    """The run of an exposure, to be closed in the journal."""

    run_id: str
    at_utc_ms: int
    ended: Ended
    gaps: int
    budget: Budget | None
    """Of its dose; None where no light was measured."""
    lamps: dict[str, Any] | None = None
    """What it showed of the lamps; None without light."""


@dataclass(frozen=True, slots=True)
class RunClosed:
    """A run that is no exposure, to be closed in the journal: a plate's own, or a bake's."""

    run_id: str
    at_utc_ms: int
    state: State
    reason: str
    data: dict[str, Any]
    gaps: int = 0


PLATE_SNAPSHOT = "plate:"
"""Begins the name of a plate's snapshot."""
ALARMS_SNAPSHOT = "alarms"
CLOCK_SNAPSHOT = "clock"
"""The computer's clock, in ms ahead of its monotonic one: how long ago something was, whatever the
clock has been set to since."""


@dataclass(frozen=True, slots=True)
class Snapshots:
    """What a restart goes on from, by name; None takes a name away. No part of the record."""

    at_utc_ms: int
    values: dict[str, Any]


@dataclass(frozen=True, slots=True)
class Refused:
    """A command that cannot be carried out, and why."""

    text: str


@dataclass(frozen=True, slots=True)
class DeviceReported:
    """The device's account of its newest order, for closing runs left open by a crash."""

    report: m.OrderReport
    light_sum: tuple[int, ...] = ()
    """Of each channel at the newest good sample; none before it."""
    light_count: tuple[int, ...] = ()
    dark: bool = False
    """A sample has shown that no light falls."""


RecordOp = RunBegun | RunSampled | EventNoted | RunEnded | RunClosed | Snapshots
CoreOutput = RecordOp | Refused | DeviceReported
