"""The people of the unit, as the service asks for them: never in its loop, and little at a time."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import datetime
from pathlib import Path
from typing import TypeVar

from platelink.api.errors import ApiError
from platelink.people.errors import SignInRefused
from platelink.people.sign_in import Session, SignedIn
from platelink.people.store import People

_T = TypeVar("_T")
AT_ONCE = 2
"""Secrets looked at at a time; each takes some tenths of a second and much memory."""
HOLD_S = 1.0
"""A wrong secret keeps its turn so long: guessing, however fast, takes no processor for itself."""
NICENESS = 15
WAITING = 6
"""Secrets that wait to be looked at; more are turned away."""


class Desk:
    """Opens the store of people when it is first needed; ``StoreError`` when it cannot."""

    def __init__(
        self,
        path: Path,
        now: Callable[[], datetime],
        open_store: Callable[[Path], People] = People.open,
        *,
        hold_s: float = HOLD_S,
    ) -> None:
        self._path = path
        self._now = now
        self._open_store = open_store
        self._hold_s = hold_s
        self._people: People | None = None
        self._opening = threading.Lock()
        self._quick = ThreadPoolExecutor(1, "people")
        self._slow = ThreadPoolExecutor(AT_ONCE, "secrets", initializer=_go_last)
        self._turns = asyncio.Semaphore(AT_ONCE)
        self._proving = 0

    def close(self) -> None:
        """Close the store."""
        for pool in (self._quick, self._slow):
            pool.shutdown()
        if self._people is not None:
            self._people.close()

    async def anybody(self) -> bool:
        """True from the first lead on. Nothing is written to find out."""
        if self._people is None and not self._path.exists():
            return False
        return await self.quick(lambda people: people.anybody())

    async def signed_in(self, token: str, *, used: bool = False) -> Session | None:
        """Whose token it is; None when it is worth nothing. ``used`` puts off its end."""
        if self._people is None and not self._path.exists():
            return None
        at_utc = self._now()
        return await self.quick(lambda people: people.session(token, at_utc, used=used))

    async def sign_in(self, name: str, secret: str) -> SignedIn:
        """A new session; ``ApiError`` when name and secret are not right."""
        try:
            return await self.prove(lambda people: people.sign_in(name, secret, self._now()))
        except SignInRefused as error:
            raise _refused(error, self._now()) from None

    async def change_own_secret(self, name: str, old: str, new: str) -> None:
        """Another secret, by the person themselves."""
        try:
            await self.prove(lambda people: people.change_own_secret(name, old, new, self._now()))
        except SignInRefused as error:
            raise _refused(error, self._now()) from None

    async def quick(self, what: Callable[[People], _T]) -> _T:
        """Something that takes no longer than the disk."""
        return await asyncio.get_running_loop().run_in_executor(self._quick, self._with, what)

    async def prove(self, what: Callable[[People], _T]) -> _T:
        """Something that looks at a secret, or makes one; few at a time."""
        if self._proving >= AT_ONCE + WAITING:
            raise ApiError(
                "too many sign in at once; try again in some seconds",
                "too many",
                headers={"retry-after": "5"},
            )
        self._proving += 1
        try:
            await self._turns.acquire()
            return await self._in_turn(what)
        finally:
            self._proving -= 1

    async def _in_turn(self, what: Callable[[People], _T]) -> _T:
        loop, hold_s = asyncio.get_running_loop(), 0.0
        try:
            return await loop.run_in_executor(self._slow, self._with, what)
        except SignInRefused:
            hold_s = self._hold_s
            raise
        finally:
            loop.call_later(hold_s, self._turns.release)

    def _with(self, what: Callable[[People], _T]) -> _T:
        with self._opening:
            if self._people is None:
                self._people = self._open_store(self._path)
        return what(self._people)


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
