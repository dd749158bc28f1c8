"""The thread that removes samples which the configuration lets go: nobody waits for it.

It appends nothing itself. What is to be removed is given to the shell, to be put down as an event;
once that is in the journal and sealed, the samples are taken away. A crash in between leaves an
event whose removal is done at the next start.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from platelink.daemon.worker import Worker
from platelink.events.security import SamplesRemoved
from platelink.evidence.log import SealLog
from platelink.evidence.retention import Chooser, may_go, unfinished
from platelink.evidence.wrong import EvidenceError
from platelink.ledger.errors import StoreError
from platelink.publish.cursor import CursorFile
from platelink.record.backed_up import last_backup
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.removed import remove
from platelink.unit.outputs import EventNoted
from platelink.unit.stamp import Stamp

ROUND_S = 5.0
"""How often it looks while there is something to remove, real seconds."""
IDLE_S = 600.0
FIRST_S = 30.0
"""After the start: there is other work then."""


@dataclass(frozen=True, slots=True)
class Rule:
    """What the configuration says."""

    days: int | None
    """None: nothing is removed, but for what was told already."""
    log: Path
    published: bool
    """Entries are sent to a broker."""


class Retaining(Worker):
    """``due`` is the shell's; what is told and not done at the end is done at the next start."""

    def __init__(self, journal: Journal, rule: Rule, *, quiet: Callable[[], bool]) -> None:
        super().__init__("journal-retention")
        self._journal, self._rule, self._quiet = journal, rule, quiet
        self._path = journal.reader.path
        self._chooser = Chooser(rule.days) if rule.days is not None else None
        self._uuid, self._seen = "", 0
        self._asked: SamplesRemoved | None = None
        """Given to the shell, and not in the journal yet."""
        self._due: SamplesRemoved | None = None
        self.fault = ""
        """Why samples that are old enough are kept; empty where none are."""

    def due(self, *, at: Stamp) -> tuple[EventNoted, ...]:
        """What is to be put down before it is done."""
        told, self._due = self._due, None
        if told is None:
            return ()
        text = (
            f"the samples of {told.of_run} ({told.samples}) are removed by the retention of "
            f"{told.days} days; events, totals and seal stay"
        )
        return (EventNoted(None, at.utc_ms, told, text),)

    def _run(self) -> None:
        wait_s = FIRST_S
        while not self._end.wait(wait_s):
            wait_s = ROUND_S
            if not self._quiet():
                continue
            try:
                wait_s = ROUND_S if self.round() else IDLE_S
            except (JournalError, StoreError, EvidenceError, OSError, LookupError) as error:
                self.fault = f"no samples are removed: {error}"
                wait_s = IDLE_S

    def round(self) -> bool:
        """Do what is told, or find what is next; whether there is more to do."""
        with (
            JournalReader.open(self._path) as reader,
            SealLog.open(self._rule.log, read_only=True) as log,
        ):
            if reader.uuid != self._uuid:
                self._uuid, self._seen, self._asked, self._due = reader.uuid, 0, None, None
            upto = reader.last_number()
            waiting = unfinished(reader, self._seen)
            for one in waiting:
                self._asked = None
                allowed = may_go(reader, log, one)
                if allowed:
                    remove(self._journal.beside, reader.uuid, one.number, one.told.runs)
                elif allowed is False:
                    self.fault = f"samples of {one.told.of_run} are kept: it is not what was sealed"
                    continue
                return True
            if not waiting:
                self._seen = upto
            if self._chooser is None or self._asked is not None:
                return self._asked is not None
            sent = CursorFile(self._path.with_suffix(".cursor")).load().number
            self._asked = self._due = self._chooser.next(
                reader, log, last_backup(self._path), sent=sent if self._rule.published else None
            )
            self.fault = self._chooser.fault
            return self._asked is not None
