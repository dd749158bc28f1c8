"""Plates: taking one up, acts on it, where it is, and what was recorded of it. Data only."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from platelink.contract.base import (
    IF_ANY,
    Answer,
    Finding,
    Json,
    Name,
    Request,
    Text,
    Values,
    Why,
)
from platelink.contract.runs import Filters, RecordedEvent, Run
from platelink.contract.words import PlatesState


class PlaceOnBed(Request):
    """Where a plate lies, by its corner from the bed's, as in the experiment in evenness."""

    x_cm: float = Field(ge=-1000.0, le=1000.0)
    y_cm: float = Field(ge=-1000.0, le=1000.0)
    width_cm: float = Field(gt=0.0, le=1000.0)
    height_cm: float = Field(gt=0.0, le=1000.0)


class NewPlate(Request):
    """A plate to be made."""

    recipe: Annotated[Name, Field(description="As in plate-a, plate-a@2, or a hash.")]
    plate: Text | None = Field(default=None, description="Its name; left out: one is given to it.")
    lot: Text | None = None
    film: Text | None = Field(default=None, description="Code of its artwork film.")
    job: Text | None = None
    note: Text | None = None
    area_cm2: float | None = Field(default=None, gt=0.0, le=1e6, description="Taken from the lot.")
    accept: tuple[Name, ...] = Field(
        default=(), strict=False, max_length=20,
        description="Findings, by name, with which to go on all the same; they go on record.",
    )  # fmt: skip
    accept_why: Why = ""
    place: PlaceOnBed | None = Field(
        default=None,
        description="Left out: anywhere on the bed, where an experiment has measured it.",
    )


class ActOnPlate(Request):
    """An act on a plate."""

    step: int | None = Field(default=None, ge=0, le=1000, description="Which step the person saw.")
    reason: Text = Field(default="", description="The reason, for the record.")
    values: Values | None = None
    accept_overdue: bool = False


class NoteOnPlate(Request):
    """What a person notes of a plate that has ended."""

    text: Annotated[str, Field(min_length=1, max_length=1000)]


class PlateCorrectionAsked(Request):
    """What a person corrects of a plate that has ended; what was recorded stays beside it."""

    field: Literal["lot", "job", "verdict", "depth", "dose"]
    value: Annotated[str, Field(min_length=1, max_length=200)] = Field(
        description="As it is right; of a depth or dose with its unit, such as 24.5 um."
    )
    point: Text | None = Field(default=None, description="Of a depth: at which point.")
    run_id: Text | None = Field(default=None, description="Of a dose: of which exposure.")
    why: Annotated[str, Field(min_length=1, max_length=1000)]


class PlatesQuery(Filters):
    """Which plates are wanted."""

    state: PlatesState | None = None


# --- the present step -------------------------------------------------------------------------


class ContactBand(Answer):
    """The contact vacuum of an exposure, below the local atmosphere."""

    low_kpa: float | None
    high_kpa: float | None


class ExposeNow(Answer):
    """An ``expose`` step that is present."""

    target_dose_mj_cm2: float | None
    dose_mj_cm2: float | None
    irradiance_mw_cm2: float | None
    remaining_s: float | None
    light_s: float | None
    step: str = Field(description="What its exposure does now; none while there is none.")
    tolerance_pct: float
    screen: str | None
    contact: ContactBand | None
    asks_what_fell: bool = Field(
        default=False,
        description="A restart wants a word on what the lamps did as its reason.",
    )


class BakeAhead(Answer):
    """A ``bake`` step that is present; the plate is not in the oven."""

    low_c: float | None
    high_c: float | None
    nominal_c: float | None
    over_c: float | None
    needed_s: float


class BakeNow(BakeAhead):
    """A bake that has begun. What is measured is the air; the plate follows from it where its lag
    is known."""

    oven_c: float | None
    in_band_s: float | None
    elapsed_s: float | None
    gap_s: float | None
    mean_c: float | None
    min_c: float | None
    max_c: float | None
    equivalent_s: float | None = Field(description="Of the air; an index.")
    plate_c: float | None = Field(
        default=None, description="The plate, by its lag behind the air; null: not known."
    )
    plate_max_c: float | None = None
    plate_equivalent_s: float | None = Field(default=None, description="Of the plate; an index.")
    step: str
    door_open: bool


class DepthPoint(Answer):
    """A named place where the depth is measured."""

    name: str
    low_um: float
    high_um: float
    where: str | None


class YesNoCheck(Answer):
    """A question about the plate: yes is good."""

    name: str
    question: str
    defect: str


class InspectNow(Answer):
    """An ``inspect`` step that is present."""

    point: list[DepthPoint]
    check: list[YesNoCheck]


class StageNow(Answer):
    """The stage of a ``wash``, ``blow_off`` or ``prompt`` step that is present."""

    name: str | None
    prompt: str
    number: int = Field(description="From 1.")
    count: int
    waiting: bool = Field(description="Its time has not begun.")
    planned_s: float | None
    elapsed_s: float | None
    due: bool
    overdue: bool


class WaterNow(Answer):
    """The washout water of a step that has a band for it."""

    low_c: float
    high_c: float
    water_c: float | None = Field(description="Null: nobody knows it.")
    by: str | None = Field(description="Who typed it; null: the probe.")


class StepNow(Answer):
    """The present step of a plate, with what belongs to its kind."""

    name: str
    kind: str
    state: str
    instructions: str
    cautions: list[str]
    reason: str
    waiting_for: list[str]
    acts: list[str]
    untimed: bool
    exposure: Annotated[ExposeNow | None, IF_ANY] = None
    bake: Annotated[BakeNow | BakeAhead | None, IF_ANY] = None
    inspect: Annotated[InspectNow | None, IF_ANY] = None
    stage: Annotated[StageNow | None, IF_ANY] = None
    water: Annotated[WaterNow | None, IF_ANY] = None


# --- plates in progress -------------------------------------------------------------------------


class StepListed(Answer):
    """A step of a plate."""

    name: str
    kind: str
    state: str


class StepWhole(StepListed):
    """A step with what came of it so far; ``asked`` is the recipe's own text of it."""

    reason: str
    runs: list[str]
    facts: Json
    asked: Json


class PlateBrief(Answer):
    """A plate in progress, as the status has it; docs/procedure.md tells its states and acts."""

    plate: str
    recipe: str
    title: str
    job: str | None
    lot: str | None
    film: str | None = None
    by: str
    state: str
    reason: str
    step: int | None = Field(description="Index of the present step; null when it is over.")
    steps: tuple[StepListed, ...]
    deviations: int
    now: StepNow


class PlateNow(PlateBrief):
    """A plate in progress with everything that is known of it."""

    steps: tuple[StepWhole, ...]
    note: str | None
    hash: str
    deviations_told: list[str]


# --- on record --------------------------------------------------------------------------------


class PlateListed(Run):
    """A plate on record."""

    plate: str
    request: Json
    data: Json


class Plates(Answer):
    """Plates in progress, oldest first, and on record, newest first."""

    in_flight: list[PlateNow]
    on_record: list[PlateListed]


class PlateRecord(Run):
    """What was recorded of a plate: ``parts`` are its exposures and bakes, ``told`` its events."""

    request: Json
    conditions: Json
    data: Json
    parts: list[Run]
    told: list[RecordedEvent]


class PlateWhole(Answer):
    """Everything about a plate."""

    plate: str
    now: PlateNow | None = Field(description="While it is in progress.")
    record: PlateRecord | None


class PlateMade(Answer):
    """A plate that was taken up."""

    plate: str
    revision: str
    findings: list[Finding]
    notices: list[str]
