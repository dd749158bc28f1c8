"""Who may be connected: a fixed number of seats, and whose is given to whoever comes. Pure.

Nobody is kept out by connections on which nothing is done. A seat is kept while a request of it is
worked on, or while it is owed live lines; of the others the oldest goes, of the guest who has the
most.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field

Guest = Hashable
"""Who connects: a process of this computer, or an address."""


def _nothing() -> None:
    """Until there is something to close."""


@dataclass(slots=True, eq=False)
class Seat:
    """One connection."""

    guest: Guest
    kept: bool = False
    close: Callable[[], object] = field(default=_nothing)
    """How the connection is ended."""


class Seats:
    """``most`` connections at a time."""

    def __init__(self, most: int) -> None:
        self.most = most
        self._taken = 0
        self._by_guest: dict[Guest, dict[Seat, None]] = {}
        """Of each in the order in which they came."""

    def __len__(self) -> int:
        return self._taken

    def take(self, guest: Guest) -> Seat | None:
        """A seat for whoever comes; None where all others are kept."""
        if self._taken >= self.most:
            victim = self._victim()
            if victim is None:
                return None
            self.leave(victim)
            victim.close()
        seat = Seat(guest)
        self._by_guest.setdefault(guest, {})[seat] = None
        self._taken += 1
        return seat

    def of(self, guest: Guest) -> int:
        """How many a guest has."""
        return len(self._by_guest.get(guest, ()))

    def leave(self, seat: Seat) -> None:
        """The connection is over."""
        seats = self._by_guest.get(seat.guest, {})
        if seat in seats:
            del seats[seat]
            self._taken -= 1
            if not seats:
                del self._by_guest[seat.guest]

    def _victim(self) -> Seat | None:
        for seats in sorted(self._by_guest.values(), key=len, reverse=True):
            for seat in seats:
                if not seat.kept:
                    return seat
        return None
