"""When to open the port again: a back-off that only a proven link resets. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from platelink.backoff import Backoff

FACTOR = 1.8
FIRST_WAIT_S = 0.2
"""A replugged device takes about this long to appear under its name again."""
LONGEST_WAIT_S = 5.0
"""Opening a path that is not there costs next to nothing; an operator who has plugged the unit in
again should not wait longer than this."""


class ReconnectState(StrEnum):
    """Where the attempt stands."""

    STOPPED = "stopped"
    WAITING = "waiting"  # for the next attempt
    OPENING = "opening"
    OPEN = "open"  # the port is open, the device has not answered yet
    PROVEN = "proven"  # the device has answered


@dataclass(frozen=True, slots=True)
class ReconnectStatus:
    """Counts since the start; ``wait_s`` is the pause before the next attempt."""

    state: ReconnectState
    attempts: int
    failures: int
    losses: int
    reason: str
    wait_s: float


class Reconnect:
    """``tick`` says when to open; the owner reports how it went."""

    def __init__(self, *, first_s: float = FIRST_WAIT_S, longest_s: float = LONGEST_WAIT_S) -> None:
        self._pauses = Backoff(first_s, longest_s, FACTOR)
        self._state = ReconnectState.STOPPED
        self._due = 0.0
        self._wait_s = 0.0
        self._attempts = self._failures = self._losses = 0
        self._reason = ""

    def start(self, *, now: float) -> None:
        """Begin, or try at once because something changed (a port appeared)."""
        if self._state in (ReconnectState.STOPPED, ReconnectState.WAITING):
            self._state = ReconnectState.WAITING
            self._pauses.failures = 1  # what is not there at the start is missed already
            self._wait_s, self._due = 0.0, now

    def stop(self) -> None:
        """No more attempts."""
        self._state = ReconnectState.STOPPED

    def tick(self, *, now: float) -> bool:
        """True, once: open the port now, then call ``opened`` or ``failed``."""
        if self._state is not ReconnectState.WAITING or now < self._due:
            return False
        self._state = ReconnectState.OPENING
        self._attempts += 1
        return True

    def next_deadline(self) -> float | None:
        """When ``tick`` will say True."""
        return self._due if self._state is ReconnectState.WAITING else None

    def opened(self, *, now: float) -> None:
        """The port is open."""
        if self._state is ReconnectState.OPENING:
            self._state = ReconnectState.OPEN

    def proven(self, *, now: float) -> None:
        """The device answered: the next loss is met with a short wait again. A port that opens
        but never answers is not."""
        if self._state is ReconnectState.OPEN:
            self._state = ReconnectState.PROVEN
            self._reason = ""
            self._pauses.succeeded()

    def failed(self, reason: str, *, now: float) -> None:
        """The port could not be opened."""
        if self._state is ReconnectState.OPENING:
            self._failures += 1
            self._wait(reason, now)

    def lost(self, reason: str, *, now: float) -> None:
        """The open port is gone."""
        if self._state in (ReconnectState.OPEN, ReconnectState.PROVEN):
            self._losses += 1
            self._wait(reason, now)

    def status(self) -> ReconnectStatus:
        """State and counts."""
        return ReconnectStatus(
            self._state, self._attempts, self._failures, self._losses, self._reason, self._wait_s
        )

    def _wait(self, reason: str, now: float) -> None:
        self._state, self._reason = ReconnectState.WAITING, reason
        self._wait_s = self._pauses.failed()
        self._due = now + self._wait_s
