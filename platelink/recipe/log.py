"""The log of the store of recipes."""

from __future__ import annotations

import json
from collections.abc import Mapping

from pydantic import JsonValue

from platelink.ledger.by import By, from_ms
from platelink.ledger.database import Database, Row
from platelink.ledger.log import EntryLog
from platelink.recipe.entries import About, Act, Entry

_COLUMNS = "number, about, name, act, at_ms, who, why, ref, body"


class Log:
    """What was done to recipes, lots and screens. One thread."""

    def __init__(self, database: Database) -> None:
        self.entries = EntryLog(database, _COLUMNS, _entry)

    def history(self, about: About, name: str) -> tuple[Entry, ...]:
        """Everything done to one thing, oldest first."""
        return self.entries.where("about = ? AND name = ?", (str(about), name))

    def enter(
        self,
        what: tuple[About, str, Act],
        by: By,
        body: Mapping[str, JsonValue],
        *,
        ref: str | None = None,
    ) -> int:
        """Append one entry; its number."""
        about, name, act = map(str, what)
        done = f"{act} {about} {name}"
        return self.entries.append(by, done, body, about=about, name=name, act=act, ref=ref)


def _entry(row: Row) -> Entry:
    number, about, name, act, at_ms, who, why, ref, body = row
    at_utc = from_ms(at_ms)
    return Entry(number, About(about), name, Act(act), at_utc, who, why, ref, json.loads(body))
