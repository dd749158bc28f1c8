"""The file of the recorder's journal: its tables, how they came to be, its errors."""

from __future__ import annotations

from platelink.ledger.kind import Fault, Kind

_SCHEMA = (
    "CREATE TABLE source(id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT",
    # Entries already taken, by the journal they come from and their number in it.
    """\
CREATE TABLE seen(source INTEGER NOT NULL REFERENCES source(id), number INTEGER NOT NULL,
    at_ms INTEGER NOT NULL, PRIMARY KEY(source, number)) STRICT, WITHOUT ROWID""",
    """\
CREATE TABLE run(site TEXT NOT NULL, unit TEXT NOT NULL, run_id TEXT NOT NULL,
    step TEXT NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY(site, unit, run_id))
    STRICT, WITHOUT ROWID""",
    # The last point of every series, named "<journal> <series>": times must rise strictly, or the
    # store keeps one of two.
    """\
CREATE TABLE series(name TEXT PRIMARY KEY, last_ms INTEGER NOT NULL, last_order INTEGER NOT NULL,
    at_ms INTEGER NOT NULL) STRICT, WITHOUT ROWID""",
    """\
CREATE TABLE row(number INTEGER PRIMARY KEY AUTOINCREMENT, lines TEXT NOT NULL,
    line_count INTEGER NOT NULL, at_ms INTEGER NOT NULL) STRICT""",
    # Entries of runs whose start, which tells the step, has not come yet.
    "CREATE TABLE waiting(number INTEGER PRIMARY KEY AUTOINCREMENT, site TEXT NOT NULL,\n"
    "    unit TEXT NOT NULL, run_id TEXT NOT NULL, payload BLOB NOT NULL, at_ms INTEGER NOT NULL) "
    "STRICT",
    """\
CREATE TABLE dead_letter(number INTEGER PRIMARY KEY AUTOINCREMENT, at_ms INTEGER NOT NULL,
    stage TEXT NOT NULL CHECK (stage IN ('received', 'upload')), topic TEXT NOT NULL,
    payload BLOB NOT NULL, reason TEXT NOT NULL) STRICT""",
    "CREATE TABLE counter(name TEXT PRIMARY KEY, value INTEGER NOT NULL) STRICT, WITHOUT ROWID",
)
_RANGES = (
    # Entries held, of each journal of each unit: "<site>/<unit>/<journal>".
    """\
CREATE TABLE held(source INTEGER NOT NULL REFERENCES source(id), first INTEGER NOT NULL,
    last INTEGER NOT NULL, at_ms INTEGER NOT NULL, PRIMARY KEY(source, first))
    STRICT, WITHOUT ROWID""",
    # Until now a source was a journal, whoever sent it: known again where one unit sent all.
    """\
UPDATE source SET name = (SELECT site || '/' || unit || '/' FROM run LIMIT 1) || name
    WHERE (SELECT count(*) FROM (SELECT DISTINCT site, unit FROM run)) = 1""",
    """\
INSERT INTO held SELECT source, min(number), max(number), max(at_ms) FROM (
    SELECT seen.*, number - row_number() OVER (PARTITION BY source ORDER BY number) AS island
    FROM seen JOIN source ON id = source WHERE instr(name, '/')) GROUP BY source, island""",
    "DROP TABLE seen",
    "DELETE FROM source WHERE NOT instr(name, '/')",
    # Messages whose time is ahead of this computer's clock, until it is not.
    """\
CREATE TABLE early(number INTEGER PRIMARY KEY AUTOINCREMENT, due_ms INTEGER NOT NULL,
    topic TEXT NOT NULL, payload BLOB NOT NULL) STRICT""",
)
_SLOTS = ("ALTER TABLE run ADD COLUMN slot INTEGER",)


class RecorderJournalError(Exception):
    """The journal cannot be used: in use, not writable, disk full; the text says what to do."""


class DamagedRowError(RecorderJournalError):
    """One row cannot be read any more; the others can."""


class MessageRefusedError(RecorderJournalError):
    """One message cannot be kept as it is; the journal is well."""


_TEXT = "recorder journal {path}: {error}; check free space and that it can be written"
RECORDER = Kind(
    name="recorder journal",
    application_id=0,
    migrations=(_SCHEMA, _RANGES, _SLOTS),
    pragmas=(
        "auto_vacuum = INCREMENTAL",
        "journal_mode = WAL",
        "synchronous = FULL",
        "foreign_keys = ON",
    ),
    open_wait_s=5.0,
    write_wait_s=5.0,
    errors=dict.fromkeys(Fault, RecorderJournalError) | {Fault.REFUSED: MessageRefusedError},
    texts=dict.fromkeys(Fault, _TEXT)
    | {
        Fault.OTHER_KIND: "recorder journal {path} is another kind of file: give this recorder one "
        "of its own",
        Fault.NEWER: "recorder journal {path}: its format is {version}, this program reads "
        "{known}: update it",
        Fault.CLOSED_DIRECTORY: "recorder journal {path} is not writable ({error}): check its "
        "folder",
        Fault.IN_USE: "recorder journal {path} is in use: end the other recorder, or give this one "
        "a file",
    },
)
