"""The life of a process beside the broker: one round after the other, and a word now and then."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable


def in_rounds(
    step: Callable[[], None], tell: Callable[[], None], stop: threading.Event, *, every_s: float
) -> None:
    """``step`` until ``stop`` is set; ``tell`` every so many seconds, in this thread, and at the
    end."""
    tell_at = time.monotonic() + every_s
    while not stop.is_set():
        step()
        if time.monotonic() >= tell_at:
            tell()
            tell_at = time.monotonic() + every_s
    tell()
