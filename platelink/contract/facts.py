"""Questions to the record, and what is answered. Data only."""

from __future__ import annotations

from pydantic import Field

from platelink.contract.base import Answer, Json, Request, Utc
from platelink.contract.runs import Moment


class Asked(Request, strict=False):
    """What plates, and runs that belong to none, are asked for: all that is given must be true.
    Letters of ASCII are the same large or small."""

    text: str | None = Field(
        default=None, min_length=3, max_length=200,
        description="A part of a name, of the job, of a note: three characters and more.",
    )  # fmt: skip
    plate: str | None = Field(default=None, max_length=200)
    job: str | None = Field(default=None, max_length=200)
    lot: str | None = Field(default=None, max_length=200)
    screen: str | None = Field(default=None, max_length=200)
    unit: str | None = Field(default=None, max_length=200)
    operator: str | None = Field(
        default=None, max_length=200, description="Who asked for it or acted on it."
    )
    lamp_set: str | None = Field(
        default=None, max_length=20, description="1 for the first lamps on record."
    )
    sensor: str | None = Field(default=None, max_length=200, description="Such as light 0.")
    calibration: str | None = Field(default=None, max_length=200, description="Such as light 0@3.")
    recipe: str | None = Field(default=None, max_length=200)
    revision: str | None = Field(default=None, max_length=200, description="Such as fine@2.")
    verdict: str | None = Field(default=None, max_length=200, description="good or reject.")
    state: str | None = Field(default=None, max_length=20)
    kind: str | None = Field(default=None, max_length=20, description="plate, expose or bake.")
    alarm: str | None = Field(default=None, max_length=200, description="Raised while it was made.")
    since: Moment | None = Field(default=None, description="Begun then or later.")
    until: Moment | None = Field(default=None, description="Begun before.")
    off_pct: float | None = Field(
        default=None, ge=0, description="A dose off its target by more than this."
    )
    where: list[str] = Field(
        default=[], max_length=8, description="Such as 'vacuum below 50 kPa for 2 s'."
    )
    lamps_of: str | None = Field(
        default=None, max_length=200, description="Same lamps, same day (UTC) as this plate."
    )
    between: list[str] = Field(
        default=[], max_length=2, description="Begun after the first and before the second of two."
    )
    limit: int = Field(default=100, ge=1, le=1000)


class AskedSensor(Request, strict=False):
    """Since when a sensor was wrong, and what a light channel's counts are worth after all."""

    since: Moment
    until: Moment | None = None
    factor: float | None = Field(default=None, gt=0, description="Of the slope recorded.")
    slope: float | None = Field(default=None, gt=0, description="mW/cm² a count.")
    dark: float | None = Field(default=None, description="Counts without light.")
    limit: int = Field(default=100, ge=1, le=1000)


class AskedTwo(Request, strict=False):
    """Two plates to compare."""

    first: str = Field(max_length=200)
    second: str = Field(max_length=200)


class AskedDays(Request, strict=False):
    """How many days."""

    limit: int = Field(default=100, ge=1, le=1000)


class Imported(Answer):
    """Whose a record is that was imported from another unit; it was verified for this answer."""

    called: str = Field(description="What it is opened by: unit and name.")
    site: str
    sealed_utc: Utc
    key: str = Field(description="The key that it was verified under, as a signed note has it.")
    imported_utc: Utc


class Piece(Answer):
    """A plate, or a run that belongs to none."""

    name: str
    run_id: str
    unit: str
    imported: Imported | None = Field(description="null: made on this unit.")
    kind: str
    state: str
    verdict: str | None
    began_utc: Utc
    ended_utc: Utc | None
    off_pct: float | None = Field(description="The greatest error of its doses, without its sign.")
    job: str | None
    note: str | None
    operator: str | None
    lot: str | None
    recipe: str | None
    revision: str | None
    screens: list[str]
    people: list[str]
    alarms: list[str]
    lamp_set: str = Field(description="Empty where it is imported: its record does not tell.")
    sensors: list[str]
    calibrations: list[str]
    defects: list[str]
    notes: list[str] = Field(description="Made with it, and written down later on.")
    corrected: list[str] = Field(description="What people corrected; the newest value stands here.")
    matched: list[str] = Field(description="What was asked for by 'where', and how long it was so.")
    longest_s: list[float] = Field(description="How long each of 'where' was so, without a break.")
    at_least: list[bool] = Field(
        description="Where it may have been so for longer: the samples were removed since."
    )


class Known(Answer):
    """How far the facts know the journal."""

    up_to: int = Field(description="The newest entry known.")
    behind: int = Field(description="Entries of the journal that are not known yet.")
    unread: int = Field(description="Runs that cannot be read, or not whole.")


class ImportedPieces(Answer):
    """The same question to what was imported from other units, newest first. Counts nowhere as this
    unit's."""

    made: list[Piece]
    more: bool
    looked_back_to_utc: Utc | None
    behind: int = Field(description="Imported records that are not looked at yet.")
    cannot: list[str] = Field(
        description="What was asked for and stands in no imported record; then none is found."
    )
    left_out: int = Field(description="Imported records that do not verify, or cannot be read.")
    why: list[str] = Field(description="Of the first five of these, in a sentence each.")


class Pieces(Known):
    """Newest first."""

    made: list[Piece]
    more: bool
    decoded: int = Field(description="Runs whose samples had to be looked at.")
    looked_back_to_utc: Utc | None = Field(
        description="Older ones were not looked at: a request lasts no longer. null: all were."
    )
    courses_removed: int = Field(
        description="Of so many on record, whatever else was asked, nothing is known that a "
        "'where' could find: samples were removed before the facts were made. 0 without 'where'."
    )
    imported: ImportedPieces | None = Field(
        default=None, description="null: nothing was imported from another unit."
    )


class There(Answer):
    """What can be asked for: values on record by the name of their condition."""

    values: dict[str, list[str]] = Field(description="In the order of their letters.")
    more: list[str] = Field(description="Those that have more values than stand here.")


class Opened(Piece):
    """One of them with all that is known; the curves of each step by column."""

    facts: Json
    steps: list[Json]


class Difference(Answer):
    """One fact of two plates."""

    what: str
    first: str | float | None
    second: str | float | None
    rank: float | None = Field(
        description="Of a number: how many times the usual spread; null: of a text."
    )


class Compared(Answer):
    """Two plates side by side, the greatest differences first."""

    first: Piece
    second: Piece
    differences: list[Difference]
    same: list[str]


class Restated(Answer):
    """A dose as it was recorded, and as a corrected calibration has it."""

    plate: str
    run_id: str
    step: str
    began_utc: Utc
    read_with: str
    target_mj_cm2: float | None
    recorded_mj_cm2: float | None
    again_mj_cm2: float | None = Field(description="With the calibration it was made with.")
    corrected_mj_cm2: float | None = Field(description="With the corrected one; null: see why.")
    corrected_off_pct: float | None = Field(description="From its target.")
    why: str = ""


class Touched(Known):
    """What a sensor touches if it was wrong."""

    sensor: str
    made: list[Piece]
    more: bool
    doses: list[Restated]


class OneDay(Answer):
    """What was made on a day (UTC)."""

    day: str
    made: int
    good: int
    reject: int
    worst_off_pct: float | None


class Days(Answer):
    """Newest first."""

    days: list[OneDay]
