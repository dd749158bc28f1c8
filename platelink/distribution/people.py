"""People of the shop: out of its store, and into that of a unit."""

from __future__ import annotations

from platelink.distribution.model import People, SentPerson
from platelink.distribution.secrets import bound_to, closed, open_
from platelink.distribution.wrong import NotTaken
from platelink.ledger.by import By
from platelink.people.given import Given, all_given, take_people
from platelink.people.store import People as PeopleStore


def sent_people(
    store: PeopleStore, key: bytes, nonce: bytes, bound: bytes
) -> tuple[tuple[SentPerson, ...], str]:
    """Everybody, and the closed hashes of their secrets."""
    everybody = all_given(store)
    people = tuple(SentPerson(name=one.name, role=one.role, active=one.active) for one in everybody)
    return people, closed({one.name: one.hash for one in everybody}, key, nonce, bound)


def take_sent_people(
    store: PeopleStore, given: People, by: By, key: bytes | None
) -> tuple[str, ...]:
    """All of it or nothing; what was changed."""
    if key is None:
        raise NotTaken(
            "this unit has no people key: copy the shop's people.key here and name it under "
            "[shop] people_key_file"
        )
    hashes = open_(given.secrets, key, bound_to(given.site, given.unit, given.revision))
    if hashes.keys() != {one.name for one in given.people}:
        raise NotTaken("it does not prove exactly the people it lists; send people again")
    wanted = [Given(one.name, one.role, one.active, hashes[one.name]) for one in given.people]
    return take_people(store, wanted, by)
