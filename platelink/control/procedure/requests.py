"""What a person asks of a plate. Data only."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from platelink.contract.words import PlateAct


@dataclass(frozen=True, slots=True, kw_only=True)
class PlateRequest:
    """One act with what belongs to it."""

    act: PlateAct
    who: str
    reason: str = ""
    step: int | None = None
    """Index of the step the person saw; None: whichever is present."""
    values: dict[str, Any] = field(default_factory=dict)
    run_id: str = ""
    """Of the run that the act may begin."""
