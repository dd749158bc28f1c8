"""What runs of the record used: light, exposures, plates, washed area. Reads a journal."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

from platelink.contract.upkeep import ResetBy
from platelink.events.event import EventName, read
from platelink.events.unit import LampsCleaned
from platelink.ledger.by import from_ms, to_ms
from platelink.record.reader import JournalReader
from platelink.record.stored import Use
from platelink.runs import RunEvent

_USES = """
    SELECT n.at_ms, r.step, coalesce(json_extract(s.body, '$.request.kind'), 'expose'),
        json_extract(n.body, '$.light_s'), json_extract(s.body, '$.request.area_cm2'),
        EXISTS (SELECT 1 FROM json_each(n.body, '$.data.steps') w
            WHERE json_extract(w.value, '$.kind') = 'wash'
            AND json_extract(w.value, '$.state') NOT IN ('waiting', 'ready', 'skipped'))
    FROM runs r JOIN ends e USING (run_id) JOIN entries n ON n.number = e.number
    JOIN entries s ON s.number = r.number WHERE n.at_ms >= ? ORDER BY n.at_ms"""
EVER = datetime(1970, 1, 1, tzinfo=UTC)
_RESETS: dict[ResetBy, tuple[EventName, frozenset[str]]] = {
    "lamp change": (EventName.LAMPS_CHANGED, frozenset()),
    "lamp cleaning": (EventName.LAMPS_CLEANED, frozenset({"lamps", "both"})),
    "sensor cleaning": (EventName.LAMPS_CLEANED, frozenset({"sensor", "both"})),
}


def uses_since(journal: JournalReader, since: datetime) -> list[Use]:
    """What each run that ended then or later used, by the time of its end."""
    found = []
    for at_ms, step, kind, light_s, area_cm2, washed in journal.rows(_USES, to_ms(since)):
        at = from_ms(int(at_ms))
        if step == "plate":
            area = _number(area_cm2) if washed else 0.0
            found.append(Use(at, plate=True, washed_cm2=area))
        elif kind == "expose":
            light = _number(light_s)
            found.append(Use(at, exposure=light is None or light > 0.0, light_s=light))
    return found


def resets(journal: JournalReader, by: ResetBy) -> Sequence[datetime]:
    """When the record tells that this was done, oldest first."""
    if by not in _RESETS:
        return []
    name, parts = _RESETS[by]
    rows = journal.rows(
        "SELECT number FROM entries WHERE run_id IS NULL AND kind = 'event' "
        "AND json_extract(body, '$.name') = ? ORDER BY number", str(name),
    )  # fmt: skip
    events = (row.entry for (n,) in rows for row in journal.outbox_after(n - 1, 1))
    return [
        event.at_utc for event in events
        if isinstance(event, RunEvent) and (not parts or _part(event) in parts)
    ]  # fmt: skip


def _part(event: RunEvent) -> str:
    found = read(LampsCleaned, event.name, event.data)
    return "" if found is None else found.part


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
