"""Tables of the store of experiments. SQL text only.

``entries`` is the log; ``experiments`` holds each that was begun, so that none is there twice.
"""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE entries (
            number INTEGER PRIMARY KEY,
            kind TEXT NOT NULL CHECK (kind <> ''),
            nth INTEGER NOT NULL CHECK (nth > 0),
            act TEXT NOT NULL CHECK (act IN ('begun', 'changed', 'named', 'taken off', 'read',
                'corrected', 'left out', 'concluded', 'dropped')),
            at_ms INTEGER NOT NULL,
            who TEXT NOT NULL CHECK (who <> ''),
            why TEXT NOT NULL,
            body TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE experiments (
            kind TEXT NOT NULL,
            nth INTEGER NOT NULL,
            number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
            PRIMARY KEY (kind, nth)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX entries_by_experiment ON entries (kind, nth, number)",
        *(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'the store is append-only'); END"
            for table in ("entries", "experiments")
            for verb in ("UPDATE", "DELETE")
        ),
        # REPLACE would delete the older row without asking the triggers above.
        """CREATE TRIGGER entries_without_holes BEFORE INSERT ON entries
            WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
            BEGIN SELECT RAISE(ABORT, 'entry numbers have no holes'); END""",
        """CREATE TRIGGER entries_once BEFORE INSERT ON entries
            WHEN NEW.act IN ('begun', 'dropped') AND EXISTS (
                SELECT 1 FROM entries WHERE kind = NEW.kind AND nth = NEW.nth AND act = NEW.act)
            BEGIN SELECT RAISE(ABORT, 'this was done already'); END""",
        """CREATE TRIGGER experiments_without_holes BEFORE INSERT ON experiments
            WHEN NEW.nth IS NOT (SELECT coalesce(max(nth), 0) + 1 FROM experiments
                WHERE kind = NEW.kind)
                OR EXISTS (SELECT 1 FROM experiments WHERE number = NEW.number)
            BEGIN SELECT RAISE(ABORT, 'numbers of experiments have no holes'); END""",
    ),
)
EXPERIMENTS = Kind(
    name="store of experiments",
    application_id=0x504C5831,  # "PLX1"
    migrations=_MIGRATIONS,
    texts={
        Fault.ABSENT: "{path} does not exist: no experiment yet; start with 'platelink find begin'"
    },
)
