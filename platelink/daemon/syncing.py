"""The thread that makes the journal durable against a power cut: nobody else waits for the disk."""

from __future__ import annotations

from collections.abc import Callable

from platelink.daemon.packing import Packing
from platelink.daemon.retaining import Retaining
from platelink.daemon.sealing import Sealing
from platelink.daemon.taping import Taping
from platelink.daemon.worker import Worker
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.unit.outputs import CoreOutput, EventNoted
from platelink.unit.stamp import Stamp

CHECKPOINT_S = 1.0
"""How often, real seconds."""


class Syncer(Worker):
    """``quiet`` tells that no run of light is open: then the write-ahead log is moved away. What
    packs the records, what tapes the inputs and, ``beside`` it, what seals them is begun and ended
    with it."""

    def __init__(
        self,
        journal: Journal,
        taping: Taping,
        quiet: Callable[[], bool],
        beside: Sealing | None = None,
    ) -> None:
        super().__init__("journal-sync")
        self._journal, self._quiet, self._beside = journal, quiet, beside
        self._packing = Packing(journal, quiet=quiet)
        self._taping = taping
        taping.quiet = quiet
        rule = beside.retention if beside is not None else None
        self._retaining = Retaining(journal, rule, quiet=quiet) if rule is not None else None
        self.fault = ""
        """Why the last checkpoint failed; empty after a good one."""

    def start(self) -> None:
        """Once."""
        super().start()
        self._packing.start()
        self._taping.start()
        if self._retaining is not None:
            self._retaining.start()
        if self._beside is not None:
            self._beside.start()

    @property
    def told(self) -> str:
        """What a face shows: why it is not durable, or not sealed."""
        return self.fault or (self._beside.fault if self._beside is not None else "")

    @property
    def notice(self) -> str:
        """What is worth knowing while all is durable and sealed."""
        return self._beside.notice if self._beside is not None else ""

    def look(self, *, at: Stamp) -> tuple[CoreOutput, ...]:
        """What is to be noted: what other threads found, samples to be removed."""
        news = self._beside.news() if self._beside is not None else ()
        due = self._retaining.due(at=at) if self._retaining is not None else ()
        return (*(EventNoted(None, at.utc_ms, event, text) for event, text in news), *due)

    def stop(self) -> None:
        """End it; no checkpoint is running when this returns."""
        self._end.set()
        self._packing.stop()
        self._taping.stop()
        if self._retaining is not None:
            self._retaining.stop()
        super().stop()
        if self._beside is not None:
            self._beside.stop()

    def _run(self) -> None:
        while not self._end.wait(CHECKPOINT_S):
            try:
                self._journal.checkpoint(quiet=self._quiet())
                self.fault = ""
            except JournalError as error:
                self.fault = str(error)
