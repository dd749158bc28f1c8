"""What plates took of stock, light and work, and how they ended. Reads a journal."""

from __future__ import annotations

from datetime import datetime

from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.record.reader import JournalReader
from platelink.record.stored import SpentPlate

_PLATES = """
    SELECT r.run_id, e.state, json_extract(s.body, '$.request.area_cm2'),
        coalesce((SELECT max(value) FROM {facts} WHERE run_id = r.run_id AND name = 'verdict'),
            json_extract(n.body, '$.data.judgement')),
        (SELECT sum(json_extract(w.body, '$.data.actual_s')) FROM entries w
            WHERE w.run_id = r.run_id AND w.kind = 'event'
            AND json_extract(w.body, '$.name') = ?)
    FROM runs r JOIN ends e USING (run_id) JOIN entries n ON n.number = e.number
    JOIN entries s ON s.number = r.number
    WHERE r.step = 'plate' AND r.started_ms >= ? AND r.started_ms < ? ORDER BY r.number"""
_LIGHT = """
    SELECT coalesce(r.plate, ''), json_extract(n.body, '$.light_s')
    FROM runs r JOIN ends e USING (run_id) JOIN entries n ON n.number = e.number
    JOIN entries s ON s.number = r.number
    WHERE r.step <> 'plate' AND r.started_ms >= ?
    AND coalesce(json_extract(s.body, '$.request.kind'), 'expose') = 'expose'"""
_NO_FACTS = "(SELECT '' AS run_id, '' AS name, '' AS value WHERE 0)"


def spent_plates(
    journal: JournalReader, since: datetime, until: datetime
) -> tuple[list[SpentPlate], float]:
    """The plates that were begun in ``since <= t < until`` and have ended, verdicts as they were
    corrected; and the seconds of light since then of exposures that belong to no plate."""
    light: dict[str, list[float | None]] = {}
    for plate, light_s in journal.rows(_LIGHT, to_ms(since)):
        light.setdefault(str(plate), []).append(_number(light_s))
    sql = _PLATES.format(facts="facts" if journal.has_facts else _NO_FACTS)
    found = []
    for name, state, area, verdict, hand_s in journal.rows(
        sql, str(EventName.STAGE_ENDED), to_ms(since), to_ms(until)
    ):
        exposed = light.get(str(name), [])
        known = [one for one in exposed if one is not None]
        found.append(
            SpentPlate(
                plate=str(name), complete=state == "complete", verdict=str(verdict or ""),
                area_cm2=_number(area), hand_s=_number(hand_s) or 0.0,
                light_s=sum(known) if len(known) == len(exposed) else None,
            )
        )  # fmt: skip
    return found, sum(one or 0.0 for one in light.get("", ()))


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
