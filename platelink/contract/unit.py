"""The unit: the status at one moment, alarms, exposures, and lines as they come. Data only."""

from __future__ import annotations

from typing import Annotated

from pydantic import BeforeValidator, Field
from pydantic_core import from_json

from platelink.contract.base import IF_ANY, Answer, Json, Request, Text, Utc, Why
from platelink.contract.plates import PlateBrief
from platelink.contract.words import LightState


def _with_unit(dose: object) -> object:
    if dose is None or isinstance(dose, int | float):
        raise ValueError(f"dose {dose}: the unit is missing; write a number with it: 420 mJ/cm2")
    return dose


class ExposureJob(Request):
    """One exposure."""

    dose: Annotated[
        Text,
        Field(description="With its unit.", examples=["420 mJ/cm2"]),
        BeforeValidator(_with_unit),
    ]
    step: Text = "film"
    operator: Text | None = Field(default=None, description="Left out: who is asking.")
    plate: Text | None = None
    job: Text | None = None
    note: Text | None = None
    contact: bool = Field(default=True, description="Wait for contact vacuum.")
    max_light_s: Annotated[float, Field(gt=0.0)] | None = None
    accept_overdue: bool = Field(default=False, description="Go on past calibration dates.")


class Reason(Request):
    """Why the exposure is held, restarted, stopped or aborted."""

    reason: Why = ""


class AlarmAnswer(Request):
    """An answer to an alarm."""

    why: Text = Field(default="", description="The reason, for the record.")
    minutes: float | None = Field(
        default=None, gt=0.0, le=10080.0, description="How long to shelve."
    )


# --- the status -------------------------------------------------------------------------------


class Link(Answer):
    """The link to the device; counts since the daemon began."""

    state: str
    text: str
    frames: int
    frames_lost: int
    crc_failures: int
    resent: int
    reconnects: int
    reboots: int
    device_rx_bad: int
    last_frame_age_s: float | None
    tick_ppm: float | None


class Reading(Answer):
    """What the device measures."""

    irradiance_mw_cm2: float | None
    vacuum_kpa: float | None
    oven_c: float | None
    head_c: float | None
    water_c: float | None
    inputs: int
    quality: list[str]


class InstrumentNow(Answer):
    """An instrument on the bus, which measures in the place of a sensor of the device."""

    name: str
    measures: str = Field(examples=["vacuum", "oven"])
    age_s: float | None = Field(description="Of its newest number; null: there was none.")
    every_s: float = Field(description="Between two numbers, as it has been of late.")
    lost: bool = Field(description="It has given no value for too long.")
    problem: str = Field(description="What is wrong, and what to do; empty: nothing.")


class Light(Answer):
    """Light on the bed: on when anything of it says so."""

    state: LightState = Field(
        description="unknown: for a second the device has said nothing of it that can be."
    )
    measured: bool = Field(description="The sensors see it.")
    output: bool = Field(description="The device switches the lamp on.")
    order: int | None = Field(description="Number of the standing order that is open.")
    left_on: bool = Field(description="No order is open and after-glow is over.")


class Exposure(Answer):
    """The exposure that is going on, or was the last; docs/exposure.md tells its states."""

    state: str
    step: str
    dose_mj_cm2: float | None
    target_dose_mj_cm2: float
    irradiance_mw_cm2: float | None
    remaining_s: float | None
    light_s: float | None
    waiting_for: list[str]
    reason: str
    asks_what_fell: bool = Field(
        default=False,
        description="A restart wants a word on what the lamps did as its reason.",
    )
    uncertain_mj_cm2: float | None = Field(
        default=None, description="As much more may have been given unseen."
    )


class Bed(Answer):
    """The exposure bed: the plate whose light it is, and whether light could begin for another."""

    plate: str | None
    free: bool


class Alarm(Answer):
    """An alarm that is not normal; docs/alarms.md tells its states and acts."""

    name: str
    state: str
    priority: str
    group: str
    active: bool = Field(description="Its condition is there now.")
    value: float | None
    limit: float | None
    unit: str
    since_utc: Utc | None
    until_utc: Utc | None
    who: str | None
    why: str | None
    first_out: bool = Field(description="The first of its group.")
    count: int = Field(description="How often it was raised since the start.")
    text: str
    cause: str
    next_act: str


class Alarms(Answer):
    """All alarms that are not normal, those that want an answer first."""

    unacknowledged: int
    per_hour: int = Field(description="Raised within the last hour.")
    flood: bool
    list: list[Alarm]


class JournalNow(Answer):
    """Entries that wait to be written, and why."""

    pending: int
    fault: str
    notice: str = Field(
        default="", description="What is worth knowing meanwhile, as that seals get no time stamp."
    )


class ServiceNow(Answer):
    """The service's process; ``problem`` is empty while it runs."""

    port: int | None
    pid: int | None
    problem: str


class PublisherNow(Answer):
    """Publishing to the broker."""

    connected: bool
    pending: int
    lag_s: float
    problem: str
    notice: str = ""
    """What is worth knowing while entries flow, such as that all are sent again."""


class Status(Answer):
    """The unit at one moment; docs/commands.md tells its keys."""

    link: Link
    run_id: str | None
    reading: Reading | None
    exposure: Exposure | None
    light: Light
    unit: str
    at_utc: Utc
    bed: Bed
    plates: list[PlateBrief]
    advisory: bool
    alarms: Alarms
    problem: str = Field(description="Why the device cannot be used; empty while it can.")
    journal: JournalNow
    service: Annotated[ServiceNow | None, IF_ANY] = None
    publisher: Annotated[PublisherNow | None, IF_ANY] = None
    instruments: Annotated[tuple[InstrumentNow, ...] | None, IF_ANY] = None


class StatusNow(Status):
    """The unit as the daemon saw it last."""

    age_s: float = Field(description="How long ago the daemon said so.")


class Health(Answer):
    """Whether this process can do its work now."""

    ok: bool
    problems: list[str] = Field(description="What is the matter, and what to do; empty: nothing.")


# --- lines as they come -----------------------------------------------------------------------


class UnitEvent(Answer):
    """Something that happened; ``platelink.events`` has what ``data`` holds by ``name``."""

    at_utc: Utc
    run_id: str | None
    name: str
    text: str
    data: Json


class StatusLine(Answer):
    """The status, up to five times a second."""

    status: Status


class EventLine(Answer):
    """An event."""

    event: UnitEvent
    unrecorded: Annotated[bool | None, IF_ANY] = None
    """True: it waits to be written; a crash before that would make it forgotten."""


class EndedLine(Answer):
    """A run is over."""

    ended: str
    state: str
    reason: str
    data: Annotated[Json | None, IF_ANY] = None
    unrecorded: Annotated[bool | None, IF_ANY] = None
    """As of an event."""


class RefusedLine(Answer):
    """Something was refused."""

    refused: str


class MissedLine(Answer):
    """So many lines were dropped, for they were not read."""

    missed: int


LiveLine = StatusLine | EventLine | EndedLine | RefusedLine | MissedLine
LINES: dict[str, type[LiveLine]] = {
    "status": StatusLine,
    "event": EventLine,
    "ended": EndedLine,
    "refused": RefusedLine,
    "missed": MissedLine,
}
"""What a line is by its first key."""


def read_line(text: str | bytes) -> LiveLine | None:
    """A line as it came; None for one of a kind that only a newer release knows."""
    line: Json = from_json(text)
    kind = LINES.get(next(iter(line), ""))
    return None if kind is None else kind.model_validate(line)
