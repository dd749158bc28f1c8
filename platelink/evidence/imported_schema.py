"""Tables of the records of other units that were imported. SQL text only.

``bundles`` says whose they are and under which key they were verified, ``files`` holds what was in
the folder, byte for byte, ``runs`` which runs a bundle tells of.
"""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_TABLES = ("bundles", "files", "runs")

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE bundles (
            number INTEGER PRIMARY KEY,
            site TEXT NOT NULL,
            unit TEXT NOT NULL,
            journal TEXT NOT NULL,
            kind TEXT NOT NULL,
            name TEXT NOT NULL,
            sealed_utc TEXT NOT NULL,
            manifest_sha256 TEXT NOT NULL,
            vkey TEXT NOT NULL,
            imported_utc TEXT NOT NULL
        ) STRICT""",
        "CREATE UNIQUE INDEX one_each ON bundles (journal, kind, name)",
        """CREATE TABLE files (
            bundle INTEGER NOT NULL REFERENCES bundles (number),
            path TEXT NOT NULL,
            body BLOB NOT NULL,
            PRIMARY KEY (bundle, path)
        ) STRICT""",
        """CREATE TABLE runs (
            run_id TEXT NOT NULL,
            bundle INTEGER NOT NULL REFERENCES bundles (number),
            PRIMARY KEY (run_id, bundle)
        ) STRICT, WITHOUT ROWID""",
        *(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'imported records are only added to'); END"
            for table in _TABLES
            for verb in ("UPDATE", "DELETE")
        ),
    ),
)
IMPORTED = Kind(
    name="store of imported records",
    application_id=0x504C4931,  # "PLI1"
    migrations=_MIGRATIONS,
    texts={Fault.ABSENT: "{path} does not exist: nothing was imported yet"},
)
