"""What the record tells of the unit's vacuum in its last exposures. Reads a journal."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platelink.events.event import EventName, read
from platelink.events.light import ContactHeld
from platelink.record.errors import JournalDamaged
from platelink.record.reader import JournalReader

EXPOSURES = 40
"""With contact; with usual ones an hour of light."""
LEARN_FROM = 200
"""Newest complete runs searched for them: plates, bakes and hardening are among them."""


@dataclass(frozen=True, slots=True)
class ContactRun:
    """One complete exposure with contact in which no leak was told."""

    t_s: NDArray[np.float64]
    """Device time of each sample in the light."""
    vacuum_kpa: NDArray[np.float64]
    held: ContactHeld


def contact_in(
    journal: JournalReader, told: Callable[[str], None] = lambda _: None
) -> list[ContactRun]:
    """Of the newest such exposures, oldest first. A run that cannot be read is left out, and
    ``told`` gets the reason."""
    found: list[ContactRun] = []
    try:
        for run_id in journal.run_ids_ended("complete", limit=LEARN_FROM):
            try:
                found += _run(journal, run_id)
            except JournalDamaged as error:
                told(str(error))
            if len(found) == EXPOSURES:
                break
    except JournalDamaged as error:
        told(str(error))
    return found[::-1]


def _run(journal: JournalReader, run_id: str) -> list[ContactRun]:
    events = journal.events(run_id)
    if any(event.name == EventName.CONTACT_WEAKER for event in events):
        return []
    held = [one for event in events if (one := read(ContactHeld, event.name, event.data))]
    if len(held) != 1:  # none asked for, or held and restarted: something was wrong
        return []
    block = journal.samples(run_id)
    if not {"vacuum_kpa", "tick_s", "counting"} <= block.values.keys() or not len(block):
        return []
    lit = block.values["counting"] > 0.0
    tick_s = float(np.median(block.values["tick_s"]))
    t_s = block.ticks[lit].astype(np.float64) * np.float64(tick_s)
    return [ContactRun(t_s, block.values["vacuum_kpa"][lit], held[0])]
