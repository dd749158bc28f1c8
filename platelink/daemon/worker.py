"""A thread beside the control loop, which never waits for it."""

from __future__ import annotations

import threading
from abc import ABC, abstractmethod


class Worker(ABC):
    """``start`` once, ``stop`` once. ``_run`` is the thread, and ends once ``_end`` is set."""

    def __init__(self, name: str) -> None:
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Once."""
        self._thread.start()

    def stop(self) -> None:
        """End it, whether it was started or not."""
        self._end.set()
        if self._thread.ident is not None:
            self._thread.join()

    @abstractmethod
    def _run(self) -> None: ...
