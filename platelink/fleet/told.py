"""What a unit says of itself, read from a message that may be anything. Pure.

Of a newer release's status what is not known here is left out; of an older one's what it does not
tell is None, which is never the same as "no".
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from pydantic import BaseModel, ConfigDict, Field, JsonValue, ValidationError

from platelink.publish.messages import LAST_WORD, UnitStatus
from platelink.runs import FORMAT

LONGEST_BYTES = 64_000
"""Of a status; one with a hundred plates in progress has a fourth of it."""
LONGEST_TEXT = 200
MOST = 50
"""Plates and overdue things that are looked at."""
EARLIEST, LATEST = datetime(1970, 1, 1, tzinfo=UTC), datetime(9999, 12, 31, tzinfo=UTC)
"""What a time of this program can be: beyond these a face in another time zone could not show it,
nor anything beside it."""
LONGEST_S = 1e10
"""Three hundred years: no entry waits for longer."""
PRIORITIES = ("high", "medium", "low")
LIGHT = ("on", "dark", "unknown")


class _Told(UnitStatus):
    model_config = ConfigDict(extra="ignore", frozen=True)


class _Format(BaseModel):
    format: int = Field(strict=True)


@dataclass(frozen=True, slots=True)
class Plate:
    """A plate in progress."""

    plate: str
    step: str
    state: str
    """Of its step."""
    overdue: bool


@dataclass(frozen=True, slots=True)
class Alarms:
    """Those that are not normal, and nobody has put aside."""

    unacknowledged: int
    acknowledged: int
    name: str | None
    """The worst of those that call for an answer, or else of those that stand."""
    priority: str | None
    next_act: str | None


@dataclass(frozen=True, slots=True)
class Told:
    """A unit's word. Fields that its release does not tell are None."""

    order: tuple[int, int]
    online: bool
    at_utc_s: float
    """By the unit's own clock; of a last will when its connection began."""
    renewed_s: float | None
    """It promises another word within so many seconds."""
    pending: int | None
    behind_s: float | None
    journal: str | None
    entries: int | None
    light: str | None
    exposure: str | None
    link: str | None
    problem: str
    alarms: Alarms | None
    plates: tuple[Plate, ...]
    overdue: tuple[str, ...] | None

    @property
    def last_will(self) -> bool:
        """The broker says it, not the unit."""
        return self.order[1] == LAST_WORD


def read_status(payload: bytes, site: str, unit: str) -> Told | str:
    """The word in a message of this unit's topic, or why there is none."""
    if len(payload) > LONGEST_BYTES:
        return f"{len(payload)} bytes, limit {LONGEST_BYTES}"
    try:
        said = _Told.model_validate_json(payload)
    except ValidationError as fault:
        return _newer(payload) or f"no status: {fault.errors(include_url=False)[0]['msg']:.100}"
    if (said.site, said.unit) != (site, unit):
        return f"says it is {said.site:.64}/{said.unit:.64}"
    if not EARLIEST <= said.at_utc < LATEST:
        return f"its time {said.at_utc} cannot be"
    light = said.detail.get("light")
    late = said.behind_s is not None and 0.0 <= said.behind_s <= LONGEST_S
    return Told(
        order=said.order(),
        online=said.state == "online",
        at_utc_s=said.at_utc.timestamp(),
        renewed_s=said.renewed_s if said.renewed_s and 0.0 < said.renewed_s <= 3600.0 else None,
        pending=said.pending,
        behind_s=said.behind_s if late else None,
        journal=None if said.journal is None else said.journal[:LONGEST_TEXT],
        entries=said.entries,
        light=light if isinstance(light, str) and light in LIGHT else None,
        exposure=_text(said.detail.get("exposure")),
        link=_text(said.detail.get("link")),
        problem=_text(said.detail.get("problem")) or "",
        alarms=_alarms(said.detail.get("alarms")),
        plates=tuple(filter(None, map(_plate, _list(said.detail.get("plates"))))),
        overdue=_overdue(said.detail.get("overdue")),
    )


def _newer(payload: bytes) -> str:
    try:
        found = _Format.model_validate_json(payload).format
    except ValidationError:
        return ""
    return f"format {found}, this program reads {FORMAT}: update it" if found != FORMAT else ""


def _text(value: JsonValue) -> str | None:
    return value[:LONGEST_TEXT] if isinstance(value, str) else None


def _list(value: JsonValue) -> Sequence[JsonValue]:
    return value[:MOST] if isinstance(value, list) else []


def _count(value: JsonValue) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) and value > 0 else 0


def _alarms(value: JsonValue) -> Alarms | None:
    if not isinstance(value, dict):
        return None
    worst = value.get("worst")
    worst = worst if isinstance(worst, dict) else {}
    priority = worst.get("priority")
    return Alarms(
        unacknowledged=_count(value.get("unacknowledged")),
        acknowledged=_count(value.get("acknowledged")),
        name=_text(worst.get("name")),
        priority=priority if isinstance(priority, str) and priority in PRIORITIES else None,
        next_act=_text(worst.get("next_act")),
    )


def _plate(value: JsonValue) -> Plate | None:
    if not isinstance(value, dict) or not isinstance(value.get("plate"), str):
        return None
    return Plate(
        plate=_text(value["plate"]) or "",
        step=_text(value.get("step")) or "",
        state=_text(value.get("step_state")) or "",
        overdue=value.get("overdue") is True,
    )


def _overdue(value: JsonValue) -> tuple[str, ...] | None:
    if not isinstance(value, list):
        return None
    return tuple(text for one in _list(value) if (text := _text(one)))
