"""What is switched for an exposure, renewed while it is on and repeated until it is off. Pure."""

from __future__ import annotations

import math

from platelink.link import messages as m

VACUUM_HOLD_MS = 3000
"""The device drops the vacuum this long after the last renewal."""
VACUUM_RENEW_S = 1.0
"""A third of the above: two lost renewals do no harm."""
CLOSE_AGAIN_S = 0.5
"""A close that the samples do not confirm is sent again."""


class Switching:
    """Contact vacuum and the close of an order. ``now`` is host monotonic seconds."""

    def __init__(self) -> None:
        self._vacuum_due = math.inf
        self._close_due = math.inf

    def next_deadline(self) -> float:
        """When something is to be sent; infinity: nothing."""
        return min(self._vacuum_due, self._close_due)

    def vacuum_on(self, *, now: float) -> None:
        """From now on, renewed until ``vacuum_off``."""
        self._vacuum_due = now

    def vacuum_off(self) -> list[m.Command]:
        """Off, if it was on."""
        if self._vacuum_due == math.inf:
            return []
        self._vacuum_due = math.inf
        return [m.SetOutput(m.Output.VACUUM, 0, VACUUM_HOLD_MS)]

    def pump(self, on: bool | None, *, now: float) -> list[m.Command]:
        """As a test of contact wants it; None: as it is."""
        if on:
            self.vacuum_on(now=now)
        return self.vacuum_off() if on is False else []

    def renew(self, *, now: float) -> None:
        """The device may have dropped what was on."""
        if self._vacuum_due < math.inf:
            self._vacuum_due = now

    def close(self, *, now: float) -> None:
        """From now on, repeated until ``closed``."""
        self._close_due = now

    def closed(self) -> None:
        """It is dark, or nothing was lit."""
        self._close_due = math.inf

    def due(self, order: int, *, opening: bool, now: float) -> list[m.Command]:
        """What is to be sent now; an order still ``opening`` is taken back as well."""
        commands: list[m.Command] = []
        if now >= self._vacuum_due:
            commands.append(m.SetOutput(m.Output.VACUUM, 1, VACUUM_HOLD_MS))
            self._vacuum_due = now + VACUUM_RENEW_S
        if now >= self._close_due:
            if opening:
                commands.append(m.Disarm(order))
            commands.append(m.Close(order))
            self._close_due = now + CLOSE_AGAIN_S
        return commands
