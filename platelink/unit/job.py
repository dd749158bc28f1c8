"""What the core is made with, what it is given, and what it shows. Data only."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from platelink.control.light.light import Light
from platelink.control.light.request import ExposureRequest, ExposureStatus, Optics
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.requests import PlateRequest
from platelink.link import outputs as link
from platelink.sensing.budget import OnBed, Stated
from platelink.sensing.readings import Reading


@dataclass(frozen=True, slots=True)
class UnitSettings:
    """What the core must know of its unit."""

    optics: Optics
    advisory: bool
    frame_ticks: int
    conditions: dict[str, Any]
    """Calibrations and settings as they go into every run's start."""
    steps: StepDefaults = field(default_factory=StepDefaults)
    """What a recipe leaves to the unit."""
    stated: Stated = field(default_factory=Stated)
    """What the shop knows of the unit's errors."""
    gauge_s: tuple[float, float] | None = None
    """Of a vacuum gauge on the bus: between two values, and how old one may be."""


@dataclass(frozen=True, slots=True)
class Job:
    """One exposure to be made."""

    run_id: str
    step: str
    request: ExposureRequest
    operator: str | None = None
    plate: str | None = None
    job: str | None = None
    note: str | None = None
    overdue: tuple[str, ...] = ()
    """Calibrations past their date at its request."""
    accept_overdue: bool = False
    on_bed: OnBed | None = None
    recorded_request: dict[str, Any] = field(default_factory=dict)
    """The request as it goes into the run's start."""
    for_act: PlateRequest | None = None
    """The act on ``plate`` that leads to it; None: no plate in progress waits for it."""


@dataclass(frozen=True, slots=True)
class UnitStatus:
    """Everything a face shows, at one moment."""

    link: link.LinkStatus
    reading: Reading | None
    run_id: str | None
    exposure: ExposureStatus | None
    light: Light | None
    """None: the device has said nothing of it for a second."""
