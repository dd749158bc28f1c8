"""Wrong secrets by the address they came from: who tries many names is held up. Pure."""

from __future__ import annotations

from datetime import datetime

from platelink.people.rules import SignInRules
from platelink.people.state import Tries

FREE = 10
"""Wrong ones in a row from one address before it is held up: a shared tablet has several people."""
ADDRESSES = 10_000
"""Kept in memory; the oldest are forgotten. Each costs its owner a look at a secret."""


class Guesses:
    """One thread."""

    def __init__(self, rules: SignInRules) -> None:
        self._rules = rules
        self._of: dict[str, Tries] = {}

    def locked_until(self, address: str, at_utc: datetime) -> datetime | None:
        """When this address may try again; None where it may now."""
        return self._of.get(address, Tries()).locked_until(at_utc)

    def wrong(self, address: str, at_utc: datetime) -> None:
        """A wrong secret came from there."""
        wrong = self._of.pop(address, Tries()).wrong + 1
        lock_s = self._rules.lock_s(wrong - FREE + self._rules.wrong_before_lock)
        self._of[address] = Tries(wrong, at_utc, lock_s)
        if len(self._of) > ADDRESSES:
            del self._of[next(iter(self._of))]

    def right(self, address: str) -> None:
        """A good one did."""
        self._of.pop(address, None)
