"""The people of the unit, as the service asks for them: never in its loop, and little at a time."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections import Counter
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import NamedTuple, TypeVar

from platelink.api.errors import ApiError
from platelink.api.whence import Whence
from platelink.ledger.errors import StoreError
from platelink.people.errors import SignInRefused
from platelink.people.guesses import Guesses
from platelink.people.rules import SignInRules
from platelink.people.sign_in import SignedIn
from platelink.people.state import Session
from platelink.people.store import People

_T = TypeVar("_T")


class Standing(NamedTuple):
    """Whether anybody is entered at this unit."""

    anybody: bool
    lost: str = ""
    """Why nobody is there although the unit has had people; empty where that is not so."""


AT_ONCE = 2
"""Secrets looked at at a time; each takes some tenths of a second and much memory."""
HOLD_S = 1.0
"""A wrong secret keeps its turn so long: guessing, however fast, takes no processor for itself."""
NICENESS = 15
EACH = 2
"""Of them, from one address."""
FROM_THERE = "too many wrong tries from this address; wait until {until:%H:%M:%S} UTC"
HERE = Whence("this computer", True, None)
LOST = (
    "this unit had users, but {path} {why}; until it is restored, this computer may only "
    "read, hold, stop and abort. Restore it from a backup, or, as owner of the unit's files, "
    "move it away and start over with a reason: sudo platelink user first NAME --why REASON"
)
WAITING = 6
"""Secrets that wait to be looked at; more are turned away."""


class Accounts:
    """Opens the store of people when it is first needed; ``StoreError`` when it cannot."""

    def __init__(
        self,
        path: Path,
        now: Callable[[], datetime],
        open_store: Callable[[Path], People] = People.open,
        *,
        hold_s: float = HOLD_S,
        remembered: Callable[[], bool] = bool,
    ) -> None:
        """``remembered`` is True where the unit's journal knows that people were entered; it is
        asked where the file has none."""
        self._path = path
        self._now = now
        self._open_store = open_store
        self._hold_s = hold_s
        self._remembered = remembered
        self._people: People | None = None
        self._file: os.stat_result | None = None
        self._opening = threading.Lock()
        self._quick = ThreadPoolExecutor(1, "people")
        self._slow = ThreadPoolExecutor(AT_ONCE + 1, "secrets", initializer=_go_last)
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._local_turn = asyncio.Semaphore(1)
        self._proving: Counter[bool] = Counter()
        self._of_address: Counter[str] = Counter()
        self._guesses = Guesses(SignInRules())

    def close(self) -> None:
        """Close the store."""
        for pool in (self._quick, self._slow):
            pool.shutdown()
        if self._people is not None:
            self._people.close()

    async def anybody(self) -> bool:
        """True from the first lead on. Nothing is written to find out."""
        return self._path.exists() and await self.quick(lambda people: people.anybody())

    async def standing(self) -> Standing:
        """Is anybody entered, or was anybody? A file that is gone, empty or damaged is not the same
        as one that was never begun: it must not make everybody a lead."""
        try:
            if await self.anybody():
                return Standing(True)
            why = "has no users" if self._path.exists() else "is missing"
        except StoreError as error:
            why = f"cannot be used: {error}"
            return Standing(False, LOST.format(path=self._path, why=why))
        loop = asyncio.get_running_loop()
        if await loop.run_in_executor(self._quick, self._remembered):
            return Standing(False, LOST.format(path=self._path, why=why))
        return Standing(False)

    async def signed_in(self, token: str, *, used: bool = False) -> Session | None:
        """Whose token it is; None when it is worth nothing. ``used`` puts off its end."""
        if not self._path.exists():
            return None
        at_utc = self._now()
        return await self.quick(lambda people: people.sign_ins.session(token, at_utc, used=used))

    async def sign_in(self, name: str, secret: str, whence: Whence) -> SignedIn:
        """A new session; ``ApiError`` when name and secret are not right."""
        return await self._guarded(
            lambda p: p.sign_ins.sign_in(
                name, secret, self._now(), screen=whence.screen, address=whence.address
            ),
            whence,
        )

    async def change_own_secret(self, name: str, old: str, new: str, whence: Whence) -> None:
        """Another secret, by the person themselves."""
        await self._guarded(lambda p: p.change_own_secret(name, old, new, self._now()), whence)

    async def _guarded(self, what: Callable[[People], _T], whence: Whence) -> _T:
        """A secret from somewhere: who guessed too often from there waits. Not this computer's own
        users: whoever guesses there is at the unit."""
        until = None if whence.local else self._guesses.locked_until(whence.address, self._now())
        if until is not None:
            raise _refused(SignInRefused(FROM_THERE.format(until=until), until), self._now())
        try:
            done = await self.prove(what, whence)
        except SignInRefused as error:
            if not whence.local and error.locked_until_utc is None:
                self._guesses.wrong(whence.address, self._now())
            raise _refused(error, self._now()) from None
        self._guesses.right(whence.address)
        return done

    async def quick(self, what: Callable[[People], _T]) -> _T:
        """Something that takes no longer than the disk."""
        return await asyncio.get_running_loop().run_in_executor(self._quick, self._with, what)

    async def prove(self, what: Callable[[People], _T], whence: Whence = HERE) -> _T:
        """Something that looks at a secret, or makes one; few at a time, and few of one address.
        One turn is kept for this computer's own users."""
        turns = self._local_turn if whence.local else self._turns
        most = 1 + WAITING if whence.local else AT_ONCE + WAITING
        here, of_one = self._proving[whence.local], self._of_address[whence.address]
        if here >= most or (of_one >= EACH and not whence.local):
            raise ApiError(
                "too many sign in at once; try again in some seconds",
                "too many",
                headers={"retry-after": "5"},
            )
        self._proving[whence.local] += 1
        self._of_address[whence.address] += 1
        try:
            await turns.acquire()
            return await self._in_turn(what, turns)
        finally:
            self._proving[whence.local] -= 1
            self._of_address[whence.address] -= 1
            if not self._of_address[whence.address]:
                del self._of_address[whence.address]

    async def _in_turn(self, what: Callable[[People], _T], turns: asyncio.Semaphore) -> _T:
        loop, hold_s = asyncio.get_running_loop(), 0.0
        try:
            return await loop.run_in_executor(self._slow, self._with, what)
        except SignInRefused:
            hold_s = self._hold_s
            raise
        finally:
            loop.call_later(hold_s, turns.release)

    def _with(self, what: Callable[[People], _T]) -> _T:
        with self._opening:
            people = self._opened()
        return what(people)

    def _opened(self) -> People:
        """The store, opened anew where another file has taken its place since."""
        if self._people is not None and not self._is_the_file():
            self._people = None  # closed when the last who uses it is done
        if self._people is None:
            self._people = self._open_store(self._path)
            self._file = self._path.stat()
        return self._people

    def _is_the_file(self) -> bool:
        try:
            return self._file is not None and os.path.samestat(self._path.stat(), self._file)
        except OSError:
            return False


def _go_last() -> None:
    """Checking a secret takes whole processors: whoever else wants one comes first. Niceness is
    each thread's own on Linux, and the threads that argon2 starts have it from this one."""
    with contextlib.suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), NICENESS)


def _refused(error: SignInRefused, now: datetime) -> ApiError:
    until = error.locked_until_utc
    if until is None:
        return ApiError(str(error), "sign in")
    wait_s = max(1, round((until - now).total_seconds()))
    return ApiError(str(error), "too many", headers={"retry-after": str(wait_s)})
