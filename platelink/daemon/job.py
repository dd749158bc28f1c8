"""What the core is told and asked, and what it says beside the record. Data only."""

from __future__ import annotations

from dataclasses import dataclass, field

from platelink.control.exposure_request import ExposureRequest, ExposureStatus, Optics
from platelink.control.procedure.plan import StepDefaults
from platelink.daemon.recording import RecordOp
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.sensing.readings import Reading


@dataclass(frozen=True, slots=True)
class UnitSettings:
    """What the core must know of its unit."""

    optics: Optics
    advisory: bool
    frame_ticks: int
    conditions: dict[str, object]
    """Calibrations and settings as they go into every run's start."""
    steps: StepDefaults = field(default_factory=StepDefaults)
    """What a recipe leaves to the unit."""


@dataclass(frozen=True, slots=True)
class Job:
    """One exposure asked for."""

    run_id: str
    step: str
    request: ExposureRequest
    operator: str | None = None
    plate: str | None = None
    job: str | None = None
    note: str | None = None
    overdue: tuple[str, ...] = ()
    """Calibrations past their date when it was asked for."""
    accept_overdue: bool = False
    asked: dict[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Refused:
    """A command that cannot be carried out, and why."""

    text: str


@dataclass(frozen=True, slots=True)
class DeviceReported:
    """The device's account of its newest order, for closing runs left open by a crash."""

    report: m.OrderReport


CoreOutput = RecordOp | Refused | DeviceReported


@dataclass(frozen=True, slots=True)
class UnitStatus:
    """Everything a face shows, at one moment."""

    link: link.LinkStatus
    reading: Reading | None
    run_id: str | None
    exposure: ExposureStatus | None
