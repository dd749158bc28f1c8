"""States of an alarm, the moves between them, and what an alarm can say. Data only.

States are those of ISA-18.2 (IEC 62682). The table below is the one place where moves are allowed;
the diagram in the documentation is drawn from it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum, IntEnum, StrEnum
from typing import NamedTuple


class AlarmState(StrEnum):
    """State of one alarm."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED_UNACKNOWLEDGED = "returned, unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched, unacknowledged"
    LATCHED_ACKNOWLEDGED = "latched, acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"
    OUT_OF_SERVICE = "out of service"


class Act(StrEnum):
    """What moves an alarm."""

    RAISED = "raised"
    CLEARED = "cleared"
    CLEARED_LATCHED = "cleared, latched"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed"
    REMOVED = "removed"  # out of service
    BACK_QUIET = "back, no condition"
    BACK_ACTIVE = "back, condition there"
    BACK_LATCHED = "back, still latched"
    BACK_SHELVED = "back, still shelved"
    BACK_SUPPRESSED = "back, still suppressed"


Table = dict[tuple[AlarmState, Act], AlarmState]

SILENT = (AlarmState.SHELVED, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE)
"""States that nobody is called to."""
IN_SERVICE = tuple(state for state in AlarmState if state not in SILENT)

_LIFE: Table = {
    (AlarmState.NORMAL, Act.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Act.ACKNOWLEDGED): AlarmState.ACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Act.CLEARED): AlarmState.RETURNED_UNACKNOWLEDGED,
    (AlarmState.UNACKNOWLEDGED, Act.CLEARED_LATCHED): AlarmState.LATCHED_UNACKNOWLEDGED,
    (AlarmState.ACKNOWLEDGED, Act.CLEARED): AlarmState.NORMAL,
    (AlarmState.ACKNOWLEDGED, Act.CLEARED_LATCHED): AlarmState.LATCHED_ACKNOWLEDGED,
    (AlarmState.RETURNED_UNACKNOWLEDGED, Act.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.RETURNED_UNACKNOWLEDGED, Act.ACKNOWLEDGED): AlarmState.NORMAL,
    (AlarmState.LATCHED_UNACKNOWLEDGED, Act.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.LATCHED_UNACKNOWLEDGED, Act.ACKNOWLEDGED): AlarmState.LATCHED_ACKNOWLEDGED,
    (AlarmState.LATCHED_ACKNOWLEDGED, Act.RAISED): AlarmState.UNACKNOWLEDGED,
    (AlarmState.LATCHED_ACKNOWLEDGED, Act.RESET): AlarmState.NORMAL,
}
_SILENCING = {
    Act.SHELVED: AlarmState.SHELVED,
    Act.SUPPRESSED: AlarmState.SUPPRESSED,
    Act.REMOVED: AlarmState.OUT_OF_SERVICE,
}
_BACK: Table = {
    (silent, act): to
    for silent in SILENT
    for act, to in (
        (Act.BACK_QUIET, AlarmState.NORMAL),
        (Act.BACK_ACTIVE, AlarmState.UNACKNOWLEDGED),
        (Act.BACK_LATCHED, AlarmState.LATCHED_UNACKNOWLEDGED),
    )
}
_AMONG_SILENT: Table = {
    (AlarmState.SHELVED, Act.SUPPRESSED): AlarmState.SUPPRESSED,
    (AlarmState.SHELVED, Act.REMOVED): AlarmState.OUT_OF_SERVICE,
    (AlarmState.SUPPRESSED, Act.REMOVED): AlarmState.OUT_OF_SERVICE,
    (AlarmState.SUPPRESSED, Act.BACK_SHELVED): AlarmState.SHELVED,
    (AlarmState.OUT_OF_SERVICE, Act.BACK_SUPPRESSED): AlarmState.SUPPRESSED,
}
TRANSITIONS: Table = {
    **_LIFE,
    **{(state, act): to for state in IN_SERVICE for act, to in _SILENCING.items()},
    **_BACK,
    **_AMONG_SILENT,
}
WANTS_ANSWER = frozenset(
    state for state in AlarmState if (state, Act.ACKNOWLEDGED) in TRANSITIONS
)  # fmt: skip


