"""Tables of the store of recipes and how older files are brought up to date. SQL text only.

``entries`` is the log; ``revisions``, ``moves`` and ``things``
hold what may be there only once, so that the file itself refuses a second one.
"""

from __future__ import annotations

from functools import reduce

from platelink.ledger.kind import Fault, Kind

_TABLES = ("entries", "revisions", "moves", "things")
_APPEND_ONLY = tuple(
    f"CREATE TRIGGER {table}_no_{verb.lower()} BEFORE {verb} ON {table} "
    f"BEGIN SELECT RAISE(ABORT, 'the store is append-only'); END"
    for table in _TABLES
    for verb in ("UPDATE", "DELETE")
)
_MIGRATION_1 = (
    """CREATE TABLE entries (
        number INTEGER PRIMARY KEY,
        about TEXT NOT NULL CHECK (about IN ('recipe', 'lot', 'screen')),
        name TEXT NOT NULL CHECK (name <> ''),
        act TEXT NOT NULL CHECK (act IN ('added', 'approved', 'retired', 'opened', 'used',
            'counted', 'changed', 'closed')),
        at_ms INTEGER NOT NULL,
        who TEXT NOT NULL CHECK (who <> ''),
        why TEXT NOT NULL,
        ref TEXT,
        body TEXT NOT NULL
    ) STRICT""",
    """CREATE TABLE revisions (
        recipe TEXT NOT NULL,
        revision INTEGER NOT NULL,
        hash TEXT NOT NULL CHECK (length(hash) = 64),
        content TEXT NOT NULL,
        number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
        PRIMARY KEY (recipe, revision)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE moves (
        recipe TEXT NOT NULL,
        revision INTEGER NOT NULL,
        state TEXT NOT NULL CHECK (state IN ('approved', 'retired')),
        number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
        PRIMARY KEY (recipe, revision, state),
        FOREIGN KEY (recipe, revision) REFERENCES revisions (recipe, revision)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE things (
        about TEXT NOT NULL CHECK (about IN ('lot', 'screen')),
        name TEXT NOT NULL,
        number INTEGER NOT NULL UNIQUE REFERENCES entries (number),
        PRIMARY KEY (about, name)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX entries_by_name ON entries (about, name, number)",
    """CREATE UNIQUE INDEX entries_by_ref ON entries (about, name, ref)
        WHERE ref IS NOT NULL""",
    "CREATE INDEX revisions_by_hash ON revisions (hash)",
    *_APPEND_ONLY,
    # REPLACE would delete the older row without asking the triggers above.
    """CREATE TRIGGER entries_without_holes BEFORE INSERT ON entries
        WHEN NEW.number IS NOT (SELECT coalesce(max(number), 0) + 1 FROM entries)
        BEGIN SELECT RAISE(ABORT, 'entry numbers have no holes'); END""",
    """CREATE TRIGGER entries_ref_once BEFORE INSERT ON entries
        WHEN EXISTS (SELECT 1 FROM entries
            WHERE about = NEW.about AND name = NEW.name AND ref = NEW.ref)
        BEGIN SELECT RAISE(ABORT, 'the use is counted'); END""",
    """CREATE TRIGGER revisions_without_holes BEFORE INSERT ON revisions
        WHEN NEW.revision IS NOT (SELECT coalesce(max(revision), 0) + 1 FROM revisions
            WHERE recipe = NEW.recipe)
            OR EXISTS (SELECT 1 FROM revisions WHERE number = NEW.number)
        BEGIN SELECT RAISE(ABORT, 'revisions have no holes'); END""",
    """CREATE TRIGGER moves_once BEFORE INSERT ON moves
        WHEN EXISTS (SELECT 1 FROM moves WHERE number = NEW.number OR (recipe = NEW.recipe
            AND revision = NEW.revision AND state IN (NEW.state, 'retired')))
        BEGIN SELECT RAISE(ABORT, 'the revision was moved on'); END""",
    """CREATE TRIGGER things_once BEFORE INSERT ON things
        WHEN EXISTS (SELECT 1 FROM things WHERE number = NEW.number
            OR (about = NEW.about AND name = NEW.name))
        BEGIN SELECT RAISE(ABORT, 'the name is taken'); END""",
)


def _anew() -> tuple[str, ...]:
    """Films and items are things too. A CHECK cannot be changed, so the four tables are made anew,
    each with what it held, and the file guards them again; who refers to a table goes before it."""
    tables, guards = _MIGRATION_1[:4], _MIGRATION_1[4:]
    words = "TABLE", "REFERENCES"
    wider = (
        ("'recipe', 'lot', 'screen'", "'recipe', 'lot', 'screen', 'film', 'item'"),
        ("('lot', 'screen')", "('lot', 'screen', 'film', 'item')"),
        ("'changed', 'closed'", "'changed', 'closed', 'kept', 'done'"),
        *((f"{word} {name} ", f"{word} new_{name} ") for name in _TABLES for word in words),
    )

    def made(table: str) -> str:
        return reduce(lambda text, change: text.replace(*change), wider, table)

    return (
        *map(made, tables),
        *(f"INSERT INTO new_{table} SELECT * FROM {table}" for table in _TABLES),  # noqa: S608
        *(f"DROP TABLE {table}" for table in reversed(_TABLES)),
        *(f"ALTER TABLE new_{table} RENAME TO {table}" for table in _TABLES),
        *guards,
    )


_MIGRATIONS: tuple[tuple[str, ...], ...] = (_MIGRATION_1, _anew())
RECIPES = Kind(
    name="store of recipes",
    application_id=0x504C5231,  # "PLR1"
    migrations=_MIGRATIONS,
    texts={
        Fault.ABSENT: "{path} does not exist: nothing added yet; start with 'platelink recipe add'"
    },
)
