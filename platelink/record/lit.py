"""What the record tells of the lamps, of all exposures at once. Reads a journal."""

from __future__ import annotations

import json
import math
from datetime import timedelta
from functools import lru_cache

from platelink.events.event import EventName
from platelink.ledger.by import to_ms
from platelink.record.reader import JournalReader
from platelink.record.stored import LightScale, LitRun
from platelink.runs import RunEvent, RunStart

IN_USE = timedelta(days=60)
"""A step that was exposed within so long is in use."""


def lamp_record(journal: JournalReader) -> tuple[list[LitRun], list[RunEvent], RunStart | None]:
    """Every exposure that gave light, and what people did to the lamps, oldest first; and the start
    of the newest run with the largest dose in use."""
    rows = journal.rows(
        "SELECT r.run_id, r.started_ms, e.state, json_extract(n.body, '$.light_s'), "
        "json_extract(n.body, '$.dose_mj_cm2'), json_extract(n.body, '$.data.lamps'), "
        "json_extract(s.body, '$.conditions.light.channels'), "
        "json_extract(s.body, '$.conditions.calibrations'), "
        "json_extract(s.body, '$.conditions.config.unit.adc_bits') "
        "FROM runs r JOIN ends e USING (run_id) JOIN entries n ON n.number = e.number "
        "JOIN entries s ON s.number = r.number "
        "WHERE json_extract(n.body, '$.light_s') > 0.0 ORDER BY r.number"
    )
    lit = [
        LitRun(str(run_id), int(at_ms), state == "complete", float(light_s), _number(dose),
               json.loads(lamps) if isinstance(lamps, str) else {}, _scales(channels, named, bits))
        for run_id, at_ms, state, light_s, dose, lamps, channels, named, bits in rows
    ]  # fmt: skip
    return lit, lamp_events(journal), _longest(journal)


NOT_THE_SCALE = frozenset({"name", "dark_counts", "slope_mw_cm2_per_count", "weight",
                            "calibrated_on", "due_on", "rel_uncertainty"})  # fmt: skip
"""Settings of a channel that leave a count what it is."""


@lru_cache(maxsize=64)
def _scales(channels: object, named: object, adc_bits: object) -> tuple[LightScale, ...]:
    """Of the conditions of a run, as JSON; empty where they cannot be read. Few are different."""
    try:
        by = {str(one["sensor"]): one for one in json.loads(str(named))}
        return tuple(
            LightScale(
                calibration=str(by[f"light {i}"]["calibration"]),
                made_on=str(by[f"light {i}"]["made_on"] or ""),
                slope_mw_cm2_per_count=_positive(channel["slope_mw_cm2_per_count"]),
                weight=float(channel.get("weight", 1.0)),
                settings={k: v for k, v in channel.items() if k not in NOT_THE_SCALE}
                | {"adc_bits": adc_bits},
            )
            for i, channel in enumerate(json.loads(str(channels)))
        )  # fmt: skip
    except (AttributeError, LookupError, TypeError, ValueError):
        return ()


def _positive(value: object) -> float:
    number = _number(value)
    if number is None or not 0.0 < number < math.inf:
        raise ValueError("a slope is above 0")
    return number


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None


def lamp_events(journal: JournalReader) -> list[RunEvent]:
    rows = journal.rows(
        "SELECT number FROM entries WHERE run_id IS NULL AND kind = 'event' "
        "AND json_extract(body, '$.name') IN (?, ?, ?) ORDER BY number",
        EventName.LAMPS_CHANGED, EventName.LAMPS_CLEANED, EventName.LAMPS_MEASURED,
    )  # fmt: skip
    entries = (row.entry for (n,) in rows for row in journal.outbox_after(n - 1, 1))
    return [entry for entry in entries if isinstance(entry, RunEvent)]


def _longest(journal: JournalReader) -> RunStart | None:
    newest = journal.last_at_utc()
    if newest is None:
        return None
    rows = journal.rows(
        "SELECT r.run_id FROM runs r JOIN ends e USING (run_id) "
        "JOIN entries s ON s.number = r.number JOIN entries n ON n.number = e.number "
        "WHERE r.started_ms >= ? AND json_extract(n.body, '$.light_s') > 0.0 "
        "ORDER BY json_extract(s.body, '$.target_dose_mj_cm2') DESC, r.number DESC LIMIT 1",
        to_ms(newest - IN_USE),
    )
    run = journal.run(rows[0][0]) if rows else None
    return run.start if run is not None else None
