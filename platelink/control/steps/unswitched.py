"""A step in which nothing of ours has to be switched off: oven, washout, blow-off. Pure.

The moves are those of ``states.TRANSITIONS``; the passing states are over at once, but for a
restart, which the step itself may keep waiting.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any, NamedTuple

from platelink.control.alarm.states import Condition
from platelink.control.states import (
    ENDED,
    PASSING,
    TRANSITIONS,
    ExposureOutput,
    Machine,
    State,
)
from platelink.events.light import Cause, Holding


class Temperatures(NamedTuple):
    """What steps are told of the unit, in °C; None: not measured."""

    oven_c: float | None = None
    water_c: float | None = None
    oven_t: float | None = None
    """When the oven's was measured, where that was earlier than the others."""


class Unswitched(Machine, ABC):
    """Start, hold, restart, stop and abort. A step says in the hooks what it does then."""

    def __init__(self, *, now: float) -> None:
        super().__init__()
        self._now = now
        self.reason = ""
        """Why it is held or has ended."""

    def start(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Begin."""
        if self._allowed("start", State.RUNNING, now):
            self._move(State.RUNNING)
            self._started()
        return self._take()

    def hold(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """Interrupt; ``restart`` goes on."""
        if self._allowed("hold", State.HOLDING, now):
            self._hold(reason, Cause.PERSON)
        return self._take()

    def restart(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Go on after a hold."""
        if self._allowed("restart", State.RESTARTING, now):
            obstacle = self._obstacle()
            if obstacle:
                self._refuse(f"restart is not possible: {obstacle}")
            else:
                self._move(State.RESTARTING)
                self.reason = ""
                self._restarted()
        return self._take()

    def stop(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """End in order, before it is complete. Ended already: nothing."""
        return self._end_early(State.STOPPING, State.STOPPED, reason, now)

    def abort(self, reason: str, *, now: float) -> tuple[ExposureOutput, ...]:
        """End because what happened to the plate is not known. Ended already: nothing."""
        return self._end_early(State.ABORTING, State.ABORTED, reason, now)

    def tick(self, *, now: float) -> tuple[ExposureOutput, ...]:
        """Say what is due by time alone."""
        self._at(now)
        return self._take()

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know, as of the last input."""
        return ()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return None

    @abstractmethod
    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from, as of the last input; times are durations."""

    def _allowed(self, what: str, to: State, now: float) -> bool:
        self._at(now)
        starting = (self.state is State.IDLE) is (to is State.RUNNING)
        if self._can(to) and starting:
            return True
        self._refuse(f"{what} is not possible while {self.state}")
        return False

    def _hold(self, reason: str, cause: Cause) -> None:
        self._move(State.HOLDING)
        self._note(Holding(cause), reason)
        self.reason = reason
        self._held()
        self._move(State.HELD)

    def _end_early(
        self, passing: State, end: State, reason: str, now: float
    ) -> tuple[ExposureOutput, ...]:
        self._at(now)
        if self.state not in ENDED:
            if self._can(passing):
                self._move(passing)
                self._note(PASSING[passing](Cause.PERSON), reason)
            self._end(end, reason)
        return self._take()

    def _end(self, end: State, reason: str) -> None:
        self.reason = reason
        self._ending(end)
        self._move(end)

    def _can(self, to: State) -> bool:
        return to in TRANSITIONS[self.state]

    def _at(self, now: float) -> None:
        """Time has come to ``now``; one that goes back counts as the one before it."""
        self._now = max(self._now, now)
        self._say_due()

    # --- hooks -------------------------------------------------------------------------------

    def _say_due(self) -> None:
        """Say what is due by time alone; saying it twice is the step's to avoid."""

    def _started(self) -> None:
        """Now running."""

    def _obstacle(self) -> str:
        """Why a restart is not possible; empty when it is."""
        return ""

    def _held(self) -> None:
        """Now holding."""

    def _restarted(self) -> None:
        """Now restarting; moves on to running here or later."""

    def _ending(self, end: State) -> None:
        """About to end."""
