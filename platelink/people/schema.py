"""Tables of the store of people and how older files are brought up to date. SQL text only.

``entries`` is the log and append-only. ``hashes``, ``sign_ins`` and ``screens`` hold what must be
forgotten: old hashes, sign-ins that ended, screens long not used. ``unnamed`` counts what would
fill the log otherwise.
"""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE entries (
            number INTEGER PRIMARY KEY,
            key TEXT NOT NULL,
            name TEXT NOT NULL,
            act TEXT NOT NULL CHECK (act IN ('added', 'role changed', 'secret changed', 'closed',
                'opened again', 'unlocked', 'signed in', 'sign-in refused', 'locked out',
                'signed out')),
            at_ms INTEGER NOT NULL,
            who TEXT NOT NULL CHECK (who <> ''),
            why TEXT NOT NULL,
            body TEXT NOT NULL,
            CHECK (key <> '' OR act = 'sign-in refused')
        ) STRICT""",
        "CREATE INDEX entries_by_key ON entries (key, number)",
        "CREATE UNIQUE INDEX one_of_each_name ON entries (key) WHERE act = 'added'",
        """CREATE TABLE hashes (
            key TEXT PRIMARY KEY,
            hash TEXT NOT NULL CHECK (hash LIKE '$argon2id$%'),
            number INTEGER NOT NULL REFERENCES entries (number)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE sign_ins (
            token_hash TEXT PRIMARY KEY CHECK (length(token_hash) = 64),
            key TEXT NOT NULL,
            csrf TEXT NOT NULL,
            begun_ms INTEGER NOT NULL,
            used_ms INTEGER NOT NULL,
            number INTEGER NOT NULL REFERENCES entries (number)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX sign_ins_by_key ON sign_ins (key)",
        "CREATE TABLE unnamed (refused INTEGER NOT NULL, told_ms INTEGER) STRICT",
        "INSERT INTO unnamed VALUES (0, NULL)",
        *(
            f"CREATE TRIGGER entries_no_{verb.lower()} BEFORE {verb} ON entries "
            f"BEGIN SELECT RAISE(ABORT, 'the store is append-only'); END"
            for verb in ("UPDATE", "DELETE")
        ),
        # REPLACE would delete the older row without asking the triggers above.
        """CREATE TRIGGER entries_without_holes BEFORE INSERT ON entries
            WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
            BEGIN SELECT RAISE(ABORT, 'entry numbers have no holes'); END""",
        """CREATE TRIGGER entries_name_once BEFORE INSERT ON entries
            WHEN NEW.act = 'added' AND EXISTS (SELECT 1 FROM entries
                WHERE key = NEW.key AND act = 'added')
            BEGIN SELECT RAISE(ABORT, 'the name is taken'); END""",
    ),
    (
        "ALTER TABLE sign_ins ADD COLUMN address TEXT NOT NULL DEFAULT ''",
        # Screens that a person signed in from: strangers' wrong secrets do not lock them.
        """CREATE TABLE screens (
            screen_hash TEXT NOT NULL CHECK (length(screen_hash) = 64),
            key TEXT NOT NULL,
            at_ms INTEGER NOT NULL,
            wrong INTEGER NOT NULL,
            tried_ms INTEGER NOT NULL,
            lock_s REAL NOT NULL,
            PRIMARY KEY (screen_hash, key)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX screens_by_key ON screens (key, at_ms)",
    ),
)
PEOPLE = Kind(
    name="store of people",
    application_id=0x504C5031,  # "PLP1"
    migrations=_MIGRATIONS,
    texts={
        Fault.ABSENT: (
            "{path} does not exist: no users yet; add the first lead: platelink user first NAME"
        )
    },
    private=True,
)
