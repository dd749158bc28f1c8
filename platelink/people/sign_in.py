"""Signing in and out: proof of a secret, lock-out, sessions.

Tokens are kept as hashes only. A session's role is looked up at each use, so that another role, a
new secret or a closed person takes effect at once.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple, TypeVar

from platelink.ledger.by import By, from_ms, to_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.errors import StoreUnavailable
from platelink.people import names
from platelink.people.entries import ITSELF, NOT_KNOWN, Act
from platelink.people.errors import SignInRefused
from platelink.people.hashing import Hashing
from platelink.people.log import PeopleLog
from platelink.people.rules import SignInRules
from platelink.people.state import Person, Tries

TOKEN_BYTES = 32
STRANGERS = 10_000
"""Names that nobody has and whose wrong secrets are counted, in memory; the oldest are forgotten.
More than can be tried while the longest lock lasts."""
TOLD_EVERY_MS = 60_000
"""Refusals of such names become one entry in this time: a flood must not fill the disk."""
_T = TypeVar("_T")
_WRONG = (
    "the name or the PIN or password is wrong; try again, or let a lead give a new PIN or password"
)
_LOCKED = "too many wrong tries with this name; wait until {until:%H:%M:%S} UTC, or ask a lead"


class Session(NamedTuple):
    """Somebody who has signed in."""

    person: Person
    csrf: str
    """What a page must send along with whatever changes something."""
    until_utc: datetime
    """When it ends unless it is used."""

    def csrf_is(self, given: str | None) -> bool:
        """True for the session's own; takes the same time for any other."""
        return hmac.compare_digest(self.csrf.encode(), (given or "").encode(errors="replace"))


class SignedIn(NamedTuple):
    """A new session. The token is told once and kept nowhere."""

    token: str
    session: Session


class _Stored(NamedTuple):
    hash: str
    number: int
    """Of the entry that set the secret: stays when it is only hashed anew."""


