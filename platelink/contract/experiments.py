"""Experiments that find doses: what is asked and answered about them. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Json, Name, Reasoned, Request, Text, Utc, Values, Why
from platelink.contract.calibrations import Step

ExperimentKind = Literal["wedge", "reciprocity", "depth", "screens", "bed", "washout"]
DesignKind = Literal["wedge", "reciprocity", "depth"]


class NewExperiment(Request):
    """An experiment to be begun."""

    kind: ExperimentKind
    head: Values = Field(
        default={},
        description="Keys of its kind, as docs/finding.md has them.",
        examples=[{"target_um": 26.0}],
    )


class HeadChanged(Request):
    """Other keys of its kind, with the reason."""

    head: Values = Field(examples=[{"target_um": 28.0}])
    why: Why


class RunNamed(Request):
    """A run or a plate of the record belongs to it."""

    run: Name


class RunTakenOff(Request):
    """A run that was named does not belong to it, with the reason."""

    run: Name
    why: Why


class ReadingTaken(Request):
    """One reading more, as it was typed; in place of a dose it may name the run that gave it."""

    reading: Values = Field(examples=[{"dose_mj_cm2": "408 mJ/cm2", "held": 5, "washed": 6}])


class ReadingCorrected(Request):
    """What a reading should have been, whole, with the reason; what was typed first stays on
    record."""

    number: int
    reading: Values
    why: Why


class ReadingLeftOut(Request):
    """A reading is not used, with the reason; it stays in the record."""

    number: int
    why: Why


class ExperimentConcluded(Request):
    """Say what the readings tell, or why they cannot; readings may follow."""


class ExperimentDropped(Reasoned):
    """Discard one; it stays on record."""


AtExperiment = (
    HeadChanged | RunNamed | RunTakenOff | ReadingTaken | ReadingCorrected | ReadingLeftOut
    | ExperimentConcluded | ExperimentDropped
)  # fmt: skip
EXPERIMENT_ACTS: dict[type[AtExperiment], str] = {
    HeadChanged: "change", RunNamed: "name-run", RunTakenOff: "take-off", ReadingTaken: "read",
    ReadingCorrected: "correct", ReadingLeftOut: "leave-out", ExperimentConcluded: "conclude",
    ExperimentDropped: "drop",
}  # fmt: skip
"""Each with the last part of its path."""


class DesignQuery(Request, strict=False):
    """Which doses to expose about a dose."""

    kind: DesignKind
    dose: Text = Field(description="With its unit.", examples=["240 mJ/cm2"])
    n: int | None = Field(default=None, ge=2, le=100, description="Exposures, or patches.")


class Design(Answer):
    """Doses to expose."""

    doses_mj_cm2: list[float]


class FigureNow(Answer):
    """What an experiment is made for, and between what it lies (95 %); null: no end."""

    name: str
    unit: str
    value: float
    low: float | None
    high: float | None


class ConclusionNow(Answer):
    """What an experiment came to."""

    told: bool
    text: str = Field(description='The result, or "cannot tell" with the reason.')
    figure: FigureNow | None
    ahead: str = Field(description="What to try next; empty: nothing that the readings ask for.")
    lines: list[str]
    proposal: str = Field(description="For a recipe or the configuration; empty: none.")
    fit: str = Field(description="Kind of the fit and its version.")
    platelink: str = Field(description="The release that concluded it.")
    readings: list[int] = Field(description="Those it rests on.")
    who: str
    at_utc: Utc


class ReadingNow(Answer):
    """One reading as it counts now."""

    number: int
    typed: Json
    dose_mj_cm2: float | None = Field(description="Of the run that it names, as it was taken.")
    dose_now_mj_cm2: float | None = Field(
        default=None,
        description="As the record has it now, where it was corrected since: the next conclusion "
        "takes it.",
    )
    who: str
    at_utc: Utc
    corrected: bool
    left_out: str | None = Field(description="Why it is not used.")


class Experiment(Answer):
    """An experiment as it is now."""

    name: str
    kind: str
    nth: int
    stage: str
    head: Json
    runs: list[str] = Field(description="Runs and plates that it rests on.")
    readings: int = Field(description="How many count.")
    begun_by: str
    begun_utc: Utc
    conclusion: ConclusionNow | None = Field(
        description="The newest one; of fewer readings than there are while its stage is reading."
    )


class Experiments(Answer):
    """Experiments, in the order they were begun."""

    experiments: list[Experiment]


class ExperimentWhole(Experiment):
    """An experiment with everything read and done."""

    reading: list[ReadingNow]
    history: list[Step]
