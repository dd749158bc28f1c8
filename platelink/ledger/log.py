"""The log of a store: entries that say who did what, when and why. Times come from the caller.

Nothing is ever overwritten, and the file itself refuses it. Other programs may read and write
meanwhile.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Generic, TypeVar

from pydantic import JsonValue

from platelink.ledger.by import By, checked
from platelink.ledger.database import Database, Row
from platelink.ledger.readable import readable

E = TypeVar("E")


class EntryLog(Generic[E]):
    """The table ``entries``: a store's own columns, and ``number``, ``at_ms``, ``who``, ``why`` and
    ``body``. ``entry`` makes an entry of these ``columns``."""

    def __init__(self, database: Database, columns: str, entry: Callable[[Row], E]) -> None:
        self.database = database
        self._columns = columns
        self._entry = entry

    @property
    def path(self) -> Path:
        """The store's file."""
        return self.database.path

    def after(self, number: int, limit: int = -1) -> tuple[E, ...]:
        """The entries that follow a number, oldest first."""
        return self.where("number > ?", (number,), limit)

    def where(self, condition: str, values: Sequence[object], limit: int = -1) -> tuple[E, ...]:
        """The entries of which this is true, oldest first."""
        rows = self.database.rows(
            f"SELECT {self._columns} FROM entries WHERE {condition} ORDER BY number LIMIT ?",  # noqa: S608 -- our own text
            (*values, limit),
        )
        return tuple(map(self._made, rows))

    def _made(self, row: Row) -> E:
        with readable(self.path, f"entry {row[0]}"):
            return self._entry(row)

    def append(
        self, by: By, what: str, body: Mapping[str, JsonValue], **own: str | int | None
    ) -> int:
        """Append one entry with these columns of the store's own; its number. ``what`` is done is
        said when it is refused because nobody is named."""
        at_ms = checked(by, what)
        number = int(self.database.rows("SELECT coalesce(max(number), 0) + 1 FROM entries")[0][0])
        text = json.dumps(body, ensure_ascii=False, allow_nan=False)
        row = {"number": number, **own, "at_ms": at_ms, "who": by.who, "why": by.why, "body": text}
        self.database.execute(
            f"INSERT INTO entries ({', '.join(row)}) VALUES ({', '.join('?' * len(row))})",  # noqa: S608 -- our own text
            tuple(row.values()),
        )
        return number
