"""What an experiment tells: its figure with the interval, or why there is none. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Figure:
    """What an experiment is made for, and between what it lies (95 %); no end: not known."""

    name: str
    unit: str
    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Answer:
    """What an experiment tells."""

    lines: tuple[str, ...]
    proposal: str
    """For a recipe or the configuration, entered by a person; empty: none."""
    result: Any
    """The finding itself, as plain values."""
    figure: Figure | None = None
    """None: it cannot be told, or the experiment is for a table."""
    told: bool = True
    ahead: str = ""
    """What to try next; empty: nothing that these readings ask for."""


@dataclass(frozen=True, slots=True)
class Conclusion:
    """An answer as it is kept."""

    told: bool
    text: str
    """The result, or "cannot tell" with the reason."""
    figure: Figure | None
    ahead: str
    lines: tuple[str, ...]
    """All that is said, the text first."""
    proposal: str
    fit: str
    """Kind of the fit and its version, such as "wedge 1"."""
