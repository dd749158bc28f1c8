"""Experiments as files that people keep: what was exposed and read, and what it tells.

A file holds one experiment; its readings are listed in the order they were taken, and new ones are
appended. A dose is typed, or taken from the run of the record that made the exposure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ValidationError, model_validator

from platelink.finding.baths import WashedPlate, bath
from platelink.finding.depth import Patch, working_curve
from platelink.finding.evenness import BedReading, evenness
from platelink.finding.reciprocity import AtLevel, reciprocity
from platelink.finding.screens import ScreenDepth, Where, advice
from platelink.finding.screens import table as screen_table
from platelink.finding.wedge import (
    MEASURED_U,
    NOMINAL,
    NOMINAL_U,
    WedgeReading,
    dose_to_hold,
    film_leak,
    hold_dose,
)
from platelink.forms.keys import (
    LISTED,
    Celsius,
    Line,
    MjCm2,
    Paragraph,
    Section,
    Typed,
    key,
    reader,
)
from platelink.forms.keys import table as section
from platelink.forms.problems import FormError, Reading, parse
from platelink.units import IRRADIANCE

FORMAT = 1
MwCm2 = Annotated[float, BeforeValidator(reader(IRRADIANCE)), Typed(IRRADIANCE, "11 mW/cm2")]
DoseOf = Callable[[str], float]
"""The dose of a run of the record, in mJ/cm²."""


class ExperimentError(FormError):
    """The file is no experiment; ``problems`` says everything that is wrong with it."""


@dataclass(frozen=True, slots=True)
class Answer:
    """What an experiment tells."""

    lines: tuple[str, ...]
    proposal: str
    """For a recipe or the configuration, entered by a person; empty: none."""
    result: Any
    """The finding itself, as plain values."""


class _Dosed(Section):
    """A reading of something exposed."""

    dose_mj_cm2: MjCm2 | None = key("Dose; left out, that of the run.", None, unit="mJ/cm²", gt=0.0)
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
    points_um: Annotated[tuple[float, ...], LISTED] = key(
        "Depths of its points.", unit="µm", min_length=1, max_length=50
    )


class DepthSection(_Dosed):
    """Depth of one patch under one screen."""

    screen: Line = key("Which screen.")
    stock: Line = key("Which plate stock.")
    image: Line = key("Size of the image, in the shop's own words.", "fine")
    depth_um: float = key("Mean of its points.", unit="µm", ge=0.0, le=10_000.0)


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


class _Experiment(Section):
    """What all experiments have."""

    format: Literal[1] = key("Version of this file's form.")
    who: Line = key("Who made it.")
    note: Paragraph | None = key("Anything else.", None)


class Wedge(_Experiment):
    """Step wedge: the dose that holds."""

    kind: Literal["wedge"] = key("What kind of experiment it is.")
    densities: Annotated[tuple[float, ...], LISTED] | None = key(
        "Densities of the steps as measured; left out, 21 of 0.15 from 0.05.", None
    )
    hold_step: int | None = key("Step that the shop wants held.", None, ge=1, le=60)
    film_density: float | None = key("Density of a film's black.", None, ge=0.0, le=8.0)
    film_dose_mj_cm2: MjCm2 | None = key("Dose of the film's exposure.", None, gt=0.0)
    reading: Annotated[tuple[WedgeSection, ...], LISTED] = section("Wedges that were read.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """The dose that holds, that of a step, and the film's gate."""
        densities, u = (NOMINAL, NOMINAL_U) if self.densities is None else (
            self.densities, MEASURED_U)  # fmt: skip
        found = hold_dose([r.reading(dose_of) for r in self.reading], densities, density_u=u)
        lines = [found.text]
        result: dict[str, Any] = {"hold": asdict(found)}
        if self.hold_step is not None:
            step = dose_to_hold(found, self.hold_step, densities)
            lines.append(f"over the wedge, step {self.hold_step}: {step.text}")
            result["step"] = asdict(step)
        if self.film_density is not None and self.film_dose_mj_cm2 is not None:
            leak = film_leak(found, self.film_dose_mj_cm2, self.film_density)
            lines.append(leak.text)
            result["film"] = asdict(leak)
        return Answer(tuple(lines), "", result)


