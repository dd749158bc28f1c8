"""Delivers the device's numbered events exactly once and in order; says what to ask for. Pure.

Numbers run 1..65535 and then again from 1. The device keeps the last sixteen and sends them again
on request (GetLog), so a lost event is noticed by a hole, or by the low byte that every Sample
carries, and asked for.
"""

from __future__ import annotations

from platelink.link.messages import Event

RING = 0xFFFF
KEPT = 16
"""Events the device keeps."""
MAX_HELD = 64
"""Events held back at most, whatever numbers a damaged line makes up."""
MAX_ROUNDS = 8
"""Fruitless requests before a hole is given up: at 10 % loss, once in 1e8 holes."""
ALL = 0
"""GetLog number that asks for everything kept."""


def following(number: int) -> int:
    """The number after ``number``."""
    return number % RING + 1


def steps(number: int, later: int) -> int:
    """Steps from ``number`` on to ``later``: -32767..32767, negative when it is earlier."""
    n = (later - number) % RING
    return n if n <= RING // 2 else n - RING


class EventLog:
    """What was delivered, what is held back because an earlier one is missing."""

    def __init__(self) -> None:
        self.lost = 0
        self.start(None)

    def start(self, first: int | None) -> None:
        """Begin anew, with event ``first`` or, when None, with the oldest the device keeps."""
        self._next = first
        self._held: dict[int, Event] = {}
        self._behind = 0  # Samples in a row that knew of a newer event
        self._rounds = 0
        self.wanted = first is None

    @property
    def request(self) -> int:
        """Number for the next GetLog; meaningful while ``wanted``."""
        return ALL if self._next is None else self._next

    def recheck(self) -> None:
        """The link came back: events may have passed meanwhile."""
        self.wanted, self._rounds = True, 0

    def receive(self, event: Event) -> list[Event]:
        """Events that may be delivered now, in order."""
        number = event.number
        if number == 0 or number in self._held:
            return []
        if self._next is None:
            if len(self._held) < MAX_HELD:
                self._held[number] = event
            return [] if self.wanted else self._begin()
        ahead = steps(self._next, number)
        if ahead < 0:
            return []
        if ahead:
            self.wanted = True
            if len(self._held) < MAX_HELD:
                self._held[number] = event
            return []
        self._held[number] = event
        return self._drain()

    def notice(self, low_byte: int) -> None:
        """A Sample says how the number of the newest event ends. One Sample may be ahead of an
        event that is still on its way; two in a row tell that it was lost."""
        if self._next is None:
            self._ask_first_again(bool(low_byte))
            return
        newest = self._next - 1  # 0 stands for 65535 too: its low byte is then "ahead", not behind
        for number in self._held:
            if steps(newest, number) > 0:
                newest = number
        behind = (low_byte - newest) & 0xFF
        self._behind = self._behind + 1 if 0 < behind < 0x80 else 0
        if self._behind >= 2:
            self.wanted = True

    def answered(self) -> tuple[list[Event], int, int]:
        """The device has sent what it keeps: (events to deliver, first and count of those given
        up)."""
        self.wanted = False
        self._behind = 0
        if self._next is None:
            self._ask_first_again(not self._whole())
            return (self._begin() if self._held and not self.wanted else []), 0, 0
        if not self._held:
            self._rounds = 0
            return [], 0, 0
        self._rounds += 1
        oldest = min(steps(self._next, number) for number in self._held)
        newest = max(steps(self._next, number) for number in self._held)
        if self._rounds < MAX_ROUNDS and newest < KEPT:
            self.wanted = True
            return [], 0, 0
        gone, first = oldest, self._next
        self.lost += gone
        self._next = (self._next + gone - 1) % RING + 1
        self._rounds = 0
        return self._drain(), first, gone

    def unanswered(self) -> None:
        """The request was given up: begin with what there is."""
        self.wanted = False
        self._behind = 0

    def _whole(self) -> bool:
        """All that the device keeps has come: sixteen, or everything since its start."""
        return 1 in self._held or len(self._held) >= KEPT

    def _ask_first_again(self, missing: bool) -> None:
        if missing and not self.wanted and self._rounds < MAX_ROUNDS:
            self._rounds += 1
            self.wanted = True

    def _begin(self) -> list[Event]:
        some = next(iter(self._held))
        self._next = min(self._held, key=lambda number: steps(some, number))
        return self._drain()

    def _drain(self) -> list[Event]:
        ready = []
        assert self._next is not None
        while (event := self._held.pop(self._next, None)) is not None:
            ready.append(event)
            self._next = following(self._next)
        if ready:
            self._rounds = 0
        self.wanted = bool(self._held)
        return ready
