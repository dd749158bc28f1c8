"""Settings of what a shop knows of its unit's errors; what is left out is assumed."""

from __future__ import annotations

from typing import Any

from platelink.forms.keys import Section, key
from platelink.sensing.budget import ASSUMED, Stated


def _half_width(name: str, description: str, *, unit: str, le: float) -> Any:
    assumed = ASSUMED[name]
    text = f"{description} Half-width; left out, {assumed:g} is assumed."
    return key(text, None, sample=assumed, unit=unit, ge=0.0, le=le)


class UncertaintySection(Section):
    """What the doses of this unit may be off by, line by line."""

    fit_pct: float | None = key(
        "Standard uncertainty (k = 1) of the line through the levels of the calibration. Left "
        f"out, {ASSUMED['fit_pct']:g} is assumed.",
        None,
        sample=ASSUMED["fit_pct"],
        unit="%",
        ge=0.0,
        le=100.0,
    )
    dark_counts: float | None = _half_width(
        "dark_counts", "Drift of the dark from its reading to the end of the light.",
        unit="counts", le=100.0,
    )  # fmt: skip
    resolution_counts: float | None = _half_width(
        "resolution_counts", "What the converter's steps leave in a mean: see 'Noise' in "
        "docs/wiring.md.", unit="counts", le=1.0,
    )  # fmt: skip
    temperature_pct_per_c: float | None = _half_width(
        "temperature_pct_per_c", "Change of the sensor's response for each degree of its head "
        "that temp_coeff_per_c does not correct.", unit="%/°C", le=10.0,
    )  # fmt: skip
    nonlinearity_counts: float | None = _half_width(
        "nonlinearity_counts", "Bow of sensor, amplifier and converter between dark and the "
        "calibration's levels.", unit="counts", le=1000.0,
    )  # fmt: skip
    supply_pct: float | None = _half_width(
        "supply_pct", "How far the converter's reference may be from that of the calibration.",
        unit="%", le=50.0,
    )  # fmt: skip
    drift_pct_per_year: float | None = _half_width(
        "drift_pct_per_year", "Drift of sensor and amplifier by the calendar, as two calibrations "
        "show it.", unit="%/year", le=100.0,
    )  # fmt: skip
    ageing_pct_per_year: float | None = _half_width(
        "ageing_pct_per_year", "What UV takes from the sensor's filter and diffuser, and dirt.",
        unit="%/year", le=100.0,
    )  # fmt: skip
    position_pct: float | None = _half_width(
        "position_pct", "How far the light at the plate's place may be from that at the sensor's.",
        unit="%", le=100.0,
    )  # fmt: skip
    cosine_pct: float | None = _half_width(
        "cosine_pct", "How differently sensor and reference meter see light that comes aslant.",
        unit="%", le=100.0,
    )  # fmt: skip
    spectral_pct: float | None = _half_width(
        "spectral_pct", "How differently sensor and reference meter see a change of the lamps' "
        "colour, as they age, warm up, or are of another make.", unit="%", le=100.0,
    )  # fmt: skip

    def stated(self) -> Stated:
        """As sensing takes it."""
        return Stated(**self.model_dump())
