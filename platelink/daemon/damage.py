"""Damage of the journal, told as events, as a fault of the status, and as an alarm."""

from __future__ import annotations

from collections.abc import Iterator

from platelink.events.event import Event
from platelink.events.security import JournalBegunAnew, PeopleEntered
from platelink.record.anew import Anew
from platelink.record.writer import JournalWriter
from platelink.unit.outputs import CoreOutput, EventNoted
from platelink.unit.stamp import Stamp


class Damage:
    """``first``: what became of the journal at its opening."""

    def __init__(self, writer: JournalWriter, first: Anew | None) -> None:
        self._writer = writer
        if first is not None:
            writer.anew.append(first)
        self.anew = False
        """The journal was begun anew since the start of this process."""
        self.text = ""
        """What is wrong, for the status."""

    def told(self, text: str) -> None:
        """Something in the journal cannot be read, and was left out."""
        self.text = text

    def look(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """Is the journal whole? What is to be noted."""
        self._writer.watch(now=at.now)
        found = tuple(self._writer.anew)
        self._writer.anew.clear()
        return tuple(output for one in found for output in self._noted(one, at))

    def _noted(self, anew: Anew, at: Stamp) -> Iterator[CoreOutput]:
        self.anew = True
        self.text = (
            f"the journal is damaged ({anew.why}); it is kept as {anew.aside}, and a new one "
            f"is in use; recover what is sound with platelink doctor --repair {anew.aside}"
        )
        begun: Event = JournalBegunAnew(str(anew.aside), anew.uuid or None, anew.entries or None)
        for run_id in (*anew.runs, None):
            yield EventNoted(run_id, at.utc_ms, begun, self.text)
        if anew.people:
            text = "this unit has users, as recorded in the earlier journal"
            yield EventNoted(None, at.utc_ms, PeopleEntered("platelink"), text)
