"""A person as they are now, made of their entries. Pure."""

from __future__ import annotations

import hmac
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, NamedTuple

from platelink.contract.words import Role
from platelink.people.entries import Act, Entry


@dataclass(frozen=True, slots=True)
class Tries:
    """Wrong secrets in a row, and the lock the last of them made."""

    wrong: int = 0
    at_utc: datetime | None = None
    lock_s: float = 0.0

    def locked_until(self, at_utc: datetime) -> datetime | None:
        """When the lock that is in force at this time ends.

        A lock is never in force for longer than its length before it began either: should the
        computer's clock be set back, nobody is shut out for the difference."""
        length = timedelta(seconds=self.lock_s)
        if self.at_utc is None or abs(at_utc - self.at_utc) >= length:
            return None
        return self.at_utc + length


@dataclass(frozen=True, slots=True)
class Person:
    """See the file's first line."""

    name: str
    role: Role
    open: bool
    """False for somebody who has left; they cannot sign in."""
    added_utc: datetime
    signed_in_utc: datetime | None = None
    """The last time they did."""
    tries: Tries = Tries()

    def locked_until(self, at_utc: datetime) -> datetime | None:
        """When the person can sign in again, if they are locked out at this time."""
        return self.tries.locked_until(at_utc)


def after(entry: Entry, person: Person | None) -> Person:
    """The person once the entry is made; None before they were added."""
    if person is None:
        return Person(entry.name, Role(str(entry.body["role"])), True, entry.at_utc)
    return replace(person, **_changes(entry, person.tries))


def _changes(entry: Entry, tries: Tries) -> dict[str, Any]:
    changed: dict[str, Any] = {}
    match entry.act:
        case Act.ROLE_CHANGED:
            changed = {"role": Role(str(entry.body["role"]))}
        case Act.CLOSED | Act.OPENED:
            changed = {"open": entry.act is Act.OPENED}
        case Act.SECRET_CHANGED | Act.UNLOCKED:
            changed = {"tries": Tries()}
        case Act.SIGNED_IN:
            changed = {"signed_in_utc": entry.at_utc}
            if not entry.body.get("screen"):  # else strangers could guess on after each
                changed["tries"] = Tries()
        case Act.REFUSED if not entry.body.get("screen"):
            changed = {"tries": Tries(tries.wrong + 1)}
        case Act.LOCKED:
            lock_s = float(str(entry.body["lock_s"]))
            changed = {"tries": Tries(tries.wrong, entry.at_utc, lock_s)}
    return changed


def leads_left(people: Mapping[str, Person], without: str) -> int:
    """How many open leads there are but for the one of this key."""
    return sum(
        person.open and person.role is Role.LEAD for key, person in people.items() if key != without
    )


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
