"""States of an exposure, the moves between them, and what an exposure can say. Data only.

States are ISA-88's (IEC 61512): -ing is passing, -ed is at rest. The table below is the one place
where moves are allowed; the diagram in the documentation is drawn from it.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

from platelink.events.event import Data, Event
from platelink.events.light import Aborting, Cause, Holding, Refused, StateMoved, Stopping
from platelink.link.messages import Command


class State(StrEnum):
    """State of the exposure as a whole."""

    IDLE = "idle"
    RUNNING = "running"
    HOLDING = "holding"
    HELD = "held"
    RESTARTING = "restarting"
    STOPPING = "stopping"
    STOPPED = "stopped"
    ABORTING = "aborting"
    ABORTED = "aborted"
    COMPLETE = "complete"


class Step(StrEnum):
    """What a running exposure is doing."""

    NONE = "none"
    CONTACT = "contact"  # pull-down, hold test and dark reading
    ARM = "arm"  # the standing order travels to the device
    LIGHT = "light"
    TAIL = "tail"  # the lamp is off, its after-glow is still counted


TRANSITIONS: dict[State, frozenset[State]] = {
    State.IDLE: frozenset({State.RUNNING, State.STOPPED, State.ABORTED}),
    State.RUNNING: frozenset({State.HOLDING, State.STOPPING, State.ABORTING, State.COMPLETE}),
    State.HOLDING: frozenset({State.HELD, State.STOPPING, State.ABORTING, State.COMPLETE}),
    State.HELD: frozenset({State.RESTARTING, State.STOPPED, State.ABORTED, State.COMPLETE}),
    State.RESTARTING: frozenset({State.RUNNING, State.HOLDING, State.STOPPING, State.ABORTING}),
    State.STOPPING: frozenset({State.STOPPED, State.ABORTING, State.COMPLETE}),
    State.ABORTING: frozenset({State.ABORTED}),
    State.STOPPED: frozenset(),
    State.ABORTED: frozenset(),
    State.COMPLETE: frozenset(),
}
ENDED = frozenset(state for state, moves in TRANSITIONS.items() if not moves)
REST: dict[State, State] = {
    State.HOLDING: State.HELD, State.STOPPING: State.STOPPED, State.ABORTING: State.ABORTED,
}  # fmt: skip
"""Where each passing state comes to rest."""
DARK = ENDED | {State.IDLE, State.HELD}
"""States in which the lamp is never on."""


def diagram() -> str:
    """The table as a Mermaid state diagram."""
    lines = ["stateDiagram-v2", f"    [*] --> {State.IDLE}"]
    for state, moves in TRANSITIONS.items():
        lines += [f"    {state} --> {to}" for to in State if to in moves]
        if not moves:
            lines.append(f"    {state} --> [*]")
    return "\n".join(lines) + "\n"


UNKNOWN_AFTERGLOW_S = 0.5
"""Longest after-glow of lamps and contactor that taught none; contactors let go within half a
second (from memory)."""


@dataclass(frozen=True, slots=True)
class Forecast:
    """What the newest exposures foretell of the lamps: their light at its end lies between these
    (``platelink/control/light/lessons.py``)."""

    low_mw_cm2: float
    high_mw_cm2: float


@dataclass(frozen=True, slots=True)
class Learned:
    """What earlier exposures on this unit taught; the defaults are for a unit not yet seen."""

    afterglow_s: float = 0.0
    """Seconds of full light that fall after the lamp is switched off."""
    warm_up_deficit_s: float = 0.0
    """Seconds of light lost to warm-up, against the irradiance at the end."""
    irradiance_mw_cm2: float | None = None
    """Irradiance at the end of the last exposure."""
    afterglow_known: bool = True
    """Else the first exposure learns it before its end."""
    forecast: Forecast | None = None
    """None: too few exposures, or this one has been judged by it already."""

    @property
    def longest_afterglow_s(self) -> float:
        """Light may go on for so long after its end."""
        return self.afterglow_s if self.afterglow_known else UNKNOWN_AFTERGLOW_S


@dataclass(frozen=True, slots=True)
class Send:
    """A command for the device."""

    command: Command


Plain = str | float | int | bool | None


@dataclass(frozen=True, slots=True)
class Noted:
    """Something happened that belongs in the record. ``text`` says what was measured, the limit
    and what to do next."""

    event: Event
    text: str
    ticks: int | None = None

    @property
    def name(self) -> str:
        """The event's stable name."""
        return self.event.name

    @property
    def data(self) -> Data:
        """What the event carries, as plain JSON values."""
        return self.event.data()


@dataclass(frozen=True, slots=True)
class Ended:
    """The exposure is over."""

    state: State
    reason: str
    dose_mj_cm2: float
    device_dose_mj_cm2: float | None
    """Dose by the device's own weighted sum; None where the device counted none or p is not 1."""
    light_s: float
    learned: Learned | None
    """Passed on to the next exposure; None when this one taught nothing."""
    uncertain_mj_cm2: float = 0.0
    """This much more may have fallen unseen."""
    doubtful_mj_cm2: float = 0.0
    """This much of the dose may not have fallen."""


ExposureOutput = Send | Noted | Ended


PASSING: dict[State, Callable[[Cause], Event]] = {
    State.HOLDING: Holding, State.STOPPING: Stopping, State.ABORTING: Aborting,
}  # fmt: skip
"""What is said when a passing state is entered, with its cause and the reason as text."""


def earliest(*dues: float | None) -> float | None:
    """The first of some deadlines; None where there is none."""
    first = None
    for due in dues:
        if due is not None and (first is None or due < first):
            first = due
    return first


class Machine:
    """What every exposure machine does alike: move by the table, collect what it says."""

    def __init__(self) -> None:
        self.state = State.IDLE
        self._out: list[ExposureOutput] = []

    def _move(self, to: State) -> None:
        if to not in TRANSITIONS[self.state]:
            raise AssertionError(f"no move from {self.state} to {to}")
        self._note(StateMoved(str(self.state), str(to)), f"{self.state} to {to}")
        self.state = to

    def _note(self, event: Event, text: str, ticks: int | None = None) -> None:
        self._out.append(Noted(event, text, ticks))

    def _refuse(self, text: str) -> None:
        self._note(Refused(), text)

    def _send(self, command: Command) -> None:
        self._out.append(Send(command))

    def _take(self) -> tuple[ExposureOutput, ...]:
        out, self._out = tuple(self._out), []
        return out
