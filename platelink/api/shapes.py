"""What answers look like, for the OpenAPI document. Data only.

Answers are made elsewhere and not filtered by these: the tests hold one against the other.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Utc = str
"""As in 2026-03-02T08:00:00.000+00:00."""
Json = dict[str, Any]


def told(shape: type[BaseModel]) -> dict[int | str, dict[str, Any]]:
    """How a route says what it answers."""
    return {200: {"model": shape}}


class Shape(BaseModel):
    """An object with these keys and no others."""

    model_config = ConfigDict(extra="forbid", json_schema_serialization_defaults_required=True)


class Open(BaseModel):
    """An object with at least these keys."""

    model_config = ConfigDict(extra="allow", json_schema_serialization_defaults_required=True)


# --- the unit --------------------------------------------------------------------------------


class Alarm(Open):
    """An alarm that is not normal."""

    name: str


class Alarms(Open):
    """All alarms that are not normal, those that want an answer first."""

    list: list[Alarm]


class Status(Open):
    """The unit at one moment; docs/commands.md tells its keys."""

    age_s: float = Field(description="How long ago the daemon said so.")


class Done(Open):
    """It is done, or has begun."""


class Sensor(Shape):
    """A sensor and its calibration."""

    name: str
    calibrated_on: str | None
    due_on: str | None
    days_left: int | None
    overdue: bool
    settings: Json


class Device(Shape):
    """The device and the settings in force; secrets are hidden."""

    unit: str
    lamps: str | None
    sensors: list[Sensor]
    learned: Json | None = Field(description="What the newest exposure taught of the lamps.")
    firmware: Json | None
    config: Json


# --- recipes, lots, screens ------------------------------------------------------------------


class Signed(Shape):
    """Who brought a revision into a state."""

    state: str
    who: str
    why: str
    at_utc: Utc


class Revision(Shape):
    """A revision of a recipe without its content."""

    recipe: str
    revision: int
    name: str
    state: Literal["draft", "approved", "retired"]
    hash: str
    life: list[Signed]


class RecipeListed(Revision):
    """A revision in a list."""

    title: str
    stock: str | None


class Recipes(Shape):
    """Recipes."""

    recipes: list[RecipeListed]


class RecipeWhole(Revision):
    """A revision with its content."""

    content: Json
    revisions: list[Revision]


class Change(Shape):
    """One difference; ``step`` is empty for the recipe as a whole."""

    step: str
    kind: Literal["changed", "added", "removed", "moved", "renamed"]
    text: str


class Diff(Shape):
    """What differs between two revisions."""

    same: bool
    changes: list[Change]


class Checked(Shape):
    """What is wrong with a recipe, or what it would change."""

    ok: bool
    problems: list[str]
    recipe: str | None
    hash: str | None
    against: str | None
    changes: list[Change]


class Added(Revision):
    """A new draft, and what it changes."""

    against: str | None
    changes: list[Change]


class Finding(Shape):
    """What stands against using something."""

    name: str
    blocks: bool
    text: str


class Noted(Shape):
    """Something that was done."""

    number: int
    about: str
    name: str
    act: str
    at_utc: Utc
    who: str
    why: str
    ref: str | None
    body: Json


class Lot(Shape):
    """A lot of plate stock as it is now."""

    name: str
    stock: str
    received_on: str
    best_before: str | None
    area_cm2: float
    note: str | None
    opened_on: str | None
    area_left_cm2: float
    uses: int
    closed: str | None
    findings: list[Finding]


class Lots(Shape):
    """Lots."""

    lots: list[Lot]


class LotWhole(Lot):
    """A lot and everything that was done to it."""

    history: list[Noted]


class Screen(Shape):
    """A halftone line screen as it is now."""

    name: str
    ruling_lines_per_cm: float
    tint_pct: float
    angle_deg: float
    max_uses: int | None
    note: str | None
    uses: int
    closed: str | None
    findings: list[Finding]


class Screens(Shape):
    """Screens."""

    screens: list[Screen]


class ScreenWhole(Screen):
    """A screen and everything that was done to it."""

    history: list[Noted]


# --- plates and runs -------------------------------------------------------------------------


class Run(Shape):
    """A run in a list."""

    run_id: str
    step: str
    state: Literal["complete", "stopped", "aborted", "interrupted", "open"]
    reason: str | None
    judgement: str | None
    """Of a plate that was inspected: good or reject."""
    begun_utc: Utc
    ended_utc: Utc | None
    target_dose_mj_cm2: float | None
    dose_mj_cm2: float | None
    device_dose_mj_cm2: float | None
    light_s: float | None
    samples: int | None
    events: int | None
    gaps: int | None
    operator: str | None
    plate: str | None
    job: str | None
    note: str | None


class Runs(Shape):
    """Runs, newest first."""

    runs: list[Run]
    more: bool


class RunWhole(Run):
    """A run without its events and samples."""

    request: Json
    conditions: Json
    channels: list[Json]
    data: Json
    parts: list[Run]


class Events(Shape):
    """Events of a run, in order."""

    events: list[Json]


class Series(Shape):
    """One column of samples."""

    at_utc_ms: list[int]
    values: list[float | None]
    unit: str


class Samples(Shape):
    """Samples of a run, few enough to draw."""

    run_id: str
    samples: int = Field(description="So many were recorded within the time asked for.")
    from_ms: int | None
    until_ms: int | None
    gaps: list[list[int]] = Field(description="First and last millisecond of each.")
    series: dict[str, Series]


class PlateNow(Open):
    """A plate in flight; docs/procedure.md tells its states and acts."""

    plate: str


class PlateListed(Run):
    """A plate on record."""

    plate: str
    request: Json
    data: Json


class Plates(Shape):
    """Plates in flight, oldest first, and on record, newest first."""

    in_flight: list[PlateNow]
    on_record: list[PlateListed]


class PlateRecord(Run):
    """What was recorded of a plate: ``parts`` are its exposures and bakes, ``told`` its events."""

    request: Json
    conditions: Json
    data: Json
    parts: list[Run]
    told: list[Json]


class PlateWhole(Shape):
    """Everything about a plate."""

    plate: str
    now: PlateNow | None = Field(description="While it is in flight.")
    record: PlateRecord | None


class PlateMade(Shape):
    """A plate that was taken up."""

    plate: str
    revision: str
    findings: list[Finding]
    notices: list[str]


# --- people ----------------------------------------------------------------------------------


class Person(Shape):
    """A person, without anything secret."""

    name: str
    role: str
    open: bool
    added_utc: Utc
    signed_in_utc: Utc | None
    locked_until_utc: Utc | None


class People(Shape):
    """People, in the order they were added."""

    people: list[Person]


class PersonNoted(Shape):
    """Something that was done about a person."""

    number: int
    name: str
    act: str
    at_utc: Utc
    who: str
    why: str
    body: Json


class PeopleHistory(Shape):
    """Entries about people, oldest first."""

    entries: list[PersonNoted]


class Session(Shape):
    """A session. The token is told once."""

    token: str
    name: str
    role: str
    csrf: str
    until: Utc


class SignedOut(Shape):
    """Whether a session was ended."""

    signed_out: bool


class Me(Shape):
    """Who is asking."""

    name: str
    role: str
    csrf: str | None
    until: Utc | None
    local: bool = Field(description="A program on this computer that did not sign in.")
    rights: list[str]
