"""The thread that makes the journal durable against a power cut: nobody else waits for the disk."""

from __future__ import annotations

import threading
from collections.abc import Callable

from platelink.record.errors import JournalError
from platelink.record.journal import Journal

CHECKPOINT_S = 1.0
"""How often, real seconds."""


class Syncer:
    """``quiet`` tells that no run of light is open: then the write-ahead log is moved away."""

    def __init__(self, journal: Journal, *, quiet: Callable[[], bool]) -> None:
        self._journal, self._quiet = journal, quiet
        self.fault = ""
        """Why the last checkpoint failed; empty after a good one."""
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name="journal-sync", daemon=True)

    def start(self) -> None:
        """Once."""
        self._thread.start()

    def stop(self) -> None:
        """End it; no checkpoint is running when this returns."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _run(self) -> None:
        while not self._end.wait(CHECKPOINT_S):
            try:
                self._journal.checkpoint(quiet=self._quiet())
                self.fault = ""
            except JournalError as error:
                self.fault = str(error)