class SignIns(PeopleLog):
    """See the file's first lines."""

    def __init__(self, database: Database, rules: SignInRules, hashing: Hashing) -> None:
        super().__init__(database, rules, hashing)
        self._strangers: dict[str, Tries] = {}

    def sign_in(self, name: str, secret: str, at_utc: datetime) -> SignedIn:
        """A new session; ``SignInRefused`` says nothing of what was wrong."""
        return self._proved(name, secret, at_utc, lambda key, who: self._begin(key, who, at_utc))

    def session(self, token: str, at_utc: datetime, *, used: bool = True) -> Session | None:
        """Who has signed in with the token, as they are now; None when it is worth nothing, or no
        more. ``used=False`` looks only and does not put off its end."""
        token_hash = _token_hash(token)
        with self._reading():
            row = self._session_row(token_hash)
            if row is None or not self._lasts(row, at_utc):
                return None
            if used:
                row = self._note_use(token_hash, row, at_utc)
            return self._session_of(self._people[row[0]], row)

    def sign_out(self, token: str, at_utc: datetime) -> bool:
        """End a session; False when there was none."""
        token_hash = _token_hash(token)
        with self._writing():
            row = self._session_row(token_hash)
            if row is None:
                return False
            person = self._people[row[0]]
            self._db.execute("DELETE FROM sign_ins WHERE token_hash = ?", (token_hash,))
            self._enter(person.name, Act.SIGNED_OUT, By(person.name, at_utc), {})
        return True

    # --- proof ------------------------------------------------------------------------------

    def _proved(
        self, name: str, secret: str, at_utc: datetime, then: Callable[[str, Person], _T]
    ) -> _T:
        """What ``then`` gives, called within the transaction that saw the proof.

        The secret is checked outside of it, for that takes long. Whatever changed meanwhile counts:
        tries at the same time are judged one after the other, as if they had come so."""
        key = names.key(name[: 4 * names.LONGEST])
        with self._reading():
            until = self._tries(key).locked_until(at_utc)
            stored = self._stored(key)
        if until is not None:
            raise _locked(until)
        right = self._hashing.right(stored and stored.hash, secret)
        fresh = None
        if right and stored and self._hashing.stale(stored.hash):
            fresh = self._hashing.make(secret)
        with self._writing():
            refused = self._refused(key, stored if right else None, at_utc)
            if refused is None:
                if fresh is not None:
                    self._db.execute("UPDATE hashes SET hash = ? WHERE key = ?", (fresh, key))
                return then(key, self._people[key])
        raise refused

    def _refused(self, key: str, proved: _Stored | None, at_utc: datetime) -> SignInRefused | None:
        """None for an open person who proved the secret they have now; else it is counted."""
        until = self._tries(key).locked_until(at_utc)
        if until is not None:
            return _locked(until)
        person, now = self._people.get(key), self._stored(key)
        if proved and person and person.open and now and now.number == proved.number:
            return None
        wrong = self._tries(key).wrong + 1
        lock_s = self._rules.lock_s(wrong)
        if person is None:
            self._count_stranger(key, Tries(wrong, at_utc, lock_s))
        else:
            self._enter(person.name, Act.REFUSED, By(NOT_KNOWN, at_utc), {"wrong": wrong})
            if lock_s:
                self._enter(person.name, Act.LOCKED, By(ITSELF, at_utc), {"lock_s": lock_s})
        until = Tries(wrong, at_utc, lock_s).locked_until(at_utc)
        return SignInRefused(_WRONG) if until is None else _locked(until)

    def _tries(self, key: str) -> Tries:
        person = self._people.get(key)
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
        self._enter("", Act.REFUSED, By(NOT_KNOWN, tries.at_utc), {"tries": refused + 1})
        self._db.execute("UPDATE unnamed SET refused = 0, told_ms = ?", (at_ms,))

    def _stored(self, key: str) -> _Stored | None:
        if key not in self._people:
            return None
        rows = self._db.rows("SELECT hash, number FROM hashes WHERE key = ?", (key,))
        return _Stored(*rows[0])

    # --- sessions ---------------------------------------------------------------------------

    def _begin(self, key: str, person: Person, at_utc: datetime) -> SignedIn:
        self._forget_ended(at_utc)
        number = self._enter(person.name, Act.SIGNED_IN, By(person.name, at_utc), {})
        token, csrf, at_ms = (
            secrets.token_urlsafe(TOKEN_BYTES),
            secrets.token_urlsafe(TOKEN_BYTES),
            to_ms(at_utc),
        )
        self._db.execute(
            "INSERT INTO sign_ins (token_hash, key, csrf, begun_ms, used_ms, number) "
            "VALUES (?, ?, ?, ?, ?, ?)",
            (_token_hash(token), key, csrf, at_ms, at_ms, number),
        )
        # Not from the log: nothing of it is sure before the transaction's end.
        person = replace(person, tries=Tries(), signed_in_utc=from_ms(at_ms))
        return SignedIn(token, self._session_of(person, (key, csrf, at_ms, at_ms)))

    def _session_row(self, token_hash: str) -> Row | None:
        sql = "SELECT key, csrf, begun_ms, used_ms FROM sign_ins WHERE token_hash = ?"
        return next(iter(self._db.rows(sql, (token_hash,))), None)

    def _session_of(self, person: Person, row: Row) -> Session:
        _, csrf, begun_ms, used_ms = row
        idle = from_ms(used_ms) + timedelta(seconds=self._rules.idle_s(person.role))
        longest = from_ms(begun_ms) + timedelta(seconds=self._rules.longest_s)
        return Session(person, csrf, min(idle, longest))

    def _lasts(self, row: Row, at_utc: datetime) -> bool:
        """Also ended by a clock set back by more than it may last."""
        key, _, begun_ms, used_ms = row
        person, at_ms = self._people[key], to_ms(at_utc)
        idle_ms = self._rules.idle_s(person.role) * 1e3
        longest_ms = self._rules.longest_s * 1e3
        return person.open and abs(at_ms - begun_ms) < longest_ms and abs(at_ms - used_ms) < idle_ms

    def _note_use(self, token_hash: str, row: Row, at_utc: datetime) -> Row:
        """The row with its use put down, if it is time to."""
        key, csrf, begun_ms, used_ms = row
        at_ms = to_ms(at_utc)
        if self._db.read_only or abs(at_ms - used_ms) < self._rules.note_use_s * 1e3:
            return row
        sql = "UPDATE sign_ins SET used_ms = ? WHERE token_hash = ?"
        try:
            self._db.execute(sql, (at_ms, token_hash))
        except StoreUnavailable:  # a full disk must not keep anybody from stopping the light
            return row
        return key, csrf, begun_ms, at_ms

    def _forget_ended(self, at_utc: datetime) -> None:
        rows = self._db.rows("SELECT token_hash, key, csrf, begun_ms, used_ms FROM sign_ins")
        for token_hash, *row in rows:
            if not self._lasts(tuple(row), at_utc):
                self._db.execute("DELETE FROM sign_ins WHERE token_hash = ?", (token_hash,))

    def _end_all(self, key: str) -> int:
        """End a person's sessions; how many there were."""
        ((count,),) = self._db.rows("SELECT count(*) FROM sign_ins WHERE key = ?", (key,))
        self._db.execute("DELETE FROM sign_ins WHERE key = ?", (key,))
        return int(count)


def _locked(until_utc: datetime) -> SignInRefused:
    return SignInRefused(_LOCKED.format(until=until_utc), until_utc)


def _token_hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
