"""The outbox: which entries of the journal the broker has, and what may be sent next. Pure.

Rule 1: the cursor passes an entry only when the broker has acknowledged it *and all before it*.
Rule 2: after any loss of the connection, and any restart, sending begins again after what the
broker has surely saved: what it acknowledged in the last moment it may have lost since. What it
had already taken comes twice, with the same id; nothing comes out of order for the first time, and
nothing is left out.
Rule 3: "accepted, but nobody is subscribed" is not delivered: the broker has thrown it away. The
outbox holds and asks again with the same entry. After every connection and every hold one entry
goes alone, before the window opens, so that a subscriber who comes late still hears the first one
first. (A subscription that vanishes with entries in flight may still let a later one pass: they
all come again, in order, and receivers tell them by their id.)
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

from platelink.backoff import Backoff
from platelink.runs import AnyEntry


class OutboxRow(Protocol):
    """One entry of the journal with its place in the order of all entries (rising, from 1)."""

    @property
    def number(self) -> int: ...
    @property
    def entry(self) -> AnyEntry: ...


class OutboxSource(Protocol):
    """The journal as the publisher sees it."""

    def outbox_after(self, number: int, limit: int) -> Sequence[OutboxRow]:
        """Up to ``limit`` entries after ``number``, in order."""
        ...

    def last_number(self) -> int:
        """Number of the newest entry, 0 when there is none."""
        ...

    def replaced(self) -> bool:
        """True when new entries go into another journal by now."""
        ...

    def close(self) -> None: ...


@dataclass(frozen=True, slots=True)
class OutboxSettings:
    window: int = 16
    """Most entries in flight; below the 20 that common brokers take from one client."""
    retry_first_s: float = 0.5
    retry_cap_s: float = 30.0
    """A broker that restarts is found again within half a minute, however long it was away."""
    connect_limit_s: float = 10.0
    again_s: float = 6.0
    """A broker that is killed loses what it has acknowledged and not saved. It saves every two
    seconds, reckoned in whole ones (deploy/mosquitto.conf): what it acknowledged this long before
    its last answer is sent again, under the same ids."""
    catch_up_from: int = 1000
    """A unit with more entries that the broker has not was away, and catches up: more slowly than
    it could, or what live units send waits at the broker behind all that it has."""
    catch_up_per_s: float = 500.0
    """A week of a unit (docs/scale.md, Reckoned) is some 230,000 entries: eight minutes."""
    acknowledge_limit_s: float = 20.0
    """A connected broker that acknowledges nothing for so long is not working: connect anew."""


class OutboxState(StrEnum):
    WAITING = "waiting"  # not connected, until the next try
    CONNECTING = "connecting"
    PROBING = "probing"  # connected, one entry alone
    FLOWING = "flowing"
    HELD = "held"  # connected, but the broker does not deliver


@dataclass(frozen=True, slots=True)
class Connect:
    """Open a new connection now."""


@dataclass(frozen=True, slots=True)
class Drop:
    """Close the connection; the outbox has already gone on to WAITING."""

    reason: str


@dataclass(slots=True)
class _InFlight:
    number: int
    sent_at: float
    acknowledged: bool = False


class Outbox:
    """Cursor, window and back-off of one publisher. All times are host monotonic seconds."""

    def __init__(self, settings: OutboxSettings, *, cursor: int, now: float) -> None:
        self.settings = settings
        self.cursor = cursor
        self.state = OutboxState.WAITING
        self.reason = ""
        """Why nothing is delivered at present; empty while entries flow."""
        self._backoff = Backoff(settings.retry_first_s, settings.retry_cap_s)
        self.connections = 0
        self.delivered = 0
        """Entries the cursor has passed since the start."""
        self._window = settings.window
        self._in_flight: deque[_InFlight] = deque()
        self._recent: deque[tuple[float, int]] = deque()  # when the cursor left which number
        self._held = deque([(now, 0)])  # when recorders said to hold everything up to which number
        self._sent_to = cursor
        self.pending = 0
        """Entries that the broker has not, as far as is known."""
        self._may, self._may_at = 0.0, now
        self._deadline: float | None = now

    @property
    def in_flight(self) -> int:
        return len(self._in_flight)

    @property
    def connected(self) -> bool:
        return self.state in (OutboxState.PROBING, OutboxState.FLOWING, OutboxState.HELD)

    @property
    def flows(self) -> bool:
        """The broker takes entries, as far as is known: one is not under way alone."""
        idle = self.state is OutboxState.PROBING and not self._in_flight
        return self.state is OutboxState.FLOWING or idle

    def tick(self, *, now: float) -> tuple[Connect | Drop, ...]:
        """Whatever is due; calling early or twice changes nothing."""
        if self._deadline is not None and now >= self._deadline:
            if self.state is OutboxState.WAITING:
                self.state = OutboxState.CONNECTING
                self._deadline = now + self.settings.connect_limit_s
                return (Connect(),)
            if self.state is OutboxState.CONNECTING:
                limit = self.settings.connect_limit_s
                return self._drop(f"no answer to the connection request for {limit:g} s", now)
            if self.state is OutboxState.HELD:
                self._probe()
        oldest = self._oldest_sent_at()
        if oldest is not None and now >= self._limit(oldest):
            text = (
                f"no acknowledgement for {now - oldest:.1f} s "
                f"(limit {self.settings.acknowledge_limit_s:g} s) with {self.in_flight} in flight"
            )
            return self._drop(text, now)
        return ()

    def connected_to_broker(self, broker_window: int, *, now: float) -> None:
        """The broker has answered and takes ``broker_window`` unacknowledged messages from us."""
        self.connections += 1
        self._window = max(1, min(self.settings.window, broker_window))
        self.reason = ""
        self._probe()

    def lost(self, reason: str, *, now: float) -> None:
        """The connection is gone, or could not be made."""
        if self.state is OutboxState.HELD:  # some brokers leave after a refusal: it is the news
            reason = f"{self.reason}; {reason}"
        if self.state is not OutboxState.WAITING:
            self._rewind(now)
            self._wait(OutboxState.WAITING, reason, now)

    @property
    def sure(self) -> int:
        """Up to here the broker has surely saved what it acknowledged, reckoned from its last
        answer: since then it may have been dead. Or every recorder has held it for some time: a
        broker that is lost again and again must not hold up what is new."""
        saved = self._recent[0][1] if self._recent else self.cursor
        return max(saved, min(self._held[0][1], self.cursor))

    def held(self, upto: int, *, now: float) -> None:
        """All recorders say that they hold every entry up to this one."""
        self._held.append((now, upto))
        self._age_held(now)

    def _age_held(self, now: float) -> None:
        """Foremost is the newest word that is old enough; before there is one, none counts."""
        while len(self._held) > 1 and now - self._held[1][0] >= self.settings.again_s:
            self._held.popleft()

    def _rewind(self, now: float) -> None:
        self._age_held(now)
        self.cursor = self.sure
        self._recent.clear()

    def free(self) -> int:
        """How many further entries may be sent now."""
        if self.state is OutboxState.PROBING:
            return 1 - self.in_flight
        if self.state is OutboxState.FLOWING:
            return self._window - self.in_flight
        return 0

    def pace(self, *, now: float) -> int:
        """How many may be sent now for the sake of other units."""
        s = self.settings
        if self.pending <= s.catch_up_from:
            return s.window
        grown = self._may + (now - self._may_at) * s.catch_up_per_s
        self._may, self._may_at = min(grown, s.catch_up_per_s / 10.0), now
        return int(self._may)

    def sent_to(self) -> int:
        """The next entry to send is the first one after this number."""
        return self._sent_to

    def sent(self, number: int, *, now: float) -> None:
        """An entry was handed to the connection; numbers must rise (ValueError)."""
        if number <= self._sent_to or self.free() < 1:
            raise ValueError(f"entry {number} sent after {self._sent_to}, room {self.free()}")
        self._in_flight.append(_InFlight(number, now))
        self._may = max(0.0, self._may - 1.0)
        self._sent_to = number

    def acknowledged(self, number: int, *, now: float) -> bool:
        """The broker has the entry. True when the cursor moved. An unknown number is a late
        answer to something that was since sent again: ignored."""
        for item in self._in_flight:
            if item.number == number:
                item.acknowledged = True
                break
        else:
            return False
        before = self.cursor
        while self._in_flight and self._in_flight[0].acknowledged:
            self.cursor = self._in_flight.popleft().number
            self.delivered += 1
        if self.cursor == before:
            return False
        self._recent.append((now, before))
        while now - self._recent[0][0] > self.settings.again_s:
            self._recent.popleft()
        self.state = OutboxState.FLOWING
        self._backoff.succeeded()
        self.reason = ""
        return True

    def undelivered(self, number: int, reason: str, *, now: float) -> None:
        """The broker answered, but does not deliver the entry: hold, then probe with it again."""
        if any(item.number == number for item in self._in_flight):
            self._wait(OutboxState.HELD, reason, now)

    def _probe(self) -> None:
        self.state = OutboxState.PROBING
        self._deadline = None
        self._forget_flight()

    def _wait(self, state: OutboxState, reason: str, now: float) -> None:
        self.state = state
        self.reason = reason
        self._forget_flight()
        self._deadline = now + self._backoff.failed()

    def _drop(self, reason: str, now: float) -> tuple[Drop]:
        self._rewind(now)
        self._wait(OutboxState.WAITING, reason, now)
        return (Drop(reason),)

    def _forget_flight(self) -> None:
        self._in_flight.clear()
        self._sent_to = self.cursor

    def _oldest_sent_at(self) -> float | None:
        return self._in_flight[0].sent_at if self._in_flight else None

    def _limit(self, sent_at: float) -> float:
        return sent_at + self.settings.acknowledge_limit_s
