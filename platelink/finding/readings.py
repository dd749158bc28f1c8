"""Readings of experiments, as people type them, each with the range of what can be. Pure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated

from pydantic import BeforeValidator, Field, model_validator

from platelink.finding.wedge import WedgeReading
from platelink.forms.keys import LISTED, Celsius, Line, MjCm2, Section, Typed, key, reader
from platelink.units import IRRADIANCE

MwCm2 = Annotated[float, BeforeValidator(reader(IRRADIANCE)), Typed(IRRADIANCE, "11 mW/cm2")]
DepthUm = Annotated[float, Field(ge=0.0, le=1000.0)]
"""Of a recess: a thick plate is through before. Common practice, no source."""
DoseOf = Callable[[str], float]
"""The dose of a run of the record, in mJ/cm²."""
MOST_MJ_CM2 = 1e6
"""As in recipes."""


class _Dosed(Section):
    """A reading of something exposed."""

    dose_mj_cm2: MjCm2 | None = key("Dose; left out, that of the run.", None, unit="mJ/cm²", gt=0.0,
                                    le=MOST_MJ_CM2)  # fmt: skip
    run: Line | None = key("Run of the record that made the exposure.", None)

    @model_validator(mode="after")
    def _check(self) -> _Dosed:
        if self.dose_mj_cm2 is None and self.run is None:
            raise ValueError("dose_mj_cm2: give the dose, or the run that made it")
        return self

    def dose(self, dose_of: DoseOf) -> float:
        """The dose typed, or of the run."""
        if self.dose_mj_cm2 is not None:
            return self.dose_mj_cm2
        assert self.run is not None
        return dose_of(self.run)


class WedgeSection(_Dosed):
    """One wedge, washed out and read; steps count from 1 at the lightest."""

    held: int = key("Last step held whole; 0: none.", ge=0, le=60)
    washed: int = key("First step washed away whole; one past the last: none.", ge=1, le=61)

    @model_validator(mode="after")
    def _order(self) -> WedgeSection:
        if self.held >= self.washed:
            raise ValueError(
                f"washed: step {self.held} held and step {self.washed} washed away: the lighter "
                "step must be the one that holds; look again at which end is which"
            )
        return self

    def reading(self, dose_of: DoseOf) -> WedgeReading:
        """As the fit takes it."""
        return WedgeReading(dose_mj_cm2=self.dose(dose_of), held=self.held, washed=self.washed,
                            run=self.run or "")  # fmt: skip


class LevelSection(WedgeSection):
    """One wedge at one irradiance."""

    irradiance_mw_cm2: MwCm2 = key("Irradiance at the plate.", unit="mW/cm²", gt=0.0, le=1000.0)


class PatchSection(_Dosed):
    """One patch of a strip."""

    plate: Line = key("Which plate it is on.")
    lot: Line = key("Lot of the plate.")
    points_um: Annotated[tuple[DepthUm, ...], LISTED] = key(
        "Depths of its points.", unit="µm", min_length=1, max_length=50
    )


class DepthSection(_Dosed):
    """Depth of one patch under one screen."""

    screen: Line = key("Which screen.")
    stock: Line = key("Which plate stock.")
    image: Line = key("Size of the image, in the shop's own words.", "fine")
    depth_um: DepthUm = key("Mean of its points.", unit="µm")


class BedSection(Section):
    """One reading of the light on the bed."""

    x_cm: float = key("From the bed's corner.", ge=-1000.0, le=1000.0)
    y_cm: float = key("From the bed's corner.", ge=-1000.0, le=1000.0)
    irradiance_mw_cm2: MwCm2 = key("What was read there.", unit="mW/cm²", gt=0.0, le=1000.0)


class WashSection(Section):
    """One plate that was washed and inspected."""

    off_um: float = key("Depth less what was expected.", unit="µm", ge=-10_000.0, le=10_000.0)
    area_m2: float = key("Washed in this water before.", ge=0.0, le=10_000.0)
    days: float = key("Since the water was renewed.", ge=0.0, le=1000.0)
    water_c: Celsius = key("Of the water.", unit="°C", ge=0.0, le=100.0)
    brush_s: float = key("Of brushing.", ge=0.0, le=3600.0)
    dry_min: float = key("Of drying.", ge=0.0, le=600.0)
    run: Line | None = key("Run of the plate.", None)


READINGS: dict[str, type[Section]] = {
    "wedge": WedgeSection, "reciprocity": LevelSection, "depth": PatchSection,
    "screens": DepthSection, "bed": BedSection, "washout": WashSection,
}  # fmt: skip
