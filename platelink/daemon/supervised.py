"""What systemd hears of the daemon: that it serves, that its loop turns, that it ends.

By the protocol of sd_notify(3). Where a sign of life fails to come, systemd kills the daemon and
starts it anew; meanwhile the device ends a running exposure at its dose, by its standing order.
"""

from __future__ import annotations

import asyncio
import contextlib
import math
import os
import socket
from collections.abc import Callable, MutableMapping

LATE_S = 10.0
"""What has been due for so long will not be done any more: the loop turns, but in vain."""


class Supervised:
    """Takes what systemd has put into ``environ`` out of it, so that no child speaks for the
    daemon. ``late_s``: for how long something has been due. Without systemd it does nothing."""

    def __init__(self, environ: MutableMapping[str, str], late_s: Callable[[], float]) -> None:
        self._late_s = late_s
        self._address = environ.pop("NOTIFY_SOCKET", "").replace("@", "\0", 1)
        own = environ.pop("WATCHDOG_PID", str(os.getpid())) == str(os.getpid())
        self.every_s = _half_s(environ.pop("WATCHDOG_USEC", "")) if own else math.inf
        """How often a sign of life is given: twice as often as it is asked for."""
        self._timer: asyncio.TimerHandle | None = None

    def start(self) -> None:
        """Clients are taken from now on. Call it in the loop whose turning is a sign of life."""
        self._say("READY=1")
        self._beat()

    def stop(self) -> None:
        """The daemon ends in order: no sign of life is owed."""
        if self._timer is not None:
            self._timer.cancel()
        self._say("STOPPING=1")

    def _beat(self) -> None:
        if self.every_s < math.inf:
            self.sign()
            self._timer = asyncio.get_running_loop().call_later(self.every_s, self._beat)

    def sign(self) -> None:
        """One sign of life, where there is any."""
        if self._late_s() < LATE_S:
            self._say("WATCHDOG=1")

    def _say(self, text: str) -> None:
        if not self._address:
            return
        with (
            contextlib.suppress(OSError),  # systemd hears nothing then, and does what it does
            socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK) as told,
        ):
            told.sendto(text.encode(), self._address)


def _half_s(text: str) -> float:
    return int(text) / 2e6 if text.isascii() and text.isdecimal() and int(text) > 0 else math.inf
