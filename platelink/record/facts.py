"""What runs are found by: facts of their entries, in a table beside them. Data only: SQL text.

A fact follows from one entry, so the table can be made anew from the entries at any time: triggers
fill it as entries are written, ``FILL`` fills it for a file that had none. It is no part of the
record. Corrections come after what they correct, so the newest of them is what stands here.

The daemon writes this table with each entry, so lists and live views have it at once; the facts
*file* of ``platelink/facts`` lies beside the journal, is brought up by whoever asks, and has what
takes samples to know: stretches, extremes, curves.
"""

# ruff: noqa: S608 -- only fixed words are joined
from __future__ import annotations

from platelink.events.event import EventName

_STARTS = (
    ("lot", "$.request.lot"), ("film", "$.request.film"), ("recipe", "$.request.revision"),
    ("screen", "$.request.screen"),
    ("person", "$.operator"), ("job", "$.job"), ("note", "$.note"),
    ("target", "$.target_dose_mj_cm2"), ("software", "$.conditions.platelink"),
    ("firmware", "$.conditions.device.firmware"),
)  # fmt: skip
_LATER = f"('{EventName.PLATE_NOTED}', '{EventName.PLATE_CORRECTED}')"
_VALUES = ", ".join(f"('{name}', '{path}')" for name, path in _STARTS)

_OF_START = (
    f"SELECT e.run_id, p.column1, json_extract(e.body, p.column2) "
    f"FROM {{e}} e, (VALUES {_VALUES}) p",
    "SELECT e.run_id, 'recipe', substr(json_extract(e.body, '$.request.revision'), 1, "
    "instr(json_extract(e.body, '$.request.revision'), '@') - 1) FROM {e} e "
    "WHERE instr(json_extract(e.body, '$.request.revision'), '@') > 1",
    "SELECT e.run_id, 'screen', json_extract(s.value, '$.screen') "
    "FROM {e} e, json_each(e.body, '$.request.recipe.step') s WHERE s.type = 'object'",
    "SELECT e.run_id, 'calibration', json_extract(c.value, '$.sensor') || ': ' || "
    "json_extract(c.value, '$.calibration') "
    "FROM {e} e, json_each(e.body, '$.conditions.calibrations') c WHERE c.type = 'object'",
)
_OF_END = ("SELECT e.run_id, 'verdict', json_extract(e.body, '$.data.judgement') FROM {e} e",)
_OF_EVENT = (
    "SELECT e.run_id, 'person', json_extract(e.body, '$.data.who') FROM {e} e",
    "SELECT e.run_id, 'pull-down', json_extract(e.body, '$.data.pull_down_s') FROM {e} e "
    f"WHERE json_extract(e.body, '$.name') = '{EventName.CONTACT_HELD}'",
    "SELECT e.run_id, 'depth ' || d.key, d.value "
    "FROM {e} e, json_each(e.body, '$.data.points_um') d "
    f"WHERE json_extract(e.body, '$.name') = '{EventName.INSPECTED}'",
)
_OF_UNIT_EVENT = (
    "SELECT o.value, f.column1, json_extract(e.body, f.column2) FROM {e} e, "
    "json_each(json_array(json_extract(e.body, '$.data.of_run'), "
    "json_extract(e.body, '$.data.plate'))) o, "
    "(VALUES ('alarm', '$.data.alarm'), ('priority', '$.data.priority')) f "
    f"WHERE json_extract(e.body, '$.name') = '{EventName.ALARM}' "
    "AND json_extract(e.body, '$.data.to') = 'unacknowledged'",
    "SELECT o.value, 'person', json_extract(e.body, '$.data.who') FROM {e} e, "
    "json_each(json_array(json_extract(e.body, '$.data.of_run'), "
    "json_extract(e.body, '$.data.plate'))) o "
    f"WHERE json_extract(e.body, '$.name') = '{EventName.ALARM}'",
    "SELECT json_extract(e.body, '$.data.of_run'), 'dose', json_extract(e.body, "
    f"'$.data.dose_mj_cm2') FROM {{e}} e WHERE json_extract(e.body, '$.name') = "
    f"'{EventName.DOSE_CORRECTED}'",
    "SELECT json_extract(e.body, '$.data.of_run'), 'entry', e.number FROM {e} e "
    f"WHERE json_extract(e.body, '$.name') IN {_LATER}",
    "SELECT json_extract(e.body, '$.data.of_run'), 'note', json_extract(e.body, '$.data.words') "
    f"FROM {{e}} e WHERE json_extract(e.body, '$.name') = '{EventName.PLATE_NOTED}'",
)
_CORRECTED = f"json_extract(NEW.body, '$.name') = '{EventName.PLATE_CORRECTED}'"
_OF = {
    "start": _OF_START,
    "end": _OF_END,
    "event": _OF_EVENT,
    "unit event": _OF_UNIT_EVENT,
}
_WHEN = {
    "start": "kind = 'start'",
    "end": "kind = 'end'",
    "event": "kind = 'event' AND run_id IS NOT NULL",
    "unit event": "kind = 'event' AND run_id IS NULL",
}
_ENTRIES = {
    of: "(SELECT number, run_id, CASE WHEN typeof(body) = 'text' AND json_valid(body) THEN body "
    f"END AS body FROM entries WHERE {when})"  # a damaged body tells nothing
    for of, when in _WHEN.items()
}
_NEW = "(SELECT NEW.number AS number, NEW.run_id AS run_id, NEW.body AS body)"


