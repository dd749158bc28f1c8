"""Tables of the journal and how older files are brought up to date. SQL text only.

``entries`` is the log and the outbox in one: every row is
published in the order of its number, and readers keep their own cursors elsewhere. ``kept`` alone
can change: it is no part of the record (see ``kept.py``); ``facts`` follows from the entries. An
entry of samples says which they are; they lie in ``blocks``, and once their run has ended in
``chunks`` (see ``packing.py``), unless ``removed`` names the entry by which they
were removed. In files of before they lie in the entry itself.
"""

from __future__ import annotations

from platelink.events.event import EventName
from platelink.ledger.kind import Fault, Kind
from platelink.record import facts
from platelink.record.errors import (
    JournalDamaged,
    JournalDiskError,
    JournalFull,
    JournalInUse,
    JournalLocked,
    JournalMissing,
    JournalNewer,
    JournalReadOnly,
    JournalRefused,
    NotAJournal,
)

_TABLES = ("journal", "entries", "runs", "ends")
_APPEND_ONLY = tuple(
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
    for table in _TABLES
    for verb in ("UPDATE", "DELETE")
)

_MIGRATIONS: tuple[tuple[str, ...], ...] = (
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
    # What runs are found by.
    (*facts.TABLE, *facts.FILL, *facts.TRIGGERS),
    (
        # A block of samples beside its entry, until the run is closed and all are one chunk.
        """CREATE TABLE blocks (
            number INTEGER PRIMARY KEY REFERENCES entries (number),
            body BLOB NOT NULL
        ) STRICT""",
        """CREATE TABLE chunks (
            run_id TEXT PRIMARY KEY REFERENCES ends (run_id),
            body BLOB NOT NULL
        ) STRICT, WITHOUT ROWID""",
        """CREATE TRIGGER blocks_no_update BEFORE UPDATE ON blocks
            BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END""",
        """CREATE TRIGGER blocks_in_chunks BEFORE DELETE ON blocks
            WHEN NOT EXISTS (SELECT 1 FROM entries JOIN chunks USING (run_id)
                WHERE number = OLD.number)
            BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END""",
        """CREATE TRIGGER blocks_once BEFORE INSERT ON blocks
            WHEN EXISTS (SELECT 1 FROM entries JOIN chunks USING (run_id)
                WHERE number = NEW.number)
            OR EXISTS (SELECT 1 FROM blocks WHERE number = NEW.number)
            BEGIN SELECT RAISE(ABORT, 'the block is there'); END""",
        *(
            f"CREATE TRIGGER chunks_no_{verb.lower()} BEFORE {verb} ON chunks "
            "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
            for verb in ("UPDATE", "DELETE")
        ),
        """CREATE TRIGGER chunks_once BEFORE INSERT ON chunks
            WHEN EXISTS (SELECT 1 FROM chunks WHERE run_id = NEW.run_id)
            BEGIN SELECT RAISE(ABORT, 'the run is packed'); END""",
    ),
    (
        # A chunk may go once an entry tells so, and never comes back.
        """CREATE TABLE removed (
            run_id TEXT PRIMARY KEY REFERENCES ends (run_id),
            number INTEGER NOT NULL REFERENCES entries (number)
        ) STRICT, WITHOUT ROWID""",
        *(
            f"CREATE TRIGGER removed_no_{verb.lower()} BEFORE {verb} ON removed "
            "BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END"
            for verb in ("UPDATE", "DELETE")
        ),
        f"""CREATE TRIGGER removed_told BEFORE INSERT ON removed
            WHEN NOT EXISTS (SELECT 1 FROM entries e, json_each(e.body, '$.data.runs') r
                WHERE e.number = NEW.number AND e.run_id IS NULL
                AND json_extract(e.body, '$.name') = '{EventName.SAMPLES_REMOVED}'
                AND r.value = NEW.run_id)
            BEGIN SELECT RAISE(ABORT, 'no entry tells of it'); END""",  # noqa: S608 -- fixed words
        "DROP TRIGGER chunks_no_delete",
        """CREATE TRIGGER chunks_told BEFORE DELETE ON chunks
            WHEN NOT EXISTS (SELECT 1 FROM removed WHERE run_id = OLD.run_id)
            BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END""",
        """CREATE TRIGGER chunks_not_again BEFORE INSERT ON chunks
            WHEN EXISTS (SELECT 1 FROM removed WHERE run_id = NEW.run_id)
            BEGIN SELECT RAISE(ABORT, 'its samples were removed'); END""",
    ),
    # Films; no start before this names one.
    facts.STARTS_ANEW,
)
WAL_KEPT_BYTES = 1 << 20
"""What is kept of the write-ahead log's file when it begins anew."""
JOURNAL = Kind(
    name="journal",
    application_id=0x504C4A31,  # "PLJ1"
    migrations=_MIGRATIONS,
    pragmas=(
        "journal_mode = WAL",
        "synchronous = NORMAL",
        # Moving the log into the file waits for the disk: ``checkpoint`` does it in another thread.
        "wal_autocheckpoint = 0",
        f"journal_size_limit = {WAL_KEPT_BYTES}",
        "foreign_keys = ON",
        "recursive_triggers = ON",
    ),
    open_wait_s=5.0,  # another process may be finishing a checkpoint
    write_wait_s=0.02,  # the control loop waits no longer; what it could not write it keeps
    errors={
        Fault.ABSENT: JournalMissing,
        Fault.OTHER_KIND: NotAJournal,
        Fault.NO_DATABASE: NotAJournal,
        Fault.NEWER: JournalNewer,
        Fault.FULL: JournalFull,
        Fault.LOCKED: JournalLocked,
        Fault.LOCKED_HERE: JournalLocked,
        Fault.READ_ONLY: JournalReadOnly,
        Fault.DENIED: JournalReadOnly,
        Fault.DAMAGED: JournalDamaged,
        Fault.DISK: JournalDiskError,
        Fault.NOT_OPENED: JournalDiskError,
        Fault.SYSTEM: JournalDiskError,
        Fault.REFUSED: JournalRefused,
        Fault.NO_DIRECTORY: JournalMissing,
        Fault.CLOSED_DIRECTORY: JournalReadOnly,
        Fault.IN_USE: JournalInUse,
    },
    texts={
        Fault.ABSENT: (
            "{path} does not exist; nothing is recorded there yet; start the daemon: "
            "platelink serve"
        ),
        Fault.OTHER_KIND: "{path} is not a journal; set another [journal] path",
        Fault.NO_DATABASE: "{path} is not a journal; set another [journal] path ({error})",
        Fault.FULL: "no space left for {path}; free disk space, nothing recorded is lost ({error})",
        Fault.DAMAGED: "{path} is damaged; keep it with its -wal file, check the disk, restore a "
        "backup or copy what is sound: platelink doctor --repair {path} ({error})",
        Fault.NOT_OPENED: "{path} cannot be opened; check that this user may read it and write in "
        "its directory ({error})",
        Fault.SYSTEM: "the disk failed on {path}: {error}",
        Fault.CLOSED_DIRECTORY: "cannot write in {path.parent} ({error}); give this user the right "
        "to write there, or set another [journal] path",
        Fault.IN_USE: "{path} is being written by another process (pid {error}); one unit has one "
        "daemon: stop that one, or set another [journal] path",
    },
)
