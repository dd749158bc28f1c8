"""Appends to the journal that wait in memory while the disk cannot take them. No clock of its own.

What was given is written in the order given; while something waits, everything after it waits too.
A run that has begun is never refused for want of space: it goes on and its record is complete once
there is space again. A new run is refused until then, so what waits is bounded by one run.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NamedTuple

from platelink.record.errors import JournalError, JournalRefused, JournalUnavailable
from platelink.record.journal import Appendable, Journal
from platelink.runs import EndState, RunStart, SampleBlock

RETRY_S = 0.5
"""A locked file costs the caller a short wait at each try."""


@dataclass(frozen=True, slots=True)
class WriterStatus:
    """What waits, for a face; ``since`` and ``fault`` are of the oldest that waits."""

    pending: int
    since: float | None
    fault: str
    refused: int


class _Waiting(NamedTuple):
    since: float
    write: Callable[[], object]


class JournalWriter:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, journal: Journal) -> None:
        self.journal = journal
        self._waiting: deque[_Waiting] = deque()
        self._fault = ""
        self._refused = 0
        self._retry_at = 0.0

    def next_id(self) -> str:
        """The id of the next entry given, counting those that wait."""
        journal = self.journal
        return journal.id_of(journal.number_of(journal.next_id()) + len(self._waiting))

    def append(self, entry: Appendable, *, now: float) -> None:
        """Write the entry, or keep it until it can be written.

        A RunStart is never kept: JournalUnavailable says why no run may begin. JournalRefused as
        from the journal itself."""
        if isinstance(entry, RunStart):
            self._retry_at = now
            self.retry(now=now)
            if self._waiting:
                raise JournalUnavailable(
                    f"no run may begin: {len(self._waiting)} entries wait to be written; "
                    f"{self._fault}"
                )
            self.journal.append(entry)
            return
        self._give(lambda: self.journal.append(self._numbered(entry)), now)

    def append_samples(
        self, run_id: str, block: SampleBlock, at_utc: datetime, *, now: float
    ) -> None:
        """Write the samples, or keep them; see ``append``."""
        if len(block):
            self._give(lambda: self.journal.append_samples(run_id, block, at_utc), now)

    def end_run(
        self,
        run_id: str,
        at_utc: datetime,
        state: EndState,
        reason: str,
        *,
        now: float,
        **known: Any,
    ) -> None:
        """Write the end of the run, or keep it; ``known`` as for ``Journal.end_run``."""
        self._give(lambda: self.journal.end_run(run_id, at_utc, state, reason, **known), now)

    def retry(self, *, now: float) -> int:
        """Write what waits, if it is time to try again; how many were written."""
        written = 0
        while self._waiting and now >= self._retry_at:
            try:
                self._waiting[0].write()
                written += 1
            except JournalRefused as error:
                # Nobody is left to tell: it was given long ago. Counted and shown.
                self._fault = str(error)
                self._refused += 1
            except JournalError as error:
                self._fault = str(error)
                self._retry_at = now + RETRY_S
                break
            self._waiting.popleft()
        return written

    def next_deadline(self) -> float | None:
        """When to call ``retry``; None while nothing waits."""
        return self._retry_at if self._waiting else None

    def status(self) -> WriterStatus:
        """What waits and why."""
        since = self._waiting[0].since if self._waiting else None
        fault = self._fault if self._waiting or self._refused else ""
        return WriterStatus(len(self._waiting), since, fault, self._refused)

    def _give(self, write: Callable[[], object], now: float) -> None:
        self.retry(now=now)
        if not self._waiting:
            try:
                write()
                return
            except JournalRefused:
                raise
            except JournalError as error:  # also one that only a person can mend: a run goes on
                self._fault = str(error)
                self._retry_at = now + RETRY_S
        self._waiting.append(_Waiting(now, write))

    def _numbered(self, entry: Appendable) -> Appendable:
        """The entry with the id it gets now: one refused before it leaves its number free."""
        wanted = self.journal.next_id()
        if self._waiting and entry.id != wanted:
            return entry.model_copy(update={"id": wanted})
        return entry