def _all(of: str, source: str) -> str:
    selects = " UNION ALL ".join(select.format(e=source) for select in _OF[of])
    return (
        f"SELECT column1, column2, column3 FROM (SELECT NULL AS column1, NULL AS column2, "
        f"NULL AS column3 UNION ALL {selects}) WHERE column1 IS NOT NULL AND column3 IS NOT NULL"
    )


def _trigger(of: str) -> str:
    return (
        f"CREATE TRIGGER facts_of_{of.replace(' ', '_')} AFTER INSERT ON entries "
        f"WHEN {_new(_WHEN[of])} AND json_valid(NEW.body) "
        f"BEGIN INSERT OR IGNORE INTO facts {_all(of, _NEW)}; END"
    )


def _new(condition: str) -> str:
    return condition.replace("kind", "NEW.kind").replace("run_id", "NEW.run_id")


_OF_RUN, _FIELD, _NOW = (
    f"json_extract({{body}}, '$.data.{x}')" for x in ("of_run", "field", "now")
)
_CORRECTING = (
    f"INSERT OR IGNORE INTO facts SELECT run_id, 'was', value FROM facts "
    f"WHERE run_id = {_OF_RUN} AND name = {_FIELD}",
    f"INSERT OR IGNORE INTO facts VALUES ({_OF_RUN}, 'corrected', {_FIELD})",
    f"DELETE FROM facts WHERE run_id = {_OF_RUN} AND name = {_FIELD}",
    f"INSERT OR IGNORE INTO facts VALUES ({_OF_RUN}, {_FIELD}, {_NOW})",
)
_BY = (
    "CREATE TRIGGER facts_corrected AFTER INSERT ON entries "
    f"WHEN {_new(_WHEN['unit event'])} AND json_valid(NEW.body) AND {_CORRECTED} BEGIN "
    + "".join(f"{one.format(body='NEW.body')}; " for one in _CORRECTING)
    + "END"
)
CORRECT_AGAIN = (
    *(one.format(body="?1") for one in _CORRECTING),
    f"DELETE FROM facts WHERE run_id = {_OF_RUN} AND name = 'was' AND value = {_NOW}".format(
        body="?1"
    ),
)
"""Statements, each with the body of a correction, where entries do not come in their order: what
came late is what was, and what is now is not."""
FILL = tuple(f"INSERT OR IGNORE INTO facts {_all(of, _ENTRIES[of])}" for of in _OF)
"""Statements that fill the table for entries that were written before it was there; corrections
were made by no release without it."""
READ = f"facts (run_id, name, value) AS ({' UNION '.join(_all(of, _ENTRIES[of]) for of in _OF)})"
"""The same as a table of a query, for a file that may only be read."""
TABLE = (
    """CREATE TABLE facts (
        run_id TEXT NOT NULL,
        name TEXT NOT NULL,
        value ANY NOT NULL,
        PRIMARY KEY (run_id, name, value)
    ) STRICT, WITHOUT ROWID""",
    "CREATE INDEX facts_by_value ON facts (name, value)",
)
TRIGGERS = (*(_trigger(of) for of in _OF), _BY)
STARTS_ANEW = ("DROP TRIGGER facts_of_start", _trigger("start"))
"""Statements for a file whose trigger knew fewer facts of a start."""
