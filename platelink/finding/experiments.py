"""Experiments as files that people keep: what was exposed and read, and what it tells.

A file holds one experiment; its readings are listed in the order they were taken, and new ones are
appended. A dose is typed, or taken from the run of the record that made the exposure.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Annotated, Any, Literal

from pydantic import ValidationError

from platelink.finding.answer import Answer, Figure
from platelink.finding.baths import WashedPlate, bath
from platelink.finding.curve import NoFitError
from platelink.finding.depth import Patch, working_curve
from platelink.finding.evenness import BedReading, evenness
from platelink.finding.readings import (
    BedSection,
    DepthSection,
    DoseOf,
    LevelSection,
    PatchSection,
    WashSection,
    WedgeSection,
)
from platelink.finding.reciprocity import AtLevel, reciprocity, staggered
from platelink.finding.screens import ScreenDepth, Where, advice
from platelink.finding.screens import table as screen_table
from platelink.finding.wedge import (
    MEASURED_U,
    NOMINAL,
    NOMINAL_U,
    dose_to_hold,
    film_leak,
    hold_dose,
)
from platelink.forms.keys import (
    LISTED,
    Line,
    MjCm2,
    Paragraph,
    Section,
    key,
)
from platelink.forms.keys import table as section
from platelink.forms.problems import FormError, Reading, parse

FORMAT = 1
ENOUGH_WEDGES = 3


class ExperimentError(FormError):
    """The file is no experiment; ``problems`` says everything that is wrong with it."""


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
        if found.low_mj_cm2 is None or found.high_mj_cm2 is None:
            return Answer(tuple(lines), "", result, told=False)
        figure = Figure("dose that holds", "mJ/cm²", found.dose_mj_cm2, found.low_mj_cm2,
                        found.high_mj_cm2)  # fmt: skip
        return Answer(tuple(lines), "", result, figure, ahead=self._ahead(dose_of))

    def _ahead(self, dose_of: DoseOf) -> str:
        """Fewer than three wedges: which to add, staggered within a step about those read."""
        if len(self.reading) >= ENOUGH_WEDGES:
            return ""
        logs = [math.log(r.dose(dose_of)) for r in self.reading]
        doses = staggered(math.exp(sum(logs) / len(logs)), ENOUGH_WEDGES + 1)
        each = ", ".join(f"{dose:.0f}" for dose in doses)
        return f"expose more wedges, staggered within a step: {each} mJ/cm²"


class Levels(_Experiment):
    """Reciprocity: wedges at two irradiances."""

    kind: Literal["reciprocity"] = key("What kind of experiment it is.")
    stock: Line | None = key("Plate stock that it is of.", None)
    densities: Annotated[tuple[float, ...], LISTED] | None = key(
        "Densities of the steps as measured; left out, 21 of 0.15 from 0.05.", None
    )
    reading: Annotated[tuple[LevelSection, ...], LISTED] = section("Wedges that were read.", ())

    def told(self, dose_of: DoseOf) -> Answer:
        """p, what is excluded, and what is wrong with the design."""
        read = [AtLevel(r.irradiance_mw_cm2, r.reading(dose_of)) for r in self.reading]
        found = reciprocity(read, NOMINAL if self.densities is None else self.densities)
        lines, ahead = (found.text, *found.faults), "; ".join(found.faults)
        if found.low is None or found.high is None:
            return Answer(lines, "", asdict(found), told=False, ahead=ahead)
        figure = Figure("p", "", found.p, found.low, found.high)
        return Answer(lines, found.proposal, asdict(found), figure, ahead=ahead)


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
        ahead = ""
        if found.next_mj_cm2:
            each = ", ".join(f"{d:.0f}" for d in found.next_mj_cm2)
            ahead = f"to know it better expose {each} mJ/cm²"
            lines.append(ahead)
        share = curve.new_lot_pct()
        if share is not None:
            lines.append(
                f"a new lot: two patches, one on each of two plates, would tell its dose to "
                f"±{share:.0f} %; where that is too wide, expose a strip"
            )
        figure = None
        if found.dose_mj_cm2 is not None:
            figure = Figure(f"dose for {self.target_um:g} µm, lot {lot}", "mJ/cm²",
                            found.dose_mj_cm2, found.low_mj_cm2, found.high_mj_cm2)  # fmt: skip
        return Answer(tuple(lines), "", asdict(found) | {"new_lot_pct": share}, figure,
                      figure is not None, ahead)  # fmt: skip


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
        if not self.reading:
            raise NoFitError("no patch was read; expose patches under a screen")
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
        told = any(row.window is not None for row in rows)
        return Answer(tuple(lines), "", result, told=told)


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
        figure = Figure("least over greatest light of the bed", "", found.ratio, None, None)
        if self.plate_cm is None:
            return Answer(tuple(lines), "", result, figure)
        sensor = None if self.sensor_cm is None else (self.sensor_cm[0], self.sensor_cm[1])
        place = found.place(self.plate_cm[0], self.plate_cm[1], sensor)
        proposal = f"[light.uncertainty]\n{place.proposal}\n" if sensor else ""
        return Answer((*lines, place.text), proposal, result | {"place": asdict(place)}, figure)


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
