"""The log of the store of people, and the people made of it. Any thread may call."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from pydantic import JsonValue

from platelink.ledger.by import By, from_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.log import EntryLog
from platelink.ledger.readable import readable
from platelink.people import names
from platelink.people.entries import Act, Entry
from platelink.people.errors import NoSuchPerson
from platelink.people.state import Person, after

_COLUMNS = "number, name, act, at_ms, who, why, body"


class PeopleLog:
    """What was done about people; one thread at a time is served."""

    def __init__(self, database: Database) -> None:
        self.database = database
        self.entries = EntryLog(database, _COLUMNS, _entry)
        self.lock = threading.RLock()
        self.by_key: dict[str, Person] = {}
        """As they are now, for whoever holds ``reading`` or ``writing``."""
        self._read = 0  # the number of the last entry that ``by_key`` is made of

    def people(self) -> tuple[Person, ...]:
        """All people ever added, as they are now, in the order they were added."""
        with self.reading():
            return tuple(self.by_key.values())

    def person(self, name: str) -> Person:
        """One person as they are now; ``NoSuchPerson`` when there is none."""
        with self.reading():
            return self.find(name)[1]

    def history(self, name: str | None = None) -> tuple[Entry, ...]:
        """Everything done about one person, or all entries; oldest first."""
        with self.reading():
            if name is None:
                return self.entries.after(0)
            return self.entries.where("key = ?", (self.find(name)[0],))

    @contextmanager
    def reading(self) -> Iterator[None]:
        """One thread at a time, with all people as they are now."""
        with self.lock:
            self.take_in()
            yield

    @contextmanager
    def writing(self) -> Iterator[None]:
        """The same, and all that is written inside lasts, or nothing of it."""
        with self.lock, self.database.transaction():
            self.take_in()
            yield

    def take_in(self) -> None:
        """Whatever this or another program has entered since."""
        for entry in self.entries.after(self._read):
            if entry.name:
                with readable(self.database.path, f"entry {entry.number}"):
                    key = names.key(entry.name)
                    self.by_key[key] = after(entry, self.by_key.get(key))
            self._read = entry.number

    def find(self, name: str) -> tuple[str, Person]:
        """The key of a name and whose it is; ``NoSuchPerson`` when it is nobody's."""
        key = names.key(name)
        person = self.by_key.get(key)
        if person is None:
            there = ", ".join(p.name for p in self.by_key.values()) or "nobody yet"
            raise NoSuchPerson(f"there is no person '{name}'; there are: {there}")
        return key, person

    def enter(self, name: str, act: Act, by: By, body: Mapping[str, JsonValue]) -> int:
        """Append one entry; its number."""
        key = names.key(name)
        return self.entries.append(by, f"{act}: {name}", body, key=key, name=name, act=str(act))

    def set_hash(self, key: str, new_hash: str, number: int) -> None:
        """What proves the person from now on, set by the entry of this number."""
        self.database.execute(
            "INSERT INTO hashes (key, hash, number) VALUES (?, ?, ?) ON CONFLICT (key) "
            "DO UPDATE SET hash = excluded.hash, number = excluded.number",
            (key, new_hash, number),
        )


def _entry(row: Row) -> Entry:
    number, name, act, at_ms, who, why, body = row
    return Entry(number, name, Act(act), from_ms(at_ms), who, why, json.loads(body))
