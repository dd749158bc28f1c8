"""What the parts of the unit pass to one another through the core. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.control.procedure.plan import PlatePlan
from platelink.control.states import Ended, Learned, State
from platelink.link import messages as m
from platelink.unit.job import Job


@dataclass(frozen=True, slots=True)
class ExposureAccepted:
    """An exposure is to be begun once its run is in the record, and what it is made with."""

    job: Job
    learned: Learned
    device: m.Hello | None
    order: int
    """The device's newest before it."""


@dataclass(frozen=True, slots=True)
class ExposureMoved:
    """The exposure of a run is in another state, and why."""

    run_id: str
    to: State
    reason: str


@dataclass(frozen=True, slots=True)
class ExposureEnded:
    """The exposure of a run is over."""

    run_id: str
    ended: Ended


@dataclass(frozen=True, slots=True)
class PlateBegun:
    """A plate is taken up."""

    plan: PlatePlan
