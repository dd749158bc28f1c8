"""Tables of the facts file. SQL text only.

``made`` has a row for each plate and each run that belongs to none, by the number of its start in
the journal; ``steps`` a row for each of its steps. Both carry a checksum. All else follows from
these two and serves to find them.
"""

from __future__ import annotations

from platelink.ledger.errors import StoreRefused, StoreUnavailable, StoreUnusable
from platelink.ledger.kind import Fault, Kind

_EMPTIED = tuple(
    f"DELETE FROM {table}"  # noqa: S608 -- our own names
    for table in (
        "cursor",
        "made",
        "steps",
        "tags",
        "spans",
        "stretches",
        "days",
        "unread",
        "texts",
    )
)
_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE cursor (
            one INTEGER PRIMARY KEY CHECK (one = 1),
            uuid TEXT NOT NULL,
            unit TEXT NOT NULL,
            number INTEGER NOT NULL,
            entry INTEGER NOT NULL,
            lamps TEXT NOT NULL,
            sum INTEGER NOT NULL
        ) STRICT""",
        """CREATE TABLE made (
            number INTEGER PRIMARY KEY,
            name TEXT NOT NULL COLLATE NOCASE,
            began_ms INTEGER NOT NULL,
            day INTEGER NOT NULL,
            off_pct REAL,
            facts TEXT NOT NULL,
            sum INTEGER NOT NULL
        ) STRICT""",
        "CREATE INDEX made_by_name ON made (name)",
        "CREATE INDEX made_by_time ON made (began_ms)",
        "CREATE INDEX made_by_day ON made (day)",
        "CREATE INDEX made_by_off ON made (off_pct)",
        """CREATE TABLE steps (
            number INTEGER NOT NULL,
            place INTEGER NOT NULL,
            facts TEXT NOT NULL,
            curve BLOB,
            sum INTEGER NOT NULL,
            PRIMARY KEY (number, place)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE tags (
            kind TEXT NOT NULL,
            value TEXT NOT NULL COLLATE NOCASE,
            number INTEGER NOT NULL,
            PRIMARY KEY (kind, value, number)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE spans (
            quantity TEXT NOT NULL,
            number INTEGER NOT NULL,
            place INTEGER NOT NULL,
            low REAL NOT NULL,
            high REAL NOT NULL,
            longest_s REAL NOT NULL,
            PRIMARY KEY (quantity, number, place)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX spans_by_low ON spans (quantity, low)",
        "CREATE INDEX spans_by_high ON spans (quantity, high)",
        """CREATE TABLE stretches (
            quantity TEXT NOT NULL,
            side TEXT NOT NULL,
            rung REAL NOT NULL,
            number INTEGER NOT NULL,
            place INTEGER NOT NULL,
            longest_s REAL NOT NULL,
            PRIMARY KEY (quantity, side, rung, number, place)
        ) STRICT, WITHOUT ROWID""",
        """CREATE TABLE days (
            day INTEGER PRIMARY KEY,
            made INTEGER NOT NULL,
            good INTEGER NOT NULL,
            reject INTEGER NOT NULL,
            worst_off_pct REAL
        ) STRICT""",
        "CREATE TABLE unread (number INTEGER PRIMARY KEY, why TEXT NOT NULL) STRICT",
        "CREATE VIRTUAL TABLE texts USING fts5 (text, tokenize = 'trigram')",
    ),
    # Notes and corrections of later on were not taken up before: all is gone through again.
    _EMPTIED,
    # Nor where a course is without a break.
    _EMPTIED,
)
FACTS = Kind(
    name="facts file",
    application_id=0x504C4631,  # "PLF1"
    migrations=_MIGRATIONS,
    # What a power cut takes is made again from the journal.
    pragmas=("synchronous = NORMAL", "cache_size = -65536", "temp_store = MEMORY"),
    errors={
        **dict.fromkeys(set(Fault) - {Fault.UNFORESEEN}, StoreUnusable),
        **dict.fromkeys(
            (Fault.FULL, Fault.LOCKED, Fault.LOCKED_HERE, Fault.DISK, Fault.IN_USE),
            StoreUnavailable,
        ),
        Fault.REFUSED: StoreRefused,
    },
    texts={
        Fault.ABSENT: "{path} does not exist; make it with 'platelink index'",
        Fault.READ_ONLY: "{path} cannot be written; name another place with --facts FILE ({error})",
        Fault.CLOSED_DIRECTORY: "cannot write in {path.parent} ({error}); name another place with "
        "--facts FILE",
        Fault.DAMAGED: "{path} is damaged; nothing is lost, rebuild it: platelink index --anew "
        "({error})",
        Fault.IN_USE: "{path} is being brought up to date by another process (pid {error})",
    },
)
