"""People as another place gives them, all at once: the shop's list in a unit's store.

A person who is not in the list stays as they are. A secret that a person changed here stays until
the other place gives them another one than it gave before.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from pydantic import JsonValue

from platelink.contract.words import Role
from platelink.ledger.by import By
from platelink.ledger.errors import StoreRefused
from platelink.people import names
from platelink.people.entries import Act
from platelink.people.hashing import fault as hash_fault
from platelink.people.state import Person
from platelink.people.store import People

GIVEN = "given"
"""Key of an entry's body: which hash the other place gave, by its own hash."""


class Given(NamedTuple):
    """One person as the other place has them."""

    name: str
    role: Role
    active: bool
    hash: str


def take_people(people: People, given: Sequence[Given], by: By) -> tuple[str, ...]:
    """All of it or nothing; what was changed. ``StoreRefused`` says who cannot be taken; a list
    without an active lead is not."""
    _must_be_usable(given)
    with people.log.writing():
        return tuple(line for one in given for line in _take(people, one, by))


def all_given(people: People) -> tuple[Given, ...]:
    """Everybody in a store, as it gives them."""
    with people.log.reading():
        hashes: dict[str, str] = dict(people.log.database.rows("SELECT key, hash FROM hashes"))
        return tuple(
            Given(one.name, one.role, one.open, hashes[key])
            for key, one in people.log.by_key.items()
        )


def _must_be_usable(given: Sequence[Given]) -> None:
    keys = [names.key(one.name) for one in given]
    if len(set(keys)) < len(keys):
        raise StoreRefused("one name stands twice in the list of people")
    for one in given:
        fault = names.fault(one.name) or hash_fault(one.hash)
        if fault is not None:
            raise StoreRefused(f"{one.name!r:.80} cannot be taken: {fault}")
    if not any(one.active and one.role is Role.LEAD for one in given):
        raise StoreRefused(
            "the list of people has no active lead: nobody could add or unlock anybody here"
        )


def _take(people: People, one: Given, by: By) -> Iterator[str]:
    log, key, mark = people.log, names.key(one.name), _mark(one)
    person = log.by_key.get(key)
    if person is None:
        body: dict[str, JsonValue] = {"role": str(one.role), GIVEN: mark}
        log.set_hash(key, one.hash, log.enter(one.name, Act.ADDED, by, body))
        yield f"{one.name} added as {one.role}"
    else:
        yield from _change(people, person, one, by)
    log.take_in()
    person = log.by_key[key]
    if person.open and not one.active:
        log.enter(person.name, Act.CLOSED, by, {"signed_out": people.sign_ins.end_all(key)})
        yield f"{person.name} deactivated"
    elif one.active and not person.open:
        log.enter(person.name, Act.OPENED, by, {})
        yield f"{person.name} reactivated"
    log.take_in()


def _change(people: People, person: Person, one: Given, by: By) -> Iterator[str]:
    key = names.key(one.name)
    if person.role is not one.role:
        people.sign_ins.forget_ended(by.at_utc)  # or the new role's longer time would wake them
        body: dict[str, JsonValue] = {"role": str(one.role), "before": str(person.role)}
        people.log.enter(person.name, Act.ROLE_CHANGED, by, body)
        yield f"{person.name} is {one.role} now"
    ((now,),) = people.log.database.rows("SELECT hash FROM hashes WHERE key = ?", (key,))
    if _mark(one) != _given_before(people, key) and one.hash != now:
        body = {"signed_out": people.sign_ins.end_all(key), GIVEN: _mark(one)}
        people.sign_ins.forget_screens(key)
        number = people.log.enter(person.name, Act.SECRET_CHANGED, by, body)
        people.log.set_hash(key, one.hash, number)
        yield f"{person.name} has the shop's PIN or password"


def _mark(one: Given) -> str:
    return hashlib.sha256(one.hash.encode()).hexdigest()[:16]


def _given_before(people: People, key: str) -> JsonValue:
    """Which hash the other place gave last; None where it gave none."""
    entries = people.log.entries.where("key = ? AND act IN ('added', 'secret changed')", (key,))
    return next((e.body[GIVEN] for e in reversed(entries) if GIVEN in e.body), None)
