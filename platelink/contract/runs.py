"""What was recorded, and the device it was recorded of. Data only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import AwareDatetime, BeforeValidator, Field

from platelink.contract.base import Answer, Json, Request, Utc
from platelink.contract.uncertainty import uncertainty_in
from platelink.contract.words import RunState
from platelink.events.event import read
from platelink.events.steps import PlateCorrected, PlateNoted

if TYPE_CHECKING:
    from platelink.events.unit import DoseCorrected
    from platelink.runs import RunEnd, RunEvent, RunStart


def _moment(value: object) -> object:
    """Takes no number for a time, as pydantic would."""
    if isinstance(value, str) and "T" not in value.upper():
        raise ValueError("write a time with its zone, such as 2026-03-02T08:00+01:00")
    return value


Moment = Annotated[AwareDatetime, BeforeValidator(_moment)]


class Filters(Request, strict=False):
    """Which are wanted, of runs and of plates alike; all that is given must hold."""

    search: str | None = Field(default=None, max_length=200, description="Looked for in all texts.")
    limit: int = Field(default=100, ge=1, le=1000)
    lot: str | None = Field(default=None, max_length=200, description="As it was corrected, if so.")
    film: str | None = Field(default=None, max_length=200)
    recipe: str | None = Field(
        default=None, max_length=200, description="plate-a: every revision; plate-a@2: that one."
    )
    alarm: str | None = Field(
        default=None, max_length=200, description="An alarm's name, or high, medium or low."
    )
    verdict: str | None = Field(default=None, max_length=200, description="good or reject.")
    person: str | None = Field(
        default=None, max_length=200, description="Who began it or did anything to it."
    )
    screen: str | None = Field(default=None, max_length=200)
    since: Moment | None = Field(default=None, description="Begun then or later.")
    until: Moment | None = Field(default=None, description="Begun before.")


FILTERS = ("lot", "film", "recipe", "alarm", "verdict", "person", "screen", "since", "until")
"""Names of those filters."""


class RunsQuery(Filters):
    """Which runs are wanted."""

    step: str | None = Field(default=None, max_length=200)
    plate: str | None = Field(default=None, max_length=200)
    operator: str | None = Field(default=None, max_length=200)
    state: RunState | None = None


class TableQuery(RunsQuery):
    """Which runs are wanted as a file."""

    form: Literal["csv", "json"] = "csv"


class ReportQuery(Request, strict=False):
    """In which form a report is wanted."""

    form: Literal["pdf", "html"] = "pdf"


class SamplesQuery(Request, strict=False):
    """Which samples are wanted, and how few."""

    points: int = Field(default=1000, ge=10, le=20_000, description="Of each column, about.")
    from_ms: int | None = Field(default=None, ge=0, le=10**14, description="UTC.")
    until_ms: int | None = Field(default=None, ge=0, le=10**14, description="UTC.")


class Correction(Answer):
    """What a person corrected of a plate after its end. The newest of a field is what counts."""

    at_utc: Utc
    who: str
    why: str
    field: str = Field(description="lot, job, verdict, or depth with the name of its point.")
    was: str | float | None
    now: str | float


class LaterNote(Answer):
    """What a person noted of a plate after its end."""

    at_utc: Utc
    who: str
    text: str


class Run(Answer):
    """A run in a list."""

    run_id: str
    unit: str
    kind: str = Field(description="expose, bake or plate.")
    step: str
    state: RunState
    reason: str | None
    judgement: str | None
    """Of a plate that was inspected: good or reject."""
    begun_utc: Utc
    ended_utc: Utc | None
    target_dose_mj_cm2: float | None
    dose_mj_cm2: float | None = Field(
        description="As the device reported it, where that came after the end."
    )
    uncertain_mj_cm2: float | None = Field(description="As much more may have been given unseen.")
    device_dose_mj_cm2: float | None
    difference_pct: float | None = Field(
        description="Of the dose, from its target: how near the end was, as this sensor reads."
    )
    plate_to_plate_pct: float | None = Field(
        description="U (k = 2) of the dose between plates of this unit, place, month and "
        "calibration; null: not recorded."
    )
    against_meter_pct: float | None = Field(
        description="U (k = 2) of the dose against the reference meter; null: not recorded."
    )
    light_s: float | None
    samples: int | None
    events: int | None
    gaps: int | None
    operator: str | None
    plate: str | None
    job: str | None
    note: str | None
    recipe: str | None = Field(description="Its revision; of an exposure or a bake its plate's.")
    lot: str | None = Field(description="The same; as it was corrected, if it was.")
    film: str | None = Field(default=None, description="Code of its artwork film.")
    screens: list[str]
    alarms: list[str] = Field(description="Names of alarms that were raised in it.")
    took_s: float | None
    corrections: list[Correction] = Field(description="Oldest first.")
    notes: list[LaterNote] = Field(description="Written after its end, oldest first.")

    def newest(self, field: str) -> Correction | None:
        """What corrected this last; None: it is as it was recorded."""
        return next((one for one in reversed(self.corrections) if one.field == field), None)

    @staticmethod
    def of(
        start: RunStart, end: RunEnd | None, corrected: DoseCorrected | None = None,
        facts: Mapping[str, tuple[str, ...]] = MappingProxyType({}),
        after: Sequence[RunEvent] = (),
    ) -> Run:  # fmt: skip
        """The run of these entries; ``state`` is "open" while it has no end."""
        corrections = [one for event in after if (one := _correction(event))]
        now = {one.field: str(one.now) for one in corrections}
        judgement = now.get("verdict", end.data.get("judgement") if end else None)
        dose_mj_cm2 = end.dose_mj_cm2 if end else None
        uncertain_mj_cm2 = uncertain_in(end) if end and dose_mj_cm2 is not None else None
        if corrected is not None:
            dose_mj_cm2, uncertain_mj_cm2 = corrected.dose_mj_cm2, corrected.uncertain_mj_cm2
        stated = uncertainty_in(end.data) if end else None
        return Run(
            run_id=start.run_id,
            unit=start.unit,
            kind=start.run_kind,
            step=start.step,
            state=end.state if end else "open",
            reason=end.reason if end else None,
            judgement=None if judgement is None else str(judgement),
            begun_utc=_utc(start.at_utc),
            ended_utc=_utc(end.at_utc) if end else None,
            target_dose_mj_cm2=start.target_dose_mj_cm2,
            dose_mj_cm2=dose_mj_cm2,
            uncertain_mj_cm2=uncertain_mj_cm2,
            device_dose_mj_cm2=end.device_dose_mj_cm2 if end else None,
            difference_pct=off_pct(dose_mj_cm2, start.target_dose_mj_cm2),
            plate_to_plate_pct=stated.plate_to_plate_pct if stated else None,
            against_meter_pct=stated.against_meter_pct if stated else None,
            light_s=end.light_s if end else None,
            samples=end.samples if end else None,
            events=end.events if end else None,
            gaps=end.gaps if end else None,
            operator=start.operator,
            plate=start.plate,
            job=now.get("job", start.job),
            note=start.note,
            recipe=_recipe(facts, start),
            lot=now.get("lot") or next(iter(facts.get("lot", ())), _text(start.request.get("lot"))),
            film=next(iter(facts.get("film", ())), _text(start.request.get("film"))),
            screens=list(facts.get("screen", ())),
            alarms=list(facts.get("alarm", ())),
            took_s=(end.at_utc - start.at_utc).total_seconds() if end else None,
            corrections=corrections,
            notes=[note for event in after if (note := _later_note(event))],
        )


def _recipe(facts: Mapping[str, tuple[str, ...]], start: RunStart) -> str | None:
    """The revision; a fact is its recipe's name, too."""
    known = max(facts.get("recipe", ()), key=len, default=None)
    return known or _text(start.request.get("revision"))


