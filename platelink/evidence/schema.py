"""Tables of a unit's log of seals. SQL text only.

``leaves`` is the log; with each leaf lies the record it sealed, without its samples, so that what
was changed since can be told. ``heads`` are the checkpoints, ``keys`` who signed them from when on.
``cursors`` alone can change: how far each source is looked through. ``cosigned`` are the lines that
other units put below a checkpoint; ``witnessed`` what this unit saw, and cosigned, of the logs of
others; ``contradictions`` what it was shown of them that does not go on from that. ``stamps`` are
time stamps of checkpoints, each with the bytes that were stamped.
"""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_TABLES = ("log", "leaves", "heads", "keys")
_OF_OTHERS = ("cosigned", "witnessed", "contradictions")


def _append_only(tables: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(
        f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
        f"BEGIN SELECT RAISE(ABORT, 'the log is append-only'); END"
        for table in tables
        for verb in ("UPDATE", "DELETE")
    )


_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE log (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            origin TEXT NOT NULL,
            unit TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE leaves (
            place INTEGER PRIMARY KEY,
            seal TEXT NOT NULL,
            kind TEXT NOT NULL,
            name TEXT NOT NULL,
            source TEXT NOT NULL,
            first INTEGER NOT NULL,
            last INTEGER NOT NULL,
            manifest TEXT NOT NULL,
            record BLOB NOT NULL
        ) STRICT""",
        "CREATE UNIQUE INDEX one_seal_each ON leaves (source, kind, name)",
        "CREATE INDEX leaves_by_name ON leaves (kind, name)",
        """CREATE TABLE heads (
            size INTEGER NOT NULL,
            keys INTEGER NOT NULL,
            checkpoint TEXT NOT NULL,
            PRIMARY KEY (size, keys)
        ) STRICT""",
        "CREATE TABLE keys (number INTEGER PRIMARY KEY, vkey TEXT NOT NULL) STRICT",
        "CREATE TABLE cursors (source TEXT PRIMARY KEY, number INTEGER NOT NULL) STRICT",
        *_append_only(_TABLES),
        """CREATE TRIGGER leaves_without_holes BEFORE INSERT ON leaves
            WHEN NEW.place IS NOT (SELECT coalesce(max(place) + 1, 0) FROM leaves)
            BEGIN SELECT RAISE(ABORT, 'leaves have no holes'); END""",
    ),
    (
        """CREATE TABLE cosigned (
            size INTEGER NOT NULL,
            name TEXT NOT NULL,
            key_id TEXT NOT NULL,
            line TEXT NOT NULL,
            PRIMARY KEY (size, name, key_id)
        ) STRICT""",
        """CREATE TABLE witnessed (
            number INTEGER PRIMARY KEY,
            origin TEXT NOT NULL,
            size INTEGER NOT NULL,
            note TEXT NOT NULL,
            at_s INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX witnessed_by_size ON witnessed (origin, size)",
        """CREATE TABLE contradictions (
            number INTEGER PRIMARY KEY,
            origin TEXT NOT NULL,
            note TEXT NOT NULL,
            kind TEXT NOT NULL,
            text TEXT NOT NULL,
            at_s INTEGER NOT NULL,
            UNIQUE (origin, note)
        ) STRICT""",
        *_append_only(_OF_OTHERS),
    ),
    (
        """CREATE TABLE stamps (
            number INTEGER PRIMARY KEY,
            size INTEGER NOT NULL,
            cosigned INTEGER NOT NULL,
            checkpoint TEXT NOT NULL UNIQUE,
            answer BLOB NOT NULL
        ) STRICT""",
        "CREATE INDEX stamps_by_size ON stamps (size)",
        *_append_only(("stamps",)),
    ),
)
SEALS = Kind(
    name="log of seals",
    application_id=0x504C5331,  # "PLS1"
    migrations=_MIGRATIONS,
    texts={Fault.ABSENT: "{path} does not exist: nothing was sealed yet"},
)
