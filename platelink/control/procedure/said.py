"""What a plate can say, and what can be asked of it. Data only."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from platelink.control.exposure_request import ExposureRequest
from platelink.control.states import Noted, Send, State


class Act(StrEnum):
    """What a person does to a plate."""

    BEGIN = "begin"
    DONE = "done"
    MEASURE = "measure"
    HOLD = "hold"
    RESTART = "restart"
    SKIP = "skip"
    STOP = "stop"
    ABORT = "abort"


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One act with what belongs to it."""

    act: Act
    who: str
    reason: str = ""
    step: int | None = None
    """Index of the step the person saw; None: whichever is present."""
    values: dict[str, Any] = field(default_factory=dict)
    run_id: str = ""
    """Of the run that the act may begin."""


@dataclass(frozen=True, slots=True)
class PlateNoted:
    """An event of a plate's own run."""

    plate: str
    noted: Noted


@dataclass(frozen=True, slots=True)
class ExposureAsked:
    """A step wants an exposure, whole or what is left of it; ``PlateRoom.exposure_begun`` says
    that it has begun. Until then nothing has moved."""

    plate: str
    step: str
    request: ExposureRequest
    asked: Asked


@dataclass(frozen=True, slots=True)
class ExposureAct:
    """To be done to the exposure that is going on."""

    act: Act
    reason: str


@dataclass(frozen=True, slots=True)
class BakeBegun:
    """A bake's oven temperature is to be recorded under this run."""

    plate: str
    step: str
    run_id: str
    who: str
    request: dict[str, Any]


@dataclass(frozen=True, slots=True)
class BakeOver:
    """The end of a bake's run."""

    run_id: str
    state: State
    reason: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class PlateOver:
    """A plate is over: complete, stopped or aborted."""

    plate: str
    state: State
    reason: str
    data: dict[str, Any]


@dataclass(frozen=True, slots=True)
class PlateRefused:
    """What was asked cannot be done now, and what can."""

    text: str


PlateOutput = (
    PlateNoted | ExposureAsked | ExposureAct | BakeBegun | BakeOver | PlateOver | PlateRefused
    | Send
)  # fmt: skip