def diagram() -> str:
    """The table as a Mermaid state diagram; what all states in service share is drawn once."""
    shared = {
        (act, to)
        for (_, act), to in TRANSITIONS.items()
        if all(TRANSITIONS.get((state, act)) is to for state in IN_SERVICE)
    }
    inside, outside = [], []
    for (state, act), to in TRANSITIONS.items():
        if state not in IN_SERVICE:
            outside.append(f"    {_id(state)} --> {_id(to)}: {act}")
        elif (act, to) not in shared:
            inside.append(f"        {_id(state)} --> {_id(to)}: {act}")
    leaving = [
        f"    in_service --> {_id(to)}: {act}" for act in Act for a, to in shared if a is act
    ]
    return "\n".join([
        "stateDiagram-v2",
        f"    [*] --> {_id(AlarmState.NORMAL)}",
        "    state in_service {",
        *inside,
        "    }",
        *leaving,
        *outside,
    ]) + "\n"  # fmt: skip


def _id(state: AlarmState) -> str:
    return state.name.lower()


class Priority(IntEnum):
    """How soon a person must act; 1 is the highest."""

    HIGH = 1  # at once
    MEDIUM = 2  # before the next step
    LOW = 3  # today


class Source(Enum):
    """Who says an alarm's condition."""

    STEP = "step"  # of a plate, or its exposure; what no step says is over
    UNIT = "unit"
    SHELL = "shell"  # what only the process knows: journal, broker, dates


@dataclass(frozen=True, slots=True, kw_only=True)
class Definition:
    """One alarm as data. Delays and longest shelving in seconds, deadband in ``unit``."""

    name: str
    source: Source
    priority: Priority
    group: str
    """Alarms with one root: the first of a group to be raised is its first-out."""
    cause: str
    """The likely cause."""
    next_act: str
    """What to do next."""
    unit: str = ""
    low_side: bool = False
    """True where too low is wrong."""
    deadband: float = 0.0
    """The condition ends only when the value is this far on the good side of its limit."""
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    latched: bool = False
    """Stays after the condition until it is acknowledged and reset."""
    longest_shelf_s: float = 8 * 3600.0
    """0: must not be shelved."""
    suppressed_by: tuple[str, ...] = ()
    """Alarms while which this one tells nothing of its own."""

    def __post_init__(self) -> None:
        for name in ("deadband", "on_delay_s", "off_delay_s", "longest_shelf_s"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value >= 0.0):
                raise ValueError(f"{self.name}: {name} = {value} must be 0 or more")


class Of(NamedTuple):
    """What an alarm is of: a run of the record, and the plate."""

    run: str | None = None
    plate: str | None = None


NOTHING = Of()


@dataclass(frozen=True, slots=True)
class Condition:
    """What a part of the unit says about one alarm: as ``Alarms.condition`` takes it."""

    alarm: Definition
    active: bool
    value: float | None = None
    limit: float | None = None
    of: Of = NOTHING

    @property
    def name(self) -> str:
        """Of the alarm."""
        return self.alarm.name


@dataclass(frozen=True, slots=True)
class AlarmChanged:
    """One move of one alarm. ``t_s`` is when it was due, at most the ``now`` of the input."""

    name: str
    priority: Priority
    group: str
    before: AlarmState
    after: AlarmState
    act: Act
    t_s: float
    value: float | None
    limit: float | None
    unit: str
    since_s: float | None
    """When the condition began; None when there is none."""
    first_out: bool
    """The first of its group."""
    who: str | None
    why: str | None
    until_s: float | None
    """End of shelving."""
    text: str


@dataclass(frozen=True, slots=True)
class AlarmRefused:
    """What a person asked of an alarm is not possible now; ``text`` says why."""

    name: str
    act: Act
    t_s: float
    text: str


@dataclass(frozen=True, slots=True)
class FloodChanged:
    """More alarms come than a person can answer, or no longer. ``count`` is of the last 10 min."""

    active: bool
    count: int
    t_s: float


AlarmOutput = AlarmChanged | AlarmRefused | FloodChanged


@dataclass(frozen=True, slots=True)
class AlarmStatus:
    """One alarm as a face shows it. ``active`` is the condition, whatever the state."""

    name: str
    state: AlarmState
    priority: Priority
    group: str
    active: bool
    value: float | None
    limit: float | None
    unit: str
    since_s: float | None
    until_s: float | None
    who: str | None
    why: str | None
    first_out: bool
    count: int
    """How often it was raised since the start."""
    text: str
    cause: str
    next_act: str


@dataclass(frozen=True, slots=True)
class AlarmsStatus:
    """All alarms that are not normal: those that want an answer first, then by priority and age."""

    alarms: tuple[AlarmStatus, ...]
    unacknowledged: int
    per_hour: int
    """Alarms raised within the last hour."""
    flood: bool
