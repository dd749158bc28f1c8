"""Signing in and out: sessions and their tokens.

Tokens are kept as hashes only. A session's role is looked up at each use, so that another role, a
new secret or a closed person takes effect at once.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from typing import NamedTuple

from pydantic import JsonValue

from platelink.ledger.by import By, from_ms, to_ms
from platelink.ledger.database import Row
from platelink.ledger.errors import StoreError
from platelink.people.entries import Act
from platelink.people.log import PeopleLog
from platelink.people.proof import Proofs
from platelink.people.rules import SignInRules
from platelink.people.state import Person, Session, Tries

TOKEN_BYTES = 32


class SignedIn(NamedTuple):
    """A new session. The token is told once and kept nowhere."""

    token: str
    session: Session
    screen: str
    """What tells this screen from now on."""


class Lasting(NamedTuple):
    """One session of a person."""

    begun_utc: datetime
    used_utc: datetime
    until_utc: datetime
    address: str
    this: bool


class SignIns:
    """See the file's first lines."""

    def __init__(self, log: PeopleLog, proofs: Proofs, rules: SignInRules) -> None:
        self._log = log
        self._db = log.database
        self._proofs = proofs
        self._rules = rules

    def sign_in(
        self, name: str, secret: str, at_utc: datetime, *, screen: str | None = None,
        address: str = "",
    ) -> SignedIn:  # fmt: skip
        """A new session; ``SignInRefused`` says nothing of what was wrong. ``screen`` is what was
        told at a sign-in before; ``address`` is kept for people to look at."""
        begin = partial(self._begin, at_utc, screen, address[:60])
        return self._proofs.proved(name, secret, at_utc, begin, screen)

    def lasting(self, token: str, at_utc: datetime) -> tuple[Lasting, ...]:
        """All sessions of the person whose token it is, the one used last first."""
        mine = _token_hash(token)
        with self._log.reading():
            rows = self._db.rows(
                "SELECT token_hash, key, csrf, begun_ms, used_ms, address FROM sign_ins WHERE key "
                "IN (SELECT key FROM sign_ins WHERE token_hash = ?) ORDER BY used_ms DESC",
                (mine,),
            )
            return tuple(
                Lasting(
                    from_ms(row[3]), from_ms(row[4]),
                    self._session_of(self._log.by_key[row[1]], row[1:5]).until_utc, row[5],
                    row[0] == mine,
                )
                for row in rows if self._lasts(row[1:5], at_utc)
            )  # fmt: skip

    def end_others(self, token: str, at_utc: datetime) -> int:
        """End the person's other sessions; how many there were."""
        mine = _token_hash(token)
        with self._log.writing():
            row = self._session_row(mine)
            if row is None or not self._lasts(row, at_utc):
                return 0
            where = "key = ? AND token_hash <> ?"
            ended = self._ended(where, (row[0], mine))
            person = self._log.by_key[row[0]]
            self._log.enter(person.name, Act.SIGNED_OUT, By(person.name, at_utc), {"others": ended})
        return ended

    def session(self, token: str, at_utc: datetime, *, used: bool = True) -> Session | None:
        """Who has signed in with the token, as they are now; None when it is worth nothing, or no
        more. ``used=False`` looks only and does not put off its end."""
        token_hash = _token_hash(token)
        with self._log.lock:
            row = self._session_row(token_hash)
            self._log.take_in()  # after the row: whoever it is of is among the entries then
            if row is None or not self._lasts(row, at_utc):
                return None
            if used:
                row = self._note_use(token_hash, row, at_utc)
            return self._session_of(self._log.by_key[row[0]], row)

    def sign_out(self, token: str, at_utc: datetime) -> bool:
        """End a session; False when there was none."""
        token_hash = _token_hash(token)
        with self._log.writing():
            row = self._session_row(token_hash)
            if row is None:
                return False
            self._db.execute("DELETE FROM sign_ins WHERE token_hash = ?", (token_hash,))
            if not self._lasts(row, at_utc):
                return False
            person = self._log.by_key[row[0]]
            self._log.enter(person.name, Act.SIGNED_OUT, By(person.name, at_utc), {})
        return True

    def _begin(
        self, at_utc: datetime, screen: str | None, address: str, key: str, person: Person
    ) -> SignedIn:
        self.forget_ended(at_utc)
        known = self._proofs.screens.tries(key, screen) is not None
        screen = screen or secrets.token_urlsafe(TOKEN_BYTES)
        self._proofs.screens.learn(key, screen, at_utc)
        ended = self._ended(
            "key = ? AND token_hash NOT IN "
            "(SELECT token_hash FROM sign_ins WHERE key = ? ORDER BY used_ms DESC LIMIT ?)",
            (key, key, self._rules.most_sign_ins - 1),
        )
        told: dict[str, JsonValue] = {"from": address, "ended": ended, "screen": known}
        body = {name: value for name, value in told.items() if value}
        number = self._log.enter(person.name, Act.SIGNED_IN, By(person.name, at_utc), body)
        token, csrf, at_ms = (
            secrets.token_urlsafe(TOKEN_BYTES),
            secrets.token_urlsafe(TOKEN_BYTES),
            to_ms(at_utc),
        )
        self._db.execute(
            "INSERT INTO sign_ins (token_hash, key, csrf, begun_ms, used_ms, number, address) "
            "VALUES (?, ?, ?, ?, ?, ?, ?)",
            (_token_hash(token), key, csrf, at_ms, at_ms, number, address),
        )
        # Not from the log: nothing of it is sure before the transaction's end.
        person = replace(person, tries=Tries(), signed_in_utc=from_ms(at_ms))
        return SignedIn(token, self._session_of(person, (key, csrf, at_ms, at_ms)), screen)

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
        key, csrf, begun_ms, used_ms = row
        if key not in self._log.by_key or not isinstance(csrf, str):
            return False  # damaged: as good as none
        idle_s = self._rules.idle_s(self._log.by_key[key].role)
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

    def forget_ended(self, at_utc: datetime) -> None:
        """Sessions that ended are kept no longer."""
        rows = self._db.rows("SELECT token_hash, key, csrf, begun_ms, used_ms FROM sign_ins")
        for token_hash, *row in rows:
            if not self._lasts(tuple(row), at_utc):
                self._db.execute("DELETE FROM sign_ins WHERE token_hash = ?", (token_hash,))

    def end_all(self, key: str) -> int:
        """End a person's sessions; how many there were."""
        return self._ended("key = ?", (key,))

    def forget_screens(self, key: str) -> None:
        """No screen is known to the person any more."""
        self._proofs.screens.forget(key)

    def _ended(self, where: str, values: Sequence[object]) -> int:
        ((count,),) = self._db.rows(f"SELECT count(*) FROM sign_ins WHERE {where}", values)  # noqa: S608 -- our own text
        self._db.execute(f"DELETE FROM sign_ins WHERE {where}", values)  # noqa: S608
        return int(count)


def _token_hash(token: str) -> str:
    return hashlib.sha256(token.encode("utf-8", "surrogatepass")).hexdigest()
