"""The log the store of people stands on, and the people made of it.

Everything is an entry; nothing is ever overwritten, and the file itself refuses it. Times come from
the caller. Any thread may call; one at a time is served.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Self

from platelink.ledger.by import By, checked, from_ms
from platelink.ledger.database import Database, Row
from platelink.people import names
from platelink.people.entries import Act, Entry
from platelink.people.errors import NoSuchPerson
from platelink.people.hashing import Hashing
from platelink.people.rules import SignInRules
from platelink.people.schema import PEOPLE
from platelink.people.state import Person, after

_COLUMNS = "number, name, act, at_ms, who, why, body"


class PeopleLog:
    """Other programs may read and write meanwhile."""

    def __init__(self, database: Database, rules: SignInRules, hashing: Hashing) -> None:
        self._db = database
        self._rules = rules
        self._hashing = hashing
        self._lock = threading.RLock()
        self._people: dict[str, Person] = {}
        self._read = 0  # the number of the last entry that ``_people`` is made of

    @classmethod
    def open(
        cls,
        path: Path | str,
        *,
        read_only: bool = False,
        rules: SignInRules | None = None,
        hashing: Hashing | None = None,
    ) -> Self:
        """Open the file; without ``read_only`` it is made where there is none. ``hashing`` stands
        for other parameters than today's."""
        database = Database(Path(path), PEOPLE, read_only=read_only, any_thread=True)
        hashing = hashing or Hashing()
        if not read_only:
            _ = hashing.nobodys  # made now: the first unknown name must not take longer
        return cls(database, rules or SignInRules(), hashing)

    @property
    def path(self) -> Path:
        """The store's file."""
        return self._db.path

    @property
    def rules(self) -> SignInRules:
        """What it was opened with."""
        return self._rules

    def close(self) -> None:
        """Close the file."""
        with self._lock:
            self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def people(self) -> tuple[Person, ...]:
        """All people ever added, as they are now, in the order they were added."""
        with self._reading():
            return tuple(self._people.values())

    def person(self, name: str) -> Person:
        """One person as they are now; ``NoSuchPerson`` when there is none."""
        with self._reading():
            return self._known(name)[1]

    def history(self, name: str | None = None) -> tuple[Entry, ...]:
        """Everything done about one person, or all entries; oldest first."""
        if name is None:
            return self.entries_after(0)
        with self._reading():
            key, _ = self._known(name)
            sql = f"SELECT {_COLUMNS} FROM entries WHERE key = ? ORDER BY number"  # noqa: S608 -- our own text
            return tuple(map(_entry, self._db.rows(sql, (key,))))

    def entries_after(self, number: int, limit: int = -1) -> tuple[Entry, ...]:
        """The entries that follow a number, oldest first."""
        sql = f"SELECT {_COLUMNS} FROM entries WHERE number > ? ORDER BY number LIMIT ?"  # noqa: S608 -- our own text
        with self._lock:
            return tuple(map(_entry, self._db.rows(sql, (number, limit))))

    @contextmanager
    def _reading(self) -> Iterator[None]:
        """One thread at a time, with all people as they are now."""
        with self._lock:
            self._take_in()
            yield

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """The same, and all that is written inside lasts, or nothing of it."""
        with self._lock, self._db.transaction():
            self._take_in()
            yield

    def _take_in(self) -> None:
        """Whatever this or another program has entered since."""
        for entry in self.entries_after(self._read):
            if entry.name:
                key = names.key(entry.name)
                self._people[key] = after(entry, self._people.get(key))
            self._read = entry.number

    def _known(self, name: str) -> tuple[str, Person]:
        key = names.key(name)
        person = self._people.get(key)
        if person is None:
            there = ", ".join(p.name for p in self._people.values()) or "nobody yet"
            raise NoSuchPerson(f"there is no person '{name}'; there are: {there}")
        return key, person

    def _enter(self, name: str, act: Act, by: By, body: dict[str, Any]) -> int:
        """Append one entry; its number."""
        at_ms = checked(by, f"{act}: {name}")
        number = int(self._db.rows("SELECT coalesce(max(number), 0) + 1 FROM entries")[0][0])
        text = json.dumps(body, ensure_ascii=False, allow_nan=False)
        self._db.execute(
            f"INSERT INTO entries (key, {_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 -- our own text
            (names.key(name), number, name, str(act), at_ms, by.who, by.why, text),
        )
        return number


def _entry(row: Row) -> Entry:
    number, name, act, at_ms, who, why, body = row
    return Entry(number, name, Act(act), from_ms(at_ms), who, why, json.loads(body))
