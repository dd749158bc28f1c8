"""The log all of the store stands on: entries that say who did what, when and why.

Everything is an entry; nothing is ever overwritten, and the file itself refuses it. Times come from
the caller.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Self

from platelink.ledger.by import By, checked, from_ms
from platelink.ledger.database import Database, Row
from platelink.recipe.entries import About, Act, Entry
from platelink.recipe.schema import RECIPES

_COLUMNS = "number, about, name, act, at_ms, who, why, ref, body"


class Log:
    """One thread; other programs may read and write meanwhile."""

    def __init__(self, database: Database) -> None:
        self._db = database

    @classmethod
    def open(cls, path: Path | str, *, read_only: bool = False) -> Self:
        """Open the file; without ``read_only`` it is made where there is none."""
        return cls(Database(Path(path), RECIPES, read_only=read_only))

    @property
    def path(self) -> Path:
        """The store's file."""
        return self._db.path

    def close(self) -> None:
        """Close the file."""
        self._db.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def history(self, about: About, name: str) -> tuple[Entry, ...]:
        """Everything done to one thing, oldest first."""
        return self._entries("about = ? AND name = ?", (str(about), name))

    def entries_after(self, number: int, limit: int) -> tuple[Entry, ...]:
        """The entries that follow a number, oldest first."""
        return self._entries("number > ?", (number,), limit)

    def _entries(self, where: str, values: Sequence[object], limit: int = -1) -> tuple[Entry, ...]:
        rows = self._db.rows(
            f"SELECT {_COLUMNS} FROM entries WHERE {where} ORDER BY number LIMIT ?",  # noqa: S608 -- our own text
            (*values, limit),
        )
        return tuple(map(_entry, rows))

    def _enter(
        self,
        what: tuple[About, str, Act],
        by: By,
        body: dict[str, Any],
        *,
        ref: str | None = None,
    ) -> int:
        """Append one entry; its number."""
        about, name, act = what
        at_ms = checked(by, f"{act} {about} {name}")
        number = int(self._db.rows("SELECT coalesce(max(number), 0) + 1 FROM entries")[0][0])
        text = json.dumps(body, ensure_ascii=False, allow_nan=False)
        self._db.execute(
            f"INSERT INTO entries ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",  # noqa: S608 -- our own text
            (number, str(about), name, str(act), at_ms, by.who, by.why, ref, text),
        )
        return number


def _entry(row: Row) -> Entry:
    number, about, name, act, at_ms, who, why, ref, body = row
    at_utc = from_ms(at_ms)
    return Entry(number, About(about), name, Act(act), at_utc, who, why, ref, json.loads(body))
