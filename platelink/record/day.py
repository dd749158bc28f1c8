"""What a stretch of time held: plates that ended, and steps that were held."""

from __future__ import annotations

from typing import NamedTuple

from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent

_HELD = "held"
"""The state, of a step and of an exposure."""
Span = tuple[int, int | None]
"""From and to, UTC in milliseconds; None: it goes on."""


class PlateEnd(NamedTuple):
    """How a plate ended."""

    state: str
    judgement: str | None


def plates_ended(journal: JournalReader, from_ms: int, until_ms: int) -> list[PlateEnd]:
    """Plates whose run ended in ``from <= t < until``."""
    rows = journal.rows(
        "SELECT e.state, json_extract(n.body, '$.data.judgement') FROM ends e "
        "JOIN entries n ON n.number = e.number JOIN runs r USING (run_id) "
        "JOIN entries s ON s.number = r.number WHERE n.at_ms >= ? AND n.at_ms < ? "
        "AND json_extract(s.body, '$.request.kind') = 'plate' ORDER BY e.number",
        from_ms, until_ms,
    )  # fmt: skip
    return [PlateEnd(state, judgement) for state, judgement in rows]


def held_spans(journal: JournalReader, from_ms: int, until_ms: int) -> list[Span]:
    """When steps of plates, and exposures that belong to none, were held, of all runs that were
    open at some time in between."""
    rows = journal.rows(
        "SELECT r.run_id, n.at_ms FROM runs r LEFT JOIN ends e USING (run_id) "
        "LEFT JOIN entries n ON n.number = e.number JOIN entries s ON s.number = r.number "
        "WHERE r.started_ms < ? AND coalesce(n.at_ms, ?) >= ? AND (r.plate IS NULL OR "
        "json_extract(s.body, '$.request.kind') = 'plate') ORDER BY r.number",
        until_ms, until_ms, from_ms,
    )  # fmt: skip
    return [span for run_id, end_ms in rows for span in _held(journal.events(run_id), end_ms)]


def _held(events: list[RunEvent], end_ms: int | None) -> list[Span]:
    found: list[Span] = []
    began: dict[object, int] = {}
    for event in events:
        if event.name not in (EventName.STEP, EventName.STATE):
            continue
        at_ms, which = to_ms(event.at_utc), event.data.get("step")
        if event.data.get("from") == _HELD and which in began:
            found.append((began.pop(which), at_ms))
        if event.data.get("to") == _HELD:
            began[which] = at_ms
    return found + [(at_ms, end_ms) for at_ms in began.values()]
