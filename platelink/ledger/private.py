"""Files that their owner alone may read, however the process was started."""

from __future__ import annotations

import os


def opener(path: str, flags: int) -> int:
    """For ``open(..., opener=opener)``."""
    return os.open(path, flags | os.O_CLOEXEC, 0o600)
