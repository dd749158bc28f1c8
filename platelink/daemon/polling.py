"""The thread that asks the instruments on the bus: the control loop never waits for it.

Of each instrument only the newest reply waits for the loop. A bus that hangs says nothing, and
nothing is what the core takes it for.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Protocol

from platelink.daemon.clock import Clock
from platelink.daemon.worker import Worker
from platelink.sensing.beside import Reply, Unanswered
from platelink.sensing.registers import BusInstrument

REST_S = 1.0
"""An instrument that does not answer is asked so often: each time costs the others a time-out."""
TRIES = 3
"""Answers that are missing in a row until then."""
LONGEST_WAIT_S = 0.5

log = logging.getLogger("platelink.daemon")


class Reads(Protocol):
    """What reads instruments."""

    def read(self, one: BusInstrument) -> Reply:
        """Ask one of them."""

    def close(self) -> None:
        """Give the port back."""


class Rounds:
    """Whose turn it is. Pure; times in seconds of one clock."""

    def __init__(self, instruments: Sequence[BusInstrument]) -> None:
        self._all = {one.name: one for one in instruments}
        self._due = dict.fromkeys(self._all, 0.0)
        self._missing = dict.fromkeys(self._all, 0)
        self._unanswered_at: dict[str, float] = {}

    def turn(self, *, now: float) -> BusInstrument | None:
        """The one that has waited longest; None while nobody's turn has come."""
        name = min(self._due, key=self._due.__getitem__)
        return self._all[name] if self._due[name] <= now else None

    def asked(self, name: str, *, answered: bool, at: float, now: float) -> float:
        """It was asked at ``at``, and its answer, or none, came by now. A turn that has passed
        meanwhile is left out. Returned is when it was asked for what came: answers have no number
        on the bus, so one that comes after missing ones may be the answer to the first of them."""
        first = self._unanswered_at.pop(name, at)
        if not answered:
            self._unanswered_at[name] = first
        self._missing[name] = 0 if answered else self._missing[name] + 1
        every_s = self._all[name].poll_s
        if self._missing[name] >= TRIES:
            every_s = max(every_s, REST_S)
        self._due[name] = max(at + every_s, now) if answered else now + every_s
        return first if answered else at

    def wait_s(self, *, now: float) -> float:
        """Until the next turn."""
        return max(0.0, min(self._due.values()) - now)


class Polling(Worker):
    """``begin`` in the running loop, ``stop`` once."""

    def __init__(self, bus: Reads, instruments: Sequence[BusInstrument], clock: Clock) -> None:
        super().__init__("instruments")
        self._bus, self._clock = bus, clock
        self._rounds = Rounds(instruments)
        self._give: Callable[[Reply], None] = lambda reply: None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._lock = threading.Lock()
        self._newest: dict[str, tuple[float, Reply]] = {}

    def begin(self, give: Callable[[Reply], None]) -> None:
        """Ask from now on; ``give`` gets replies in the running loop."""
        self._give, self._loop = give, asyncio.get_running_loop()
        self.start()

    def _run(self) -> None:
        clock = self._clock
        while not self._end.is_set():
            at = clock.now()
            one = self._rounds.turn(now=at)
            if one is None:
                self._end.wait(min(LONGEST_WAIT_S, clock.real_s(self._rounds.wait_s(now=at))))
                continue
            reply = self._asked(one)
            answered = reply.why is None
            self._put(
                self._rounds.asked(one.name, answered=answered, at=at, now=clock.now()), reply
            )
        self._bus.close()

    def _asked(self, one: BusInstrument) -> Reply:
        try:
            return self._bus.read(one)
        except Exception as error:  # whatever a driver does wrong: the others are asked on
            log.exception("instrument %s cannot be asked", one.name)
            return Reply(one.name, 0.0, why=Unanswered.PORT, text=str(error))

    def _put(self, at: float, reply: Reply) -> None:
        with self._lock:
            told, self._newest[reply.name] = bool(self._newest), (at, reply)
        if not told and self._loop is not None:
            with suppress(RuntimeError):  # the loop has ended
                self._loop.call_soon_threadsafe(self._deliver)

    def _deliver(self) -> None:
        with self._lock:
            newest, self._newest = self._newest, {}
        for at, reply in newest.values():
            if not self._end.is_set():
                age_s = round(max(0.0, self._clock.now() - at), 3)
                self._give(replace(reply, age_s=age_s))
