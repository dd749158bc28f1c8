"""What the record tells that lamps and oven taught. Reads a journal."""

from __future__ import annotations

from collections.abc import Callable

from platelink.events.event import EventName
from platelink.record.errors import JournalDamaged
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent

LEARN_FROM = 60
"""Newest complete runs searched: those of a dozen plates; only very short exposures teach none."""


def lessons_in(
    journal: JournalReader, told: Callable[[str], None] = lambda _: None
) -> list[RunEvent]:
    """Lessons of the newest complete exposures, oldest first, since a person had them dropped, and
    among them what the newest complete bakes ended with.

    A run that cannot be read teaches nothing, and ``told`` gets the reason: a unit with less to go
    by measures more, and one that does not start measures nothing."""
    try:
        dropped = journal.newest_unit_event(EventName.LESSONS_DROPPED)
        runs = journal.run_ids_ended("complete", limit=LEARN_FROM)
    except JournalDamaged as error:  # what was dropped is not known: nothing is learned from it
        told(str(error))
        return []
    since = journal.number_of(dropped.id) if dropped is not None else 0
    found: list[RunEvent] = []
    for run_id in reversed(runs):
        try:
            run = journal.run(run_id)
            kind = run.start.run_kind if run is not None else ""
            if kind == "expose":
                found += [
                    event
                    for event in journal.events(run_id)
                    if event.name == EventName.LEARNED and journal.number_of(event.id) > since
                ]
            elif kind == "plate":  # a bake's own run has its temperatures, the plate's its events
                events = journal.events(run_id)
                found += [event for event in events if event.name == EventName.BAKE_ENDED]
        except JournalDamaged as error:
            told(str(error))
    return found
