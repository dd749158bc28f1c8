"""What a bake is doing, and the whole of it as a face shows it. Data only."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from platelink.control.states import State


class BakeStep(StrEnum):
    """What a running bake is doing."""

    NONE = "none"
    HEATING = "heating"  # the band is not reached yet
    IN_BAND = "in band"
    OUT_OF_BAND = "out of band"
    BLIND = "no reading"


@dataclass(frozen=True, slots=True)
class BakeStatus:
    """The bake as a face shows it; temperatures and times are those of the air but for ``plate_``.
    Equivalent time is an index and None without an activation energy."""

    state: State
    step: BakeStep
    oven_c: float | None
    in_band_s: float
    needed_s: float
    elapsed_s: float
    """Since the start, holds and gaps and time that the computer was down included."""
    gap_s: float
    mean_c: float | None
    min_c: float | None
    max_c: float | None
    equivalent_s: float | None
    plate_c: float | None
    """As it follows from the air; None where its lag is not known."""
    plate_max_c: float | None
    plate_equivalent_s: float | None
    door_open: bool
    door_openings: int
    reason: str
