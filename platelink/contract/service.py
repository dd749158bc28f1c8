"""What the service is told by the daemon at its start. It holds no secret."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict

from platelink.contract.base import Json


class SensorSettings(BaseModel):
    """A sensor as it is configured; dates where its calibration has any."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    name: str
    calibrated_on: date | None = None
    due_on: date | None = None
    settings: Json
    stands_on: Json = {}
    """Of these, what a calibration stands on, with the converter's bits."""
    on_bus: tuple[float, float] | None = None
    """Of an instrument on the bus: kPa or °C of one count, and of its last digit."""


class Settings(BaseModel):
    """See the file's first line."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: str
    journal: Path
    recipes: Path
    people: Path
    calibrations: Path
    experiments: Path
    expired_lot: Literal["warn", "block"] = "block"
    least_film_density: float | None = None
    own_approval: Literal["auto", "yes", "no"] = "auto"
    """May a lead approve a draft of their own."""
    hosts: tuple[str, ...] = ()
    """Names besides localhost that requests may be for."""
    lamps: str | None = None
    fresh_mw_cm2: float = 10.0
    """Irradiance of fresh lamps."""
    sensors: tuple[SensorSettings, ...] = ()
    config: Json = {}
    """The configuration in force, secrets hidden."""
    page_socket: Path | None = None
    """Whoever comes in by it is no program on this computer."""
    wire: int | None = None
    """File descriptor of the wire to the daemon; None where there is no daemon."""
    listen: tuple[int, ...] = ()
    """File descriptors of listening sockets."""
    lane: bool = False
    """True for the process that carries nothing but what ends or holds light."""


_ENDS = re.compile(r"/v1/(exposure|plates/[^/]+)/(hold|stop|abort)")


def ends(path: str) -> bool:
    """True for what only ends or holds what is going on."""
    return _ENDS.fullmatch(path) is not None


def page_side(settings: Settings) -> Path | None:
    """The page's socket of this process."""
    page = settings.page_socket
    return lane_of(page) if settings.lane and page is not None else page


def lane_of(socket: Path) -> Path:
    """The socket beside a service's own at which nothing is carried but hold, stop and abort: no
    flood of anything else stands before them."""
    return socket.with_suffix(".stop.socket")