class Levels(_Experiment):
    """Reciprocity: wedges at two irradiances."""

    kind: Literal["reciprocity"] = key("What kind of experiment it is.")
    densities: Annotated[tuple[float, ...], LISTED] | None = key(
        "Densities of the steps as measured; left out, 21 of 0.15 from 0.05.", None
    )
    reading: Annotated[tuple[LevelSection, ...], LISTED] = section("Wedges that were read.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """p, what is excluded, and what is wrong with the design."""
        read = [AtLevel(r.irradiance_mw_cm2, r.reading(dose_of)) for r in self.reading]
        found = reciprocity(read, NOMINAL if self.densities is None else self.densities)
        return Answer((found.text, *found.faults), found.proposal, asdict(found))


class Strip(_Experiment):
    """Depth strip: the dose for a depth."""

    kind: Literal["depth"] = key("What kind of experiment it is.")
    target_um: float = key("Depth that is wanted.", unit="µm", gt=0.0, le=10_000.0)
    for_lot: Line | None = key("Lot in hand; left out, the last one read.", None)
    reading: Annotated[tuple[PatchSection, ...], LISTED] = section("Patches that were read.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """The dose, what the curve is worth, what to expose next."""
        patches = [
            Patch(dose_mj_cm2=r.dose(dose_of), points_um=r.points_um, plate=r.plate, lot=r.lot,
                  run=r.run or "")
            for r in self.reading
        ]  # fmt: skip
        curve = working_curve(patches, self.target_um)
        lot = self.for_lot or patches[-1].lot
        found = curve.dose_for(self.target_um, lot)
        lines = [f"lot {lot}: {found.text}"]
        if curve.lack_of_fit is not None:
            shape = ("line", "parabola", "cubic")[curve.degree - 1]
            lines.append(f"a {shape} fits: so much lack of fit comes by chance with "
                         f"{100.0 * curve.lack_of_fit:.0f} %")  # fmt: skip
        lines += curve.notes
        if found.next_mj_cm2:
            each = ", ".join(f"{d:.0f}" for d in found.next_mj_cm2)
            lines.append(f"to know it better expose {each} mJ/cm²")
        share = curve.new_lot_pct()
        if share is not None:
            lines.append(
                f"a new lot: two patches, one on each of two plates, would tell its dose to "
                f"±{share:.0f} %; where that is too wide, expose a strip"
            )
        return Answer(tuple(lines), "", asdict(found) | {"new_lot_pct": share})


class Screens(_Experiment):
    """Depths by screen: windows, and which screen gives a depth."""

    kind: Literal["screens"] = key("What kind of experiment it is.")
    tolerance_um: float = key("Change that the press does not notice.", 2.0, gt=0.0, le=1000.0)
    screen: Line | None = key("Screen that is asked about.", None)
    stock: Line | None = key("Stock that is asked about.", None)
    image: Line = key("Size of the image that is asked about.", "fine")
    target_um: float | None = key("Depth that is wanted of it.", None, gt=0.0, le=10_000.0)
    reading: Annotated[tuple[DepthSection, ...], LISTED] = section("Patches that were read.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """The table, and whether a dose gives the depth."""
        rows = screen_table(
            [
                ScreenDepth(where=Where(screen=r.screen, stock=r.stock, image=r.image),
                            dose_mj_cm2=r.dose(dose_of), depth_um=r.depth_um, run=r.run or "")
                for r in self.reading
            ],
            self.tolerance_um,
        )  # fmt: skip
        lines = [
            f"{row.where.screen}, {row.where.stock}, {row.where.image}: {row.text}" for row in rows
        ]
        result: dict[str, Any] = {"table": [asdict(row) for row in rows]}
        if self.screen and self.stock and self.target_um is not None:
            where = Where(screen=self.screen, stock=self.stock, image=self.image)
            found = advice(rows, where, self.target_um, self.tolerance_um)
            lines.append(found.text if found.by_dose else f"refused: {found.text}")
            result["advice"] = asdict(found)
        return Answer(tuple(lines), "", result)


class Bed(_Experiment):
    """Evenness: the light over the bed."""

    kind: Literal["bed"] = key("What kind of experiment it is.")
    plate_cm: Annotated[tuple[float, ...], LISTED] | None = key(
        "Width and height of a plate to place.", None, min_length=2, max_length=2
    )
    sensor_cm: Annotated[tuple[float, ...], LISTED] | None = key(
        "Where the unit's sensor sees the light.", None, min_length=2, max_length=2
    )
    reading: Annotated[tuple[BedSection, ...], LISTED] = section("Places, in order of time.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """The figures, the map, and where a plate lies best."""
        found = evenness([BedReading(r.x_cm, r.y_cm, r.irradiance_mw_cm2) for r in self.reading])
        lines = [found.text, *found.map_text().splitlines()]
        result: dict[str, Any] = {"ratio": found.ratio, "cv_pct": found.cv_pct,
                                  "mean_mw_cm2": found.mean_mw_cm2}  # fmt: skip
        if self.plate_cm is None:
            return Answer(tuple(lines), "", result)
        sensor = None if self.sensor_cm is None else (self.sensor_cm[0], self.sensor_cm[1])
        place = found.place(self.plate_cm[0], self.plate_cm[1], sensor)
        proposal = f"[light.uncertainty]\n{place.proposal}\n" if sensor else ""
        return Answer((*lines, place.text), proposal, result | {"place": asdict(place)})


class Washout(_Experiment):
    """Washout and drying: what bath, warmth and brush do to the depth."""

    kind: Literal["washout"] = key("What kind of experiment it is.")
    tolerance_um: float = key("Depth that a bath's age may cost.", 2.0, gt=0.0, le=1000.0)
    reading: Annotated[tuple[WashSection, ...], LISTED] = section("Plates, oldest first.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """Effects, and whether the bath is to be renewed."""
        found = bath(
            [WashedPlate(**r.model_dump(exclude={"run"}), run=r.run or "") for r in self.reading],
            self.tolerance_um,
        )
        lines = [found.text]
        lines += [
            f"{e.name}: {e.um:+.2f} µm a unit ({e.low_um:+.2f} to {e.high_um:+.2f}, 95 %)"
            + ("" if e.sure else "; its sign is not known")
            for e in found.effects
        ]
        if found.not_told:
            lines.append(f"never changed, so there is no result: {', '.join(found.not_told)}")
        return Answer(tuple(lines), "", asdict(found))


Experiment = Wedge | Levels | Strip | Screens | Bed | Washout
KINDS: dict[str, type[Experiment]] = {
    "wedge": Wedge, "reciprocity": Levels, "depth": Strip, "screens": Screens, "bed": Bed,
    "washout": Washout,
}  # fmt: skip
READINGS: dict[str, type[Section]] = {
    "wedge": WedgeSection, "reciprocity": LevelSection, "depth": PatchSection,
    "screens": DepthSection, "bed": BedSection, "washout": WashSection,
}  # fmt: skip


def loads(text: str, file: str) -> Experiment:
    """The experiment of a TOML text; ExperimentError lists everything wrong with it."""
    data = parse(text, file, form=FORMAT, kind=ExperimentError)
    kind = data.get("kind")
    model = KINDS.get(kind) if isinstance(kind, str) else None
    if model is None:
        raise ExperimentError([Reading(Wedge, data, file).problem(
            ("kind",), f"must be one of {', '.join(KINDS)}"
        )])  # fmt: skip
    try:
        return model.model_validate(data)
    except ValidationError as error:
        raise ExperimentError(Reading(model, data, file).problems(error)) from None
