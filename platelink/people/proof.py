"""Proof of a secret: lock-out, and the same answer after the same work whatever is wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import NamedTuple, TypeVar

from pydantic import JsonValue

from platelink.ledger.by import By, to_ms
from platelink.people import names
from platelink.people.entries import ITSELF, NOT_KNOWN, Act
from platelink.people.errors import SignInRefused
from platelink.people.hashing import Hashing
from platelink.people.log import PeopleLog
from platelink.people.rules import SignInRules
from platelink.people.screens import Screens
from platelink.people.state import Person, Tries

STRANGERS = 10_000
"""Names that nobody has and whose wrong secrets are counted, in memory; the oldest are forgotten.
To push one out takes as many tries: at 0.2 s each and two at once, a quarter of an hour."""
TOLD_EVERY_MS = 60_000
"""Refusals of such names become one entry in this time: a flood must not fill the disk."""
_T = TypeVar("_T")
_WRONG = (
    "the name or the PIN or password is wrong; try again, or ask a lead for a new PIN or password"
)
_LOCKED = "too many wrong tries with this name; wait until {until:%H:%M:%S} UTC, or ask a lead"


class _Stored(NamedTuple):
    hash: str
    number: int
    """Of the entry that set the secret: stays when it is only hashed anew."""


class Proofs:
    """See the file's first line."""

    def __init__(self, log: PeopleLog, rules: SignInRules, hashing: Hashing) -> None:
        self._log = log
        self._db = log.database
        self._rules = rules
        self._hashing = hashing
        self._strangers: dict[str, Tries] = {}
        self.screens = Screens(log.database, rules)

    def proved(
        self, name: str, secret: str, at_utc: datetime, then: Callable[[str, Person], _T],
        screen: str | None = None,
    ) -> _T:  # fmt: skip
        """What ``then`` gives, called within the transaction that saw the proof. A ``screen`` known
        to the person has tries of its own.

        The secret is checked outside of it, for that takes long. Whatever changed meanwhile counts:
        tries at the same time are judged one after the other, as if they had come so."""
        key = names.key(name[: 4 * names.LONGEST])
        with self._log.reading():
            until = self._tries(key, screen).locked_until(at_utc)
            stored = self._stored(key)
        if until is not None:
            raise _locked(until)
        right = self._hashing.right(stored and stored.hash, secret)
        fresh = None
        if right and stored and self._hashing.stale(stored.hash):
            fresh = self._hashing.make(secret)
        with self._log.writing():
            refused = self._refused(key, stored if right else None, at_utc, screen)
            if refused is None:
                if fresh is not None:
                    self._db.execute("UPDATE hashes SET hash = ? WHERE key = ?", (fresh, key))
                return then(key, self._log.by_key[key])
        raise refused

    def _refused(
        self, key: str, proved: _Stored | None, at_utc: datetime, screen: str | None
    ) -> SignInRefused | None:
        """None for an open person who proved the secret they have now; else it is counted."""
        before = self._tries(key, screen)
        until = before.locked_until(at_utc)
        if until is not None:
            return _locked(until)
        person, now = self._log.by_key.get(key), self._stored(key)
        if proved and person and person.open and now and now.number == proved.number:
            return None
        wrong = before.wrong + 1
        lock_s = self._rules.lock_s(wrong)
        if person is not None and screen and self.screens.tries(key, screen) is not None:
            self.screens.wrong(key, screen, Tries(wrong, at_utc, lock_s))
            body: dict[str, JsonValue] = {"wrong": wrong, "screen": True}
            self._log.enter(person.name, Act.REFUSED, By(NOT_KNOWN, at_utc), body)
        elif person is None:
            self._count_stranger(key, Tries(wrong, at_utc, lock_s))
        else:
            self._log.enter(person.name, Act.REFUSED, By(NOT_KNOWN, at_utc), {"wrong": wrong})
            if lock_s:
                self._log.enter(person.name, Act.LOCKED, By(ITSELF, at_utc), {"lock_s": lock_s})
        until = Tries(wrong, at_utc, lock_s).locked_until(at_utc)
        return SignInRefused(_WRONG) if until is None else _locked(until)

    def _tries(self, key: str, screen: str | None) -> Tries:
        known = self.screens.tries(key, screen)
        if known is not None:
            return known
        person = self._log.by_key.get(key)
        return self._strangers.get(key, Tries()) if person is None else person.tries

    def _count_stranger(self, key: str, tries: Tries) -> None:
        """The name is not entered: people type their secret there by mistake. Something is written
        each time, as for a name that is known, so that it takes as long."""
        self._strangers.pop(key, None)
        self._strangers[key] = tries
        if len(self._strangers) > STRANGERS:
            del self._strangers[next(iter(self._strangers))]
        assert tries.at_utc is not None
        at_ms = to_ms(tries.at_utc)
        ((refused, told_ms),) = self._db.rows("SELECT refused, told_ms FROM unnamed")
        if told_ms is not None and abs(at_ms - told_ms) < TOLD_EVERY_MS:
            self._db.execute("UPDATE unnamed SET refused = refused + 1")
            return
        self._log.enter("", Act.REFUSED, By(NOT_KNOWN, tries.at_utc), {"tries": refused + 1})
        self._db.execute("UPDATE unnamed SET refused = 0, told_ms = ?", (at_ms,))

    def _stored(self, key: str) -> _Stored | None:
        if key not in self._log.by_key:
            return None
        rows = self._db.rows("SELECT hash, number FROM hashes WHERE key = ?", (key,))
        if not rows or not (isinstance(rows[0][0], str) and rows[0][0].startswith("$argon2")):
            return None  # lost: refused like a wrong one, until a lead gives another
        return _Stored(*rows[0])


def _locked(until_utc: datetime) -> SignInRefused:
    return SignInRefused(_LOCKED.format(until=until_utc), until_utc)
