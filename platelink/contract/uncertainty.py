"""How far a dose may be off, as it is recorded with the end of an exposure. Data only."""

from __future__ import annotations

from pydantic import Field, ValidationError

from platelink.contract.base import Answer, Json


class UncertaintyLine(Answer):
    """One line of the budget."""

    name: str
    channel: int | None = Field(description="Light channel it is of; null: of all.")
    value: float
    unit: str
    distribution: str = Field(description="normal: value is standard; else it is a half-width.")
    dof: float | None = Field(description="Degrees of freedom; null: infinite.")
    source: str = Field(description="set, calibration, measured or assumed.")
    sensitivity: float = Field(description="Percent of the dose for one unit of the value.")
    plate_sensitivity: float = Field(description="The same between plates.")
    u_pct: float = Field(description="Standard uncertainty that it brings against the meter.")
    plate_u_pct: float = Field(description="The same between plates.")


class Uncertainty(Answer):
    """Two of the three numbers, U with k = 2 in percent of the dose, and where they come from. The
    third, how near the end was to the target, needs no uncertainty: it is what the sensor read."""

    plate_to_plate_pct: float = Field(
        description="Plates of this unit, place, month and calibration."
    )
    against_meter_pct: float = Field(description="Against the reference meter at the plate.")
    plate_to_plate_dof: float | None
    against_meter_dof: float | None
    plate_to_plate_holds_pct: float = Field(description="Share of cases that lie within that U.")
    against_meter_holds_pct: float
    k: float = 2.0
    assumed: tuple[str, ...] = Field(description="Lines that nobody stated.")
    lines: tuple[UncertaintyLine, ...]


LEAST_DOUBT_MJ_CM2 = 0.05
"""Of light that may have fallen unseen: less is not told, it would be shown as nothing."""
FEW_PCT = 93.0
"""A U that holds fewer cases is said to: 11 degrees of freedom are behind it, or fewer."""


def uncertainty_in(data: Json) -> Uncertainty | None:
    """What the end of a run tells; None where it tells nothing, or in words of another release."""
    try:
        return Uncertainty.model_validate(data.get("uncertainty"))
    except ValidationError:
        return None
