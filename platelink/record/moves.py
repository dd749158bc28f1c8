"""Moves of alarms in the journal, in its order, and the plates that were in work then."""

from __future__ import annotations

from platelink.ledger.database import Row
from platelink.record.reader import JournalReader
from platelink.record.stored import OutboxRow

MOST_BACK = 500_000
"""Entries before an alarm among which the runs are looked for that go on."""


def unit_events_after(journal: JournalReader, number: int, limit: int) -> list[OutboxRow]:
    """Events outside runs after the entry of this number, in order, at most ``limit``."""
    rows = journal.rows(
        # the signs keep SQLite from its index, which would read all that were ever told
        "SELECT number, kind, run_id, at_ms, body FROM entries WHERE number > ? "
        "AND +kind = 'event' AND +run_id IS NULL ORDER BY number LIMIT ?",
        number, limit,
    )  # fmt: skip
    return [OutboxRow(row[0], journal.entry_of(*row)) for row in rows]


def plates_in_work(journal: JournalReader, number: int, kind: str) -> tuple[str, ...]:
    """Plates that had a run of this kind going on when the entry was written, in their order."""
    rows: list[Row] = journal.rows(
        "SELECT DISTINCT r.plate FROM runs r LEFT JOIN ends e USING (run_id) "
        "JOIN entries s ON s.number = r.number WHERE r.number BETWEEN ? AND ? "
        "AND coalesce(e.number, ?) > ? AND r.plate IS NOT NULL "
        "AND coalesce(json_extract(s.body, '$.request.kind'), 'expose') = ? ORDER BY r.number",
        number - MOST_BACK, number, number + 1, number, kind,
    )  # fmt: skip
    return tuple(str(plate) for (plate,) in rows)
