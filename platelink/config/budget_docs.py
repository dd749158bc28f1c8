"""Writes the budgets of docs/uncertainty.md: ``python -m platelink.config.budget_docs FILE``."""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from dataclasses import replace
from datetime import date

from platelink.forms.written import between, part
from platelink.sensing.budget import Budget, Given, Line, Stated, budget
from platelink.sensing.gum import K
from platelink.sensing.light import LightChannel, LightSensors

BEGIN, END = "<!-- budgets, generated -->\n", "<!-- end of budgets -->\n"
CHANNEL = LightChannel(
    dark_counts=18.4, slope_mw_cm2_per_count=0.0149, temp_coeff_per_c=-0.0012,
    calibrated_on=date(2026, 1, 15),
)  # fmt: skip
EXPOSURE = Given(
    irradiance_mw_cm2=9.0, light_s=38.0, on=date(2026, 7, 15), head_c=31.0, clock_relative=5e-5
)
"""340 mJ/cm² from faded lamps, half a year after the calibration; invented."""
STATED = Stated(
    fit_pct=0.5, dark_counts=0.1, resolution_counts=0.06, temperature_pct_per_c=0.02,
    nonlinearity_counts=1.0, supply_pct=0.1, drift_pct_per_year=1.0, ageing_pct_per_year=1.5,
    position_pct=1.5, cosine_pct=1.0, spectral_pct=2.0,
)  # fmt: skip
"""What a shop may know after a map of its bed, two calibrations and the data sheets; invented."""
REL_UNCERTAINTY = 0.02


def typical(*, stated: bool) -> Budget:
    """The budget of the exposure with everything stated, or with nothing."""
    channel = replace(CHANNEL, rel_uncertainty=REL_UNCERTAINTY) if stated else CHANNEL
    found = budget(LightSensors((channel,)), EXPOSURE, STATED if stated else Stated())
    assert found is not None
    return found


_HEADS = (
    "line", "value", "distribution", "degrees of freedom", "% of the dose for 1 of it",
    "u between plates, %", "u against the meter, %", "source",
)  # fmt: skip


def tables() -> str:
    """Both budgets."""
    return "\n".join(_tables())


def _tables() -> Iterator[str]:
    for stated, what in ((False, "nothing"), (True, "all of it")):
        found = typical(stated=stated)
        yield f"### With {what} stated\n"
        yield f"| {' | '.join(_HEADS)} |"
        yield f"| {' | '.join('---' for _ in _HEADS)} |"
        yield from map(_row, found.lines)
        yield _sum("combined, k = 1", found, 1.0, dof=True)
        yield _sum("**U, k = 2**", found, K, dof=False)
        yield ""


def _row(line: Line) -> str:
    between_plates, meter = abs(line.of_plate().part), abs(line.of_meter().part)
    cells = (
        line.name, f"{line.value:.3g} {line.unit}", str(line.shape), _dof(line.dof),
        f"{line.sensitivity:.3g}", f"{between_plates:.3f}", f"{meter:.3f}", str(line.source),
    )  # fmt: skip
    return f"| {' | '.join(cells)} |"


def _sum(name: str, found: Budget, k: float, *, dof: bool) -> str:
    plate, meter = found.plate, found.meter
    told = f"{_dof(plate.dof)} / {_dof(meter.dof)}" if dof else ""
    return f"| {name} | | | {told} | | {k * plate.u:.3f} | {k * meter.u:.3f} | |"


def _dof(dof: float) -> str:
    return f"{dof:.0f}" if math.isfinite(dof) else "∞"


def page(text: str) -> str:
    """The page with its budgets as they must be."""
    return between(text, BEGIN, END, tables())


def main(arguments: list[str]) -> int:
    """Write the budgets into the page."""
    return part(arguments, "platelink.config.budget_docs", page)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
