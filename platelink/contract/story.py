"""What happened to a plate, an exposure or a bake, as people ask for it afterwards. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Utc


class StepTold(Answer):
    """A step of a plate, as its moves tell it."""

    name: str
    kind: str
    state: str
    begun_utc: Utc | None
    took_s: float | None
    holds: int
    causes: list[str] = Field(description="Why it was held, stopped or aborted, each once.")
    by: str
    reason: str
    runs: list[str]


class StageTold(Answer):
    """A stage done by hand."""

    name: str
    planned_s: float | None
    actual_s: float
    held_s: float
    how: str
    water_mean_c: float | None
    by: str


class DepthTold(Answer):
    """A depth at a point, with its limits."""

    point: str
    recorded_um: float
    um: float = Field(description="As it was corrected, if it was.")
    corrected: bool
    low_um: float | None
    high_um: float | None
    within: bool | None


class CheckTold(Answer):
    """A question of the inspection."""

    name: str
    question: str
    yes: bool


class AlarmTold(Answer):
    """One move of an alarm."""

    at_utc: Utc
    alarm: str
    priority: str
    became: str
    value: float | None
    limit: float | None
    unit: str
    by: str
    why: str
    of_run: str | None = Field(description="Null: not recorded with it.")


class Did(Answer):
    """What a person did, and how often."""

    what: str
    times: int


class PersonTold(Answer):
    """What one person did."""

    name: str
    did: list[Did]


class Mark(Answer):
    """A moment that stands on the curves."""

    run_id: str
    at_utc: Utc
    kind: Literal["hold", "leak", "door", "act", "alarm"]
    text: str


class RunStory(Answer):
    """All of it; what a run has not is empty."""

    run_id: str
    steps: list[StepTold]
    stages: list[StageTold]
    depths: list[DepthTold]
    checks: list[CheckTold]
    inspection_note: str
    deviations: list[str]
    alarms: list[AlarmTold]
    people: list[PersonTold]
    marks: list[Mark] = Field(description="Of its exposures and bakes, oldest first.")
