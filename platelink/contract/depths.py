"""Depths of the shop's own plates: charts, capability, what they tell of a dose. Data only."""

from __future__ import annotations

from pydantic import Field

from platelink.contract.base import Answer, Request, Utc
from platelink.contract.runs import Moment


class AskedDepths(Request, strict=False):
    """Depths of which plates: all that are complete and so, the newest of them."""

    recipe: str = Field(max_length=200, description="In any revision.")
    point: str | None = Field(
        default=None, max_length=200, description="May be left out where there is one only."
    )
    lot: str | None = Field(default=None, max_length=200)
    screen: str | None = Field(default=None, max_length=200)
    since: Moment | None = Field(default=None, description="Begun then or later.")
    until: Moment | None = Field(default=None, description="Begun before.")
    limit: int = Field(default=200, ge=10, le=1000, description="The newest so many plates.")


class DepthMade(Answer):
    """A depth of one plate, and what it was made with."""

    plate: str
    at_utc: Utc
    um: float = Field(description="As it was corrected, if it was.")
    lot: str | None
    revision: str | None
    screens: list[str]
    lamp_set: str
    calibrations: list[str]
    operator: str | None
    doses_mj_cm2: dict[str, float] = Field(description="By step, as they were given.")
    dithers_pct: dict[str, float] = Field(
        description="By step: how far its target was set off the recipe's dose on purpose."
    )
    targets_mj_cm2: dict[str, float] = Field(description="By step, the dither in it.")


class Signal(Answer):
    """A plate at which a chart says that something is otherwise."""

    plate: str
    at_utc: Utc
    rules: list[str] = Field(description="Each rule that it breaks, in words.")
    changed: list[str] = Field(
        description="What became another on the plates that the rules rest on; where to look first."
    )


class Index(Answer):
    """A capability index with its 95 % interval."""

    value: float
    low: float
    high: float


class Capability(Answer):
    """Limits against spread: cp and cpk by the spread from plate to plate, pp and ppk by all."""

    cp: Index
    cpk: Index
    pp: Index
    ppk: Index


class DepthChart(Answer):
    """Individuals and moving ranges of one point of a recipe, oldest first."""

    recipe: str
    point: str
    plates: int
    left_out: list[str] = Field(
        description="Plates beyond the limits: they are no part of what is usual."
    )
    mean_um: float
    sd_um: float = Field(description="From plate to plate: mean moving range over 1.128.")
    sd_all_um: float = Field(description="About the mean, of those not left out.")
    low_um: float = Field(description="Control limits of depths: mean and three sd_um.")
    high_um: float
    range_um: float = Field(description="Mean moving range.")
    range_high_um: float = Field(description="Control limit of moving ranges.")
    low_limit_um: float | None = Field(description="The recipe's, as the newest plate has it.")
    high_limit_um: float | None
    capability: Capability | None
    why_none: str = Field(description="Why there is no capability, or how far to believe it.")
    made: list[DepthMade]
    signals: list[Signal]


class DoseProposed(Answer):
    """A dose that plates on record ask for. Nothing is applied."""

    step: str
    dose_mj_cm2: float = Field(description="The recipe's now.")
    proposed_mj_cm2: float
    low_mj_cm2: float = Field(description="The dose that would do lies between these (95 %).")
    high_mj_cm2: float
    target_um: float
    now_um: float = Field(description="Mean of the newest plates, as at the recipe's dose.")
    um_per_pct: float = Field(description="Depth for each percent of dose.")
    low_um_per_pct: float
    high_um_per_pct: float
    plates: int = Field(description="Plates with a dither that the slope is from.")
    lots: int
    newest: list[str]
    cut: bool = Field(description="More would be asked for; it is proposed in steps.")
