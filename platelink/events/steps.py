"""Events of a plate and of the steps that are no exposure. Data only."""

from __future__ import annotations

from platelink.events.event import Event, EventName, if_known

# --- of a plate ----------------------------------------------------------------------------------


class PlateMade(Event, name=EventName.PLATE_MADE):
    """Started, with its recipe's revision."""

    who: str
    hash: str


class StepMoved(Event, name=EventName.STEP):
    """One move of a step in the diagram; ``step`` is its number from 0, ``run_id`` that of an
    exposure."""

    step: int
    name_: str
    kind: str
    place: str
    from_: str
    to: str
    move: str
    who: str | None
    reason: str
    run_id: str | None


class Deviation(Event, name=EventName.DEVIATION):
    """Something was not as the recipe says."""


class ExposureRecovered(Event, name=EventName.EXPOSURE_RECOVERED):
    """What an exposure cut short gave."""

    run_id: str
    dose_mj_cm2: float
    unsure_mj_cm2: float


class PlateResumed(Event, name=EventName.PLATE_RESUMED):
    """Continued after a restart; nothing ran for at most that long."""

    down_s: float | None


class PlateEnded(Event, name=EventName.PLATE_ENDED):
    """Complete, stopped or aborted, and why."""

    judgement: str | None


class PlateNoted(Event, name=EventName.PLATE_NOTED):
    """What a person wrote down of a plate after its end; the plate's run stays as it was."""

    of_run: str
    words: str
    who: str


class PlateCorrected(Event, name=EventName.PLATE_CORRECTED):
    """What a person corrected of a plate after its end: ``field`` is lot, job, verdict, or depth
    with the name of its point. What was recorded stays; the newest correction holds beside it."""

    of_run: str
    field: str
    was: str | float | None
    now: str | float
    who: str
    why: str


# --- of stages done by hand ----------------------------------------------------------------------


class StagePrompt(Event, name=EventName.STAGE_PROMPT):
    """What to do next."""

    time_s: float | None


class StageStarted(Event, name=EventName.STAGE_STARTED):
    """Its time runs."""

    time_s: float | None


class StageDue(Event, name=EventName.STAGE_DUE):
    """Its time is over: end it now and confirm. The beeper sounds, too."""


class StageOverdue(Event, name=EventName.STAGE_OVERDUE):
    """Still not confirmed. The beeper once more."""


class StageEnded(Event, name=EventName.STAGE_ENDED):
    """How long it really took: in time, early, late, confirmed (it has no time), broken off."""

    name_: str
    planned_s: float | None
    actual_s: float
    held_s: float
    unattended_s: float
    verdict: str
    who: str | None
    water_mean_c: float | None
    water_min_c: float | None
    water_max_c: float | None


class StagesEnded(Event, name=EventName.STAGES_ENDED):
    """All are done, or the step was ended."""

    done: int
    count: int


class StagesResumed(Event, name=EventName.STAGES_RESUMED):
    """Continued after a restart of the computer; that time counts as part of the stage."""

    down_s: float | None


class WaterTyped(Event, name=EventName.WATER_TYPED):
    """A person measured the water; there is no probe."""

    water_c: float
    who: str


class WaterInBand(Event, name=EventName.WATER_IN_BAND):
    """The water's temperature is back in its band."""

    water_c: float


class WaterOutOfBand(Event, name=EventName.WATER_OUT_OF_BAND):
    """The water's temperature left its band."""

    water_c: float


# --- of a bake -----------------------------------------------------------------------------------


class BakeStarted(Event, name=EventName.BAKE_STARTED):
    """The plate is in the oven: the band and the time it needs in it."""


class InBand(Event, name=EventName.IN_BAND):
    """The oven entered its band; minutes count in it only."""

    oven_c: float
    in_band_s: float


class OutOfBand(Event, name=EventName.OUT_OF_BAND):
    """The oven left its band."""

    oven_c: float
    in_band_s: float


class BandNeverReached(Event, name=EventName.BAND_NEVER_REACHED):
    """Out of the band for too long."""

    waited_s: float
    oven_c: float | None


class OvenOverTemperature(Event, name=EventName.OVEN_OVER_TEMPERATURE):
    """Above its limit for too long; the bake is held. Judge the plate."""

    oven_c: float
    limit_c: float


class OvenDoorOpen(Event, name=EventName.OVEN_DOOR_OPEN):
    """It falls too fast. Close the door."""

    oven_c: float
    slope_c_per_min: float


class OvenDoorClosed(Event, name=EventName.OVEN_DOOR_CLOSED):
    """It rises again."""


class OvenGap(Event, name=EventName.OVEN_GAP):
    """Two readings too far apart: what lies between is not counted."""

    gap_s: float


class OvenSensorLost(Event, name=EventName.OVEN_SENSOR_LOST):
    """No temperature for too long; no time is counted."""


class OvenSensorBack(Event, name=EventName.OVEN_SENSOR_BACK):
    """It is read again."""

    oven_c: float


class BakeEnded(Event, name=EventName.BAKE_ENDED):
    """What the air of the oven did, and the plate in it where its lag is known. Equivalent seconds
    are an index, and none without an activation energy. Falls are those of the oven behind its
    closed door, between two times that it heats."""

    in_band_s: float
    elapsed_s: float
    gap_s: float
    mean_c: float | None
    min_c: float | None
    max_c: float | None
    equivalent_s: float | None
    door_openings: int
    plate_max_c: float | None = if_known(default=None)
    plate_equivalent_s: float | None = if_known(default=None)
    closed_falls_c_per_min: tuple[float, ...] | None = if_known(default=None)


class BakeResumed(Event, name=EventName.BAKE_RESUMED):
    """Continued after a restart of the computer."""

    down_s: float | None
    in_band_s: float


# --- of an inspection ----------------------------------------------------------------------------


class Inspected(Event, name=EventName.INSPECTED):
    """The values and the judgement."""

    judgement: str
    points_um: dict[str, float]
    checks: dict[str, bool]
    defects: tuple[str, ...]
    note: str
    who: str


OF_PLATES: tuple[type[Event], ...] = (
    PlateMade, StepMoved, Deviation, ExposureRecovered, PlateResumed, PlateEnded, PlateNoted,
    PlateCorrected,
)  # fmt: skip
OF_STAGES: tuple[type[Event], ...] = (
    StagePrompt, StageStarted, StageDue, StageOverdue, StageEnded, StagesEnded, StagesResumed,
    WaterTyped, WaterInBand, WaterOutOfBand,
)  # fmt: skip
OF_BAKES: tuple[type[Event], ...] = (
    BakeStarted, InBand, OutOfBand, BandNeverReached, OvenOverTemperature, OvenDoorOpen,
    OvenDoorClosed, OvenGap, OvenSensorLost, OvenSensorBack, BakeEnded, BakeResumed,
)  # fmt: skip
OF_INSPECTIONS: tuple[type[Event], ...] = (Inspected,)
