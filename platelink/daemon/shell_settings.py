"""What the shell is given of its surroundings."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from platelink.daemon.service import ServiceSettings
from platelink.sensing.beside import Reply


class Instruments(Protocol):
    """What asks the instruments beside the board; the control loop never waits for it."""

    def begin(self, give: Callable[[Reply], None]) -> None:
        """Ask from now on; ``give`` gets replies in the running loop."""

    def stop(self) -> None:
        """Ask no more; waits for one answer at most."""


@dataclass(frozen=True, slots=True)
class ShellSettings:
    """Where the shell finds its surroundings."""

    unit: str
    port: str
    baud: int
    journal: Path
    service: ServiceSettings | None
    """None where nobody is to reach the daemon."""
    config_hash: str = ""
    instruments: Instruments | None = None
    """None where there are none."""
