"""The depth of a plate as its record predicts it, and why it may be another. Data only."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from platelink.contract.base import Answer, Request, Utc

Verdict = Literal["go on", "measure", "stop before wash", "cannot tell"]


class DepthQuery(Request, strict=False):
    """What is asked of a plate's depth."""

    symptom: str | None = Field(
        default=None, max_length=100, description="What the press saw; of the words of the answer."
    )


class PointPredicted(Answer):
    """At one point of the inspection. Without a depth it cannot be told."""

    point: str
    limit_low_um: float
    limit_high_um: float
    depth_um: float | None = Field(description="Expected.")
    low_um: float | None = Field(description="Of its interval, which holds 95 in 100.")
    high_um: float | None
    measured_um: float | None = Field(description="Of this plate; null: not inspected yet.")
    learned_from: int = Field(description="Plates before it that were measured there.")
    verdict: Verdict
    text: str


class CauseLikely(Answer):
    """A cause of a depth other than predicted, or of what the press saw."""

    cause: str
    probability: float
    speaks: list[str] = Field(description="What of the record speaks for it.")
    look: str


class DepthFrom(Answer):
    """What of a plate's record the prediction follows from."""

    step: str = Field(description="The exposure at whose end it is predicted.")
    exposed_utc: Utc
    dose_mj_cm2: float
    lot: str
    days_open: float = Field(
        description="Since its lot was opened; where not all of its plates tell that, since the "
        "first of them on record."
    )
    bath_days: float | None = Field(description="Since the bath was renewed; null: not on record.")
    bath_m2: float | None = Field(description="Washed in it since then; null: not on record.")
    contact_kpa: float = Field(description="Vacuum lost in light at worst.")
    light_off_pct: float | None = Field(
        description="Against the usual light of this exposure; null: not known yet."
    )
    not_recorded: list[str] = Field(description="What acts on the depth and is not on record.")


class DepthPredicted(Answer):
    """Of one plate, from its record and those before it."""

    plate: str
    record: DepthFrom | None = Field(description="Null: it says nothing of the depth; see text.")
    points: list[PointPredicted]
    verdict: Verdict = Field(description="Of the point where most is to be done.")
    picked: bool = Field(description="Of those that may go on it is the one in n to be measured.")
    text: str
    causes: list[CauseLikely] = Field(
        description="Most probable first; empty while there is nothing to explain."
    )
    why_no_causes: str
    symptoms: list[str] = Field(description="That can be asked about.")