def _text(value: object) -> str | None:
    return value if isinstance(value, str) else None


def _correction(event: RunEvent) -> Correction | None:
    found = read(PlateCorrected, event.name, event.data)
    if found is None:
        return None
    return Correction(
        at_utc=_utc(event.at_utc), who=found.who, why=found.why, field=found.field, was=found.was,
        now=found.now,
    )  # fmt: skip


def _later_note(event: RunEvent) -> LaterNote | None:
    found = read(PlateNoted, event.name, event.data)
    if found is None:
        return None
    return LaterNote(at_utc=_utc(event.at_utc), who=found.who, text=found.words)


def uncertain_in(end: RunEnd) -> float:
    """How much more may have fallen than the end of an exposure's run counts, mJ/cm²."""
    uncertain = end.data.get("uncertain_mj_cm2")
    return float(uncertain) if isinstance(uncertain, int | float) else 0.0


def off_pct(dose: float | None, target: float | None) -> float | None:
    """How far a dose is from its target, percent of the target."""
    return None if dose is None or not target else 100.0 * (dose / target - 1.0)


def _utc(moment: datetime) -> Utc:
    return moment.astimezone(UTC).isoformat(timespec="milliseconds")


class PlateEnd(Answer):
    """What the end of a plate's run holds in ``data``, beside what each step came to."""

    judgement: str | None = None
    defects: tuple[str, ...] = ()
    deviations: tuple[str, ...] = ()

    @property
    def verdict(self) -> str:
        """The judgement and the codes of the defects."""
        return " ".join([self.judgement or "", *self.defects]).strip()


