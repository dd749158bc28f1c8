"""Invented people for the tests."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from argon2 import PasswordHasher
from argon2.profiles import CHEAPEST

from platelink.ledger.by import By
from platelink.people.hashing import Hashing
from platelink.people.rules import SignInRules
from platelink.people.store import People

T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
LEAD, OPERATOR, AUDITOR = "Anna Example", "Bob Example", "Cleo Example"
SECRET = {LEAD: "an invented secret", OPERATOR: "739201", AUDITOR: "another invention"}


def at(seconds: float = 0.0) -> datetime:
    """Some time after the beginning."""
    return T0 + timedelta(seconds=seconds)


def by(why: str = "", *, seconds: float = 0.0, who: str = LEAD) -> By:
    return By(who, at(seconds), why)


class Counting(PasswordHasher):
    """Cheap, and counts what it did."""

    def __init__(self) -> None:
        super().__init__(
            time_cost=CHEAPEST.time_cost, memory_cost=CHEAPEST.memory_cost, parallelism=1
        )
        self.verified = 0
        self.made = 0

    __slots__ = ("made", "verified")

    def hash(self, password: str | bytes, *, salt: bytes | None = None) -> str:
        self.made += 1
        return super().hash(password, salt=salt)

    def verify(self, hash: str | bytes, password: str | bytes) -> bool:
        self.verified += 1
        return super().verify(hash, password)


def opened(
    path: Path, *, rules: SignInRules | None = None, hasher: PasswordHasher | None = None
) -> People:
    return People.open(path, rules=rules, hashing=Hashing(hasher or Counting()))
