"""What a plate gives out: events, requests to the unit, refusals. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.light.request import ExposureRequest
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import Noted, Send, State


@dataclass(frozen=True, slots=True)
class PlateNoted:
    """An event of a plate's own run."""

    plate: str
    noted: Noted


@dataclass(frozen=True, slots=True)
class ExposureRequested:
    """A step wants an exposure, whole or what is left of it; ``PlatesInFlight.exposure_begun`` says
    that it has begun. Until then nothing has moved."""

    plate: str
    step: str
    exposure: ExposureRequest
    request: PlateRequest


@dataclass(frozen=True, slots=True)
class ExposureAct:
    """To be done to the exposure that is going on."""

    act: PlateAct
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
    """A request that cannot be carried out now, and what can be."""

    text: str


PlateOutput = (
    PlateNoted | ExposureRequested | ExposureAct | BakeBegun | BakeOver | PlateOver | PlateRefused
    | Send
)  # fmt: skip
