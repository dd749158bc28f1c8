"""The thread that puts the samples of closed runs together, and gives back free memory: nobody
waits for it."""

from __future__ import annotations

from collections.abc import Callable
from itertools import count

from platelink.daemon.worker import Worker
from platelink.memory import give_back
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
from platelink.record.packing import Packer

ROUND_S = 2.0
"""How often it looks, real seconds."""
GIVE_BACK = 30
"""Once in so many rounds, where it is quiet."""
AFTER_FAULT_S = 60.0


class Packing(Worker):
    """Nothing is packed but while it is ``quiet``; what is left at the end, another time."""

    def __init__(self, journal: Journal, *, quiet: Callable[[], bool]) -> None:
        super().__init__("journal-packing")
        self._packer, self._quiet = Packer(journal.beside, self._look), quiet

    def _look(self) -> None:
        if self._end.is_set() or not self._quiet():
            raise InterruptedError

    def _run(self) -> None:
        for number in count():
            if self._end.wait(ROUND_S):
                return
            try:
                self._look()
                if number % GIVE_BACK == 1:
                    give_back()
                while self._packer.step():
                    self._look()
            except InterruptedError:  # light, or the end: another time
                pass
            except JournalError:  # busy, full, damaged: those who append say so
                self._end.wait(AFTER_FAULT_S)
