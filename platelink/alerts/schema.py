"""Tables of the file of alerts and how older files are brought up to date. SQL text only."""

from __future__ import annotations

from platelink.ledger.errors import StoreRefused, StoreUnavailable, StoreUnusable
from platelink.ledger.kind import Fault, Kind

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE place (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            journal TEXT NOT NULL,
            number INTEGER NOT NULL,
            steady_ms INTEGER NOT NULL
        ) STRICT""",
        """CREATE TABLE occurrences (
            key TEXT PRIMARY KEY,
            alarm TEXT NOT NULL,
            raised_ms INTEGER NOT NULL,
            stood_until_ms INTEGER,
            open INTEGER NOT NULL,
            body TEXT NOT NULL
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX occurrences_open ON occurrences (open) WHERE open = 1",
        "CREATE INDEX occurrences_by_time ON occurrences (raised_ms)",
        """CREATE TABLE items (
            number INTEGER PRIMARY KEY,
            person TEXT NOT NULL,
            way TEXT NOT NULL,
            kind TEXT NOT NULL CHECK (kind IN ('alarm', 'over', 'summary')),
            key TEXT NOT NULL,
            alarm TEXT NOT NULL,
            body TEXT NOT NULL,
            made_ms INTEGER NOT NULL,
            steady_ms INTEGER NOT NULL,
            state TEXT NOT NULL CHECK (state IN ('waiting', 'sent', 'dropped')),
            done_ms INTEGER,
            done_steady_ms INTEGER,
            why TEXT NOT NULL DEFAULT '',
            UNIQUE (person, way, kind, key)
        ) STRICT""",
        "CREATE INDEX items_waiting ON items (person, way) WHERE state = 'waiting'",
        "CREATE INDEX items_sent ON items (person, way, done_steady_ms)",
        """CREATE TABLE ways (
            person TEXT NOT NULL,
            way TEXT NOT NULL,
            tries INTEGER NOT NULL,
            tried_ms INTEGER,
            well_ms INTEGER,
            problem TEXT NOT NULL,
            PRIMARY KEY (person, way)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE summaries (
            day TEXT PRIMARY KEY,
            until_ms INTEGER NOT NULL
        ) STRICT, WITHOUT ROWID""",
    ),
)
ALERTS = Kind(
    name="file of alerts",
    application_id=0x504C5431,  # "PLT1"
    migrations=_MIGRATIONS,
    errors=dict.fromkeys(set(Fault) - {Fault.UNFORESEEN}, StoreUnusable)
    | dict.fromkeys((Fault.FULL, Fault.LOCKED, Fault.LOCKED_HERE, Fault.DISK), StoreUnavailable)
    | {Fault.REFUSED: StoreRefused},
    texts={
        Fault.ABSENT: "{path} does not exist: nothing was sent yet; start it: platelink alerts",
        Fault.CLOSED_DIRECTORY: "cannot write in {path.parent} ({error}); give this user the right "
        "to write there, or set alerts.path",
        Fault.IN_USE: "{path} is being written by another process (pid {error}); one unit has one "
        "platelink alerts: stop that one",
    },
)
