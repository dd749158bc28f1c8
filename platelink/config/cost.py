"""What things cost the shop."""

from __future__ import annotations

from platelink.forms.keys import Line, Section, key


class CostSection(Section):
    """What things cost the shop; what is left out is not known."""

    currency: Line | None = key("Written after amounts, such as EUR.", None, sample="EUR")
    stock_per_m2: float | None = key(
        "Price of plate stock.", None, unit="per m²", gt=0.0, le=1e6, sample=60.0
    )
    lamp_hour: float | None = key(
        "Lamps and their current, by the hour of light: price of a set over its hours.",
        None, unit="per h", gt=0.0, le=1e6, sample=1.2,
    )  # fmt: skip
    labour_minute: float | None = key(
        "Work, by the minute of stages done by hand.", None, unit="per min", gt=0.0, le=1e5,
        sample=0.7,
    )  # fmt: skip
