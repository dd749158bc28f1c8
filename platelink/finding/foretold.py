"""Depth and causes of a plate, told by the journal that holds its record. Reads a journal."""

from __future__ import annotations

from platelink.contract.predicted import DepthPredicted
from platelink.events.event import EventName
from platelink.finding.plates import depth_foretold, not_foretold
from platelink.record.lit import lamp_events
from platelink.record.plates import NothingToPredictError, plate_record, plates_before
from platelink.record.reader import JournalReader
from platelink.record.stored import RunRecord

_TOUCHED = (EventName.LAMPS_CHANGED, EventName.LAMPS_CLEANED)


def depth_foretold_in(
    journal: JournalReader, run: RunRecord, *, symptom: str = ""
) -> DepthPredicted:
    """Of the plate of this run; where its record says nothing, why not."""
    try:
        plate = plate_record(journal, run)
    except NothingToPredictError as error:
        return not_foretold(run.start.run_id, str(error))
    lamps = [event.at_utc for event in lamp_events(journal) if event.name in _TOUCHED]
    return depth_foretold(plate, plates_before(journal, plate), lamps, symptom=symptom)
