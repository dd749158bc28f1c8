"""Screens known to a person: browsers and users of the computer from which they signed in before.

Strangers who type wrong secrets lock the name, but not for these: each of them has tries of its
own. Tokens are kept as hashes only.
"""

from __future__ import annotations

import hashlib
from datetime import datetime

from platelink.ledger.by import from_ms, to_ms
from platelink.ledger.database import Database
from platelink.people.rules import SignInRules
from platelink.people.state import Tries


class Screens:
    """Within the lock and transactions of the store of people."""

    def __init__(self, database: Database, rules: SignInRules) -> None:
        self._db, self._rules = database, rules

    def tries(self, key: str, screen: str | None) -> Tries | None:
        """Wrong secrets from this screen; None where the person never signed in from it."""
        if screen is None or self._db.read_only:
            return None
        rows = self._db.rows(
            "SELECT wrong, tried_ms, lock_s FROM screens WHERE screen_hash = ? AND key = ?",
            (_hash(screen), key),
        )
        if not rows:
            return None
        wrong, tried_ms, lock_s = rows[0]
        return Tries(wrong, from_ms(tried_ms), lock_s)

    def wrong(self, key: str, screen: str, tries: Tries) -> None:
        """One more from there."""
        assert tries.at_utc is not None
        self._db.execute(
            "UPDATE screens SET wrong = ?, tried_ms = ?, lock_s = ? "
            "WHERE screen_hash = ? AND key = ?",
            (tries.wrong, to_ms(tries.at_utc), tries.lock_s, _hash(screen), key),
        )

    def learn(self, key: str, screen: str, at_utc: datetime) -> None:
        """The person signed in from there."""
        at_ms = to_ms(at_utc)
        self._db.execute(
            "INSERT INTO screens (screen_hash, key, at_ms, wrong, tried_ms, lock_s) "
            "VALUES (?, ?, ?, 0, ?, 0.0) ON CONFLICT (screen_hash, key) DO UPDATE SET "
            "at_ms = excluded.at_ms, wrong = 0, tried_ms = excluded.tried_ms, lock_s = 0.0",
            (_hash(screen), key, at_ms, at_ms),
        )
        self._db.execute(
            "DELETE FROM screens WHERE key = ? AND screen_hash NOT IN (SELECT screen_hash "
            "FROM screens WHERE key = ? ORDER BY at_ms DESC LIMIT ?)",
            (key, key, self._rules.most_screens),
        )

    def forget(self, key: str) -> None:
        """All of a person's: somebody may have had the secret."""
        self._db.execute("DELETE FROM screens WHERE key = ?", (key,))


def _hash(screen: str) -> str:
    return hashlib.sha256(screen.encode("utf-8", "surrogatepass")).hexdigest()
