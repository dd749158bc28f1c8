"""Tables of the journal and how older files are brought up to date. SQL text only.

``PRAGMA user_version`` counts the migrations a file has seen. A released migration is never
changed: files made by it exist. ``entries`` is the log and the outbox in one: every row is
published in the order of its number, and readers keep their own cursors elsewhere. ``kept`` alone
can change: it is no part of the record (see ``kept.py``).
"""

from __future__ import annotations

APPLICATION_ID = 0x504C4A31
"""``PRAGMA application_id`` of a journal ("PLJ1")."""

_TABLES = ("journal", "entries", "runs", "ends")
_APPEND_ONLY = tuple(
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
    for table in _TABLES
    for verb in ("UPDATE", "DELETE")
)

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE journal (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            uuid TEXT NOT NULL,
            unit TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE runs (
            run_id TEXT PRIMARY KEY,
            number INTEGER NOT NULL UNIQUE
                REFERENCES entries (number) DEFERRABLE INITIALLY DEFERRED,
            started_ms INTEGER NOT NULL,
            step TEXT NOT NULL,
            plate TEXT,
            operator TEXT
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE entries (
            number INTEGER PRIMARY KEY,
            kind TEXT NOT NULL CHECK (kind IN ('start', 'channels', 'samples', 'event', 'end')),
            run_id TEXT REFERENCES runs (run_id) CHECK (run_id IS NOT NULL OR kind = 'event'),
            at_ms INTEGER NOT NULL,
            body ANY NOT NULL
        ) STRICT""",
        """CREATE TABLE ends (
            run_id TEXT PRIMARY KEY REFERENCES runs (run_id),
            number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
            state TEXT NOT NULL
                CHECK (state IN ('complete', 'stopped', 'aborted', 'interrupted'))
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX entries_by_run ON entries (run_id, kind, at_ms)",
        "CREATE INDEX runs_by_time ON runs (started_ms)",
        *_APPEND_ONLY,
        """CREATE TRIGGER entries_without_holes BEFORE INSERT ON entries
            WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
            BEGIN SELECT RAISE(ABORT, 'entry numbers have no holes'); END""",
        """CREATE TRIGGER entries_after_end BEFORE INSERT ON entries
            WHEN EXISTS (SELECT 1 FROM ends WHERE run_id = NEW.run_id)
            BEGIN SELECT RAISE(ABORT, 'the run has ended'); END""",
        # REPLACE would delete the older row without asking the triggers above.
        """CREATE TRIGGER journal_once BEFORE INSERT ON journal
            WHEN EXISTS (SELECT 1 FROM journal)
            BEGIN SELECT RAISE(ABORT, 'the journal has its identity'); END""",
        """CREATE TRIGGER runs_once BEFORE INSERT ON runs
            WHEN EXISTS (SELECT 1 FROM runs WHERE run_id = NEW.run_id OR number = NEW.number)
            BEGIN SELECT RAISE(ABORT, 'the run has begun'); END""",
        """CREATE TRIGGER ends_once BEFORE INSERT ON ends
            WHEN EXISTS (SELECT 1 FROM ends WHERE run_id = NEW.run_id OR number = NEW.number)
            BEGIN SELECT RAISE(ABORT, 'the run has ended'); END""",
    ),
    (
        # Looking runs up by what people remember of them, over years of runs.
        "CREATE INDEX runs_by_plate ON runs (plate, started_ms)",
        "CREATE INDEX runs_by_operator ON runs (operator, started_ms)",
        "CREATE INDEX runs_by_step ON runs (step, started_ms)",
        "CREATE INDEX ends_by_state ON ends (state)",
    ),
    (
        """CREATE TABLE kept (
            name TEXT PRIMARY KEY,
            at_ms INTEGER NOT NULL,
            value TEXT NOT NULL
        ) STRICT""",
    ),
)
VERSION = len(MIGRATIONS)
READABLE_FROM = 1
"""Oldest version that can be read without being brought up to date first."""
