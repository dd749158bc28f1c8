"""Signing in and out: sessions and their tokens.

Tokens are kept as hashes only. A session's role is looked up at each use, so that another role, a
new secret or a closed person takes effect at once.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import replace
from datetime import datetime, timedelta
from typing import NamedTuple

from platelink.ledger.by import By, from_ms, to_ms
from platelink.ledger.database import Row
from platelink.ledger.errors import StoreError
from platelink.people.entries import Act
from platelink.people.proof import Proofs
from platelink.people.state import Person, Tries

TOKEN_BYTES = 32


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


class SignIns(Proofs):
    """See the file's first lines."""

    def sign_in(self, name: str, secret: str, at_utc: datetime) -> SignedIn:
        """A new session; ``SignInRefused`` says nothing of what was wrong."""
        return self._proved(name, secret, at_utc, lambda key, who: self._begin(key, who, at_utc))

    def session(self, token: str, at_utc: datetime, *, used: bool = True) -> Session | None:
        """Who has signed in with the token, as they are now; None when it is worth nothing, or no
        more. ``used=False`` looks only and does not put off its end."""
        token_hash = _token_hash(token)
        with self._lock:
            row = self._session_row(token_hash)
            self._take_in()  # after the row: whoever it is of is among the entries then
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
        idle_s = self._rules.idle_s(self._people[key].role)
        begun_s, used_s = (abs(to_ms(at_utc) - int(ms)) / 1e3 for ms in (begun_ms, used_ms))
        return begun_s < self._rules.longest_s and used_s < idle_s

    def _note_use(self, token_hash: str, row: Row, at_utc: datetime) -> Row:
        """The row with its use put down, if it is time to."""
        key, csrf, begun_ms, used_ms = row
        at_ms = to_ms(at_utc)
        if self._db.read_only or abs(at_ms - used_ms) < self._rules.note_use_s * 1e3:
            return row
        sql = "UPDATE sign_ins SET used_ms = ? WHERE token_hash = ?"
        try:
            self._db.execute(sql, (at_ms, token_hash))
        except StoreError:  # a full disk must not keep anybody from stopping the light
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


def _token_hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
