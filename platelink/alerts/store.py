"""The file of alerts: how far the journal was read, what was told to whom, what waits."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple, Self

from platelink.alerts.occurrence import Now, Occurrence
from platelink.alerts.outbox import Item, Kind, Sent, Way
from platelink.alerts.schema import ALERTS
from platelink.alerts.summary import Summary, summary_of
from platelink.control.alarm.states import AlarmState
from platelink.ledger.database import Database, Row
from platelink.ledger.lock import WriterLock
from platelink.ledger.readable import readable


class Place(NamedTuple):
    """How far the journal was read."""

    journal: str
    number: int
    steady_ms: int


class WayRow(NamedTuple):
    """What came of the tries of one way; times are UTC in milliseconds."""

    way: Way
    tries: int
    """Since the last that went well."""
    tried_ms: int | None
    well_ms: int | None
    problem: str
    """Of the last try; empty when it went well."""
    waiting: int
    oldest_ms: int | None
    """When the oldest item that waits was made."""


class AlertsStore:
    """See the file's first line. One process writes; others read."""

    def __init__(self, database: Database, lock: WriterLock | None) -> None:
        self._db, self._lock = database, lock

    @classmethod
    def open(cls, path: Path, *, read_only: bool = False) -> Self:
        """Open the file; without ``read_only`` it is made where there is none, and locked."""
        if read_only:
            return cls(Database(path, ALERTS, read_only=True), None)
        lock = WriterLock(path, ALERTS)
        try:
            return cls(Database(path, ALERTS, read_only=False), lock)
        except BaseException:
            lock.release()
            raise

    def close(self) -> None:
        """Close the file, and let another process have it."""
        self._db.close()
        if self._lock is not None:
            self._lock.release()

    @contextmanager
    def together(self) -> Iterator[None]:
        """All that is written inside lasts, or nothing of it."""
        with self._db.transaction():
            yield

    # --- the journal -------------------------------------------------------------------------

    def place(self) -> Place | None:
        """How far the journal was read; None before the first time."""
        rows = self._db.rows("SELECT journal, number, steady_ms FROM place")
        return Place(*rows[0]) if rows else None

    def read_to(self, place: Place) -> None:
        """The journal was read so far."""
        self._db.execute(
            "INSERT INTO place VALUES (1, ?, ?, ?) ON CONFLICT (one) DO UPDATE SET "
            "journal = excluded.journal, number = excluded.number, steady_ms = excluded.steady_ms",
            place,
        )

    def keep(self, one: Occurrence) -> None:
        """The occurrence as it is now."""
        self._db.execute(
            "INSERT INTO occurrences VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (key) DO UPDATE SET "
            "stood_until_ms = excluded.stood_until_ms, open = excluded.open, body = excluded.body",
            (one.key, one.alarm, one.raised_ms, one.stood_until_ms, int(one.open),
             json.dumps(asdict(one), ensure_ascii=False)),
        )  # fmt: skip

    def open_ones(self) -> list[Occurrence]:
        """Occurrences of which more may be heard."""
        return self._occurrences("open = 1", ())

    def occurrences(self, keys: Iterable[str]) -> dict[str, Occurrence]:
        """Those of these keys that are still known."""
        return {one.key: one for key in keys for one in self._occurrences("key = ?", (key,))}

    def standing_between(self, from_ms: int, until_ms: int) -> list[Occurrence]:
        """Those whose condition was there at some time in ``from <= t < until``."""
        return self._occurrences(
            "raised_ms < ? AND coalesce(stood_until_ms, ?) >= ?", (until_ms, until_ms, from_ms)
        )

    def _occurrences(self, condition: str, values: tuple[Any, ...]) -> list[Occurrence]:
        rows = self._db.rows(
            f"SELECT key, body FROM occurrences WHERE {condition} ORDER BY raised_ms",  # noqa: S608 -- our own text
            values,
        )
        return [self.occurrence_of(row) for row in rows]

    def occurrence_of(self, row: Row) -> Occurrence:
        """Of a row with its key and body."""
        with readable(self._db.path, f"occurrence {row[0]!s:.60}"):
            found = json.loads(row[1])
            found["plates"] = tuple(found["plates"])
            return Occurrence(**(found | {"state": AlarmState(found["state"])}))

    def told(self) -> set[tuple[str, str]]:
        """(occurrence, person) of all that was told, or waits to be."""
        rows = self._db.rows("SELECT DISTINCT key, person FROM items WHERE kind = 'alarm'")
        return {(key, person) for key, person in rows}

    # --- what waits --------------------------------------------------------------------------

    def add(
        self, way: Way, kind: Kind, key: str, *, alarm: str = "", body: str = "", now: Now
    ) -> None:
        """One thing more that a person is to hear by a way; once, however often it is added."""
        self._db.execute(
            "INSERT INTO items (person, way, kind, key, alarm, body, made_ms, steady_ms, state) "
            "VALUES (?, ?, ?, ?, ?, ?, ?, ?, 'waiting') ON CONFLICT DO NOTHING",
            (*way, kind, key, alarm, body, now.utc_ms, now.steady_ms),
        )

    def waiting(self) -> list[Item]:
        """All that waits, oldest first."""
        rows = self._db.rows(
            "SELECT number, person, way, kind, key, alarm, steady_ms FROM items "
            "WHERE state = 'waiting' ORDER BY number"
        )
        return [Item(number, Way(person, way), kind, key, alarm, steady_ms)
                for number, person, way, kind, key, alarm, steady_ms in rows]  # fmt: skip

    def summary(self, number: int) -> Summary:
        """The summary that was added with an item."""
        ((body,),) = self._db.rows("SELECT body FROM items WHERE number = ?", (number,))
        with readable(self._db.path, f"summary {number}"):
            return summary_of(json.loads(body))

    def ways_told(self, key: str, person: str) -> list[Way]:
        """The ways by which a person was told of an occurrence."""
        rows = self._db.rows(
            "SELECT way FROM items WHERE kind = 'alarm' AND key = ? AND person = ? "
            "AND state = 'sent'",
            (key, person),
        )
        return [Way(person, way) for (way,) in rows]

    def sent_since(self, way: Way, steady_ms: int) -> list[Sent]:
        """Alarms that were told by a way since then."""
        rows = self._db.rows(
            "SELECT alarm, done_steady_ms FROM items WHERE person = ? AND way = ? "
            "AND done_steady_ms > ? AND state = 'sent' AND kind = 'alarm'",
            (*way, steady_ms),
        )
        return [Sent(*row) for row in rows]

    # --- tries -------------------------------------------------------------------------------

    def trying(self, way: Way, now: Now) -> int:
        """A try begins now; how many before it may have got through although that is not known."""
        with self._db.transaction():
            rows = self._db.rows("SELECT tries FROM ways WHERE person = ? AND way = ?", way)
            self._db.execute(
                "INSERT INTO ways VALUES (?, ?, 1, ?, NULL, '') ON CONFLICT (person, way) DO "
                "UPDATE SET tries = tries + 1, tried_ms = excluded.tried_ms",
                (*way, now.utc_ms),
            )
        return int(rows[0][0]) if rows else 0

    def went(self, way: Way, numbers: Iterable[int], now: Now) -> None:
        """The try went well, and took these with it."""
        with self._db.transaction():
            self._db.execute_each(
                "UPDATE items SET state = 'sent', done_ms = ?, done_steady_ms = ? WHERE number = ?",
                [(now.utc_ms, now.steady_ms, number) for number in numbers],
            )
            self._db.execute(
                "UPDATE ways SET tries = 0, well_ms = ?, problem = '' WHERE person = ? AND way = ?",
                (now.utc_ms, *way),
            )

    def failed(self, way: Way, problem: str) -> None:
        """The try did not go well, as far as is known."""
        self._db.execute(
            "UPDATE ways SET problem = ? WHERE person = ? AND way = ?", (problem, *way)
        )

    def drop(self, numbers: Iterable[int], why: str, now: Now) -> None:
        """These are not sent any more."""
        self._db.execute_each(
            "UPDATE items SET state = 'dropped', why = ?, done_ms = ? WHERE number = ?",
            [(why, now.utc_ms, number) for number in numbers],
        )

    def ways(self) -> list[WayRow]:
        """All ways that were ever tried, or for which something waits."""
        rows = self._db.rows(
            "SELECT person, way, coalesce(tries, 0), tried_ms, well_ms, coalesce(problem, ''), "
            "count(made_ms), min(made_ms) FROM (SELECT person, way FROM ways UNION "
            "SELECT person, way FROM items WHERE state = 'waiting') "
            "LEFT JOIN ways USING (person, way) LEFT JOIN (SELECT person, way, made_ms FROM items "
            "WHERE state = 'waiting') USING (person, way) GROUP BY person, way"
        )
        return [WayRow(Way(row[0], row[1]), *row[2:]) for row in rows]

    # --- summaries ---------------------------------------------------------------------------

    def last_summary(self) -> tuple[str, int] | None:
        """Day and end of the newest summary that was made."""
        rows = self._db.rows("SELECT day, until_ms FROM summaries ORDER BY until_ms DESC LIMIT 1")
        return (str(rows[0][0]), int(rows[0][1])) if rows else None

    def summary_made(self, day: str, until_ms: int) -> None:
        """The summary of a day was made, or there is none to be made."""
        self._db.execute("INSERT INTO summaries VALUES (?, ?) ON CONFLICT DO NOTHING",
                         (day, until_ms))  # fmt: skip

    def prune(self, before_ms: int) -> None:
        """Forget what was over before that."""
        with self._db.transaction():
            self._db.execute(
                "DELETE FROM items WHERE state <> 'waiting' AND made_ms < ? AND key NOT IN "
                "(SELECT key FROM occurrences WHERE open = 1)",
                (before_ms,),
            )
            self._db.execute(
                "DELETE FROM occurrences WHERE open = 0 "
                "AND coalesce(stood_until_ms, raised_ms) < ? AND key NOT IN "
                "(SELECT key FROM items WHERE state = 'waiting')",
                (before_ms,),
            )
