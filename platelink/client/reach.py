"""Whether anybody is at a socket. Asked first: the HTTP library leaves a socket open otherwise."""

from __future__ import annotations

import socket
from pathlib import Path


def answers(path: Path) -> bool:
    """True when somebody listens, however busy. Never waits."""
    with socket.socket(socket.AF_UNIX) as probe:
        probe.setblocking(False)
        try:
            probe.connect(str(path))
        except BlockingIOError:  # as many wait as may
            return True
        except OSError:
            return False
    return True


def nobody(path: Path) -> str:
    """What to tell people when nobody does."""
    with socket.socket(socket.AF_UNIX) as probe:
        try:
            probe.connect(str(path))
        except PermissionError:
            return (
                f"the daemon at {path} is another user's, and this user may not speak with it; run "
                "the command as the daemon's user, with sudo -u"
            )
        except OSError:
            pass
    return f"no daemon answers at {path}; start one with `platelink serve`"