class BakeEnd(Answer):
    """What the end of a bake's run holds in ``data``."""

    in_band_s: float | None = None
    elapsed_s: float | None = None
    mean_c: float | None = None
    min_c: float | None = None
    max_c: float | None = None
    equivalent_s: float | None = None
    plate_max_c: float | None = None
    plate_equivalent_s: float | None = None
    door_openings: int = 0


class Runs(Answer):
    """Runs, newest first."""

    runs: list[Run]
    more: bool


class Channel(Answer):
    """One recorded column."""

    name: str
    unit: str
    sensor: str | None
    description: str


class Sealed(Answer):
    """What the log of seals says of a record. Whether it still is what was sealed, ``platelink
    verify`` compares."""

    state: Literal["sealed", "not sealed", "no log"]
    kind: str | None = Field(description="plate or exposure")
    name: str | None = Field(description="The record: of a plate's exposure or bake, the plate.")
    index: int | None = Field(description="Its place in the log.")
    sealed_utc: Utc | None
    checkpoint: str | None = Field(description="The log's newest head, a signed note.")


class RunWhole(Run):
    """A run without its events and samples."""

    seal: Sealed | None = None

    request: Json
    conditions: Json
    channels: list[Channel]
    data: Json
    parts: list[Run]


class RecordedEvent(Answer):
    """An event as the record has it."""

    id: str
    run_id: str | None
    unit: str
    at_utc: Utc
    kind: str
    name: str
    text: str
    ticks: int | None
    data: Json


class Events(Answer):
    """Events of a run, in order."""

    events: list[RecordedEvent]


class Series(Answer):
    """One column of samples."""

    at_utc_ms: list[int]
    values: list[float | None]
    unit: str


class Samples(Answer):
    """Samples of a run, few enough to draw."""

    run_id: str
    samples: int = Field(description="So many were recorded within the time asked for.")
    removed_utc: Utc | None = Field(
        default=None, description="When they were removed by the retention of the configuration."
    )
    removed_days: int | None = Field(default=None, description="Its rule: kept for so long.")
    removed_seal_holds: bool | None = Field(default=None, description="Compared for this answer.")
    from_ms: int | None
    until_ms: int | None
    gaps: list[list[int]] = Field(description="First and last millisecond of each.")
    series: dict[str, Series]


class Sensor(Answer):
    """A sensor and its calibration."""

    name: str
    calibration: str = Field(description="The one in force, such as light 0@3, or 'as configured'.")
    certificate: str | None = Field(description="Of the reference instrument.")
    u: float | None = Field(description="U (k = 2) at the highest level, in the unit.")
    unit: str
    calibrated_on: str | None
    due_on: str | None
    days_left: int | None
    overdue: bool
    settings: Json


class Lamps(Answer):
    """What exposures taught of the lamps."""

    afterglow_s: float
    warm_up_deficit_s: float
    irradiance_mw_cm2: float | None


class LampLesson(Lamps):
    """What one complete exposure taught of them."""

    run_id: str
    at_utc: Utc


class Device(Answer):
    """The device and the settings in force; secrets are hidden."""

    unit: str
    lamps: str | None
    sensors: list[Sensor]
    learned: Lamps | None = Field(description="What the next exposure uses; null without any.")
    lessons: list[LampLesson] = Field(description="Newest first.")
    firmware: Json | None
    config: Json
