"""What the service is told at its start."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from platelink.recipe.supplies import Expired


class Settings(BaseModel):
    """See the file's first line. Holds no secret."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    unit: str
    journal: Path
    recipes: Path
    people: Path
    expired_lot: Expired = "block"
    hosts: tuple[str, ...] = ()
    """Names besides localhost that requests may be for."""
    config: dict[str, Any] = {}
    """The configuration in force, secrets hidden."""
    wire: int | None = None
    """File descriptor of the wire to the daemon; None where there is no daemon."""
    listen: tuple[int, ...] = ()
    """File descriptors of listening sockets."""
