"""Tables of the store of calibrations. SQL text only.

``entries`` is the log; ``calibrations`` holds each that was begun, so that none is there twice.
"""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE entries (
            number INTEGER PRIMARY KEY,
            sensor TEXT NOT NULL CHECK (sensor <> ''),
            revision INTEGER NOT NULL CHECK (revision > 0),
            act TEXT NOT NULL CHECK (act IN ('begun', 'dark', 'level', 'left out', 'finished',
                'approved', 'dropped')),
            at_ms INTEGER NOT NULL,
            who TEXT NOT NULL CHECK (who <> ''),
            why TEXT NOT NULL,
            body TEXT NOT NULL
        ) STRICT""",
        """CREATE TABLE calibrations (
            sensor TEXT NOT NULL,
            revision INTEGER NOT NULL,
            number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
            PRIMARY KEY (sensor, revision)
        ) STRICT, WITHOUT ROWID""",
        "CREATE INDEX entries_by_sensor ON entries (sensor, revision, number)",
        """CREATE UNIQUE INDEX once_of_each ON entries (sensor, revision, act)
            WHERE act IN ('begun', 'finished', 'approved', 'dropped')""",
        *(
            f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
            f"BEGIN SELECT RAISE(ABORT, 'the store is append-only'); END"
            for table in ("entries", "calibrations")
            for verb in ("UPDATE", "DELETE")
        ),
        # REPLACE would delete the older row without asking the triggers above.
        """CREATE TRIGGER entries_without_holes BEFORE INSERT ON entries
            WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
            BEGIN SELECT RAISE(ABORT, 'entry numbers have no holes'); END""",
        """CREATE TRIGGER entries_once BEFORE INSERT ON entries
            WHEN NEW.act IN ('begun', 'finished', 'approved', 'dropped') AND EXISTS (
                SELECT 1 FROM entries WHERE sensor = NEW.sensor AND revision = NEW.revision
                AND act = NEW.act)
            BEGIN SELECT RAISE(ABORT, 'this was done already'); END""",
        """CREATE TRIGGER calibrations_without_holes BEFORE INSERT ON calibrations
            WHEN NEW.revision IS NOT (SELECT coalesce(max(revision), 0) + 1 FROM calibrations
                WHERE sensor = NEW.sensor)
                OR EXISTS (SELECT 1 FROM calibrations WHERE number = NEW.number)
            BEGIN SELECT RAISE(ABORT, 'revisions have no holes'); END""",
    ),
)
CALIBRATIONS = Kind(
    name="store of calibrations",
    application_id=0x504C4331,  # "PLC1"
    migrations=_MIGRATIONS,
    texts={
        Fault.ABSENT: "{path} does not exist: no calibration yet; start with 'platelink calibrate'"
    },
)
