"""Whether anybody is at a socket. Asked first: the HTTP library leaves a socket open otherwise."""

from __future__ import annotations

import socket
from pathlib import Path


def answers(path: Path) -> bool:
    """True when somebody listens."""
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except OSError:
            return False
    return True


def nobody(path: Path) -> str:
    """What to tell people when nobody does."""
    return f"no daemon answers at {path}; start one with `platelink serve`"
