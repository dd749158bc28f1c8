"""What touches security, to this computer's syslog, and seldom: a flood must not fill it."""

from __future__ import annotations

import contextlib
import logging
import queue
from collections.abc import Hashable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from logging.handlers import QueueHandler, QueueListener, SysLogHandler
from pathlib import Path

TOLD_EVERY = timedelta(seconds=60)
"""Between two lines of one kind about one person."""
KINDS_KEPT = 1000
"""Kinds that are counted: more than there are pairs of kind and person."""
LINES_WAIT = 1000
"""For a syslog that does not read."""
log = logging.getLogger("platelink.security")
log.propagate = False
log.setLevel(logging.INFO)


@dataclass(slots=True)
class _Told:
    at_utc: datetime
    since: int = 0
    """How many were not told since."""


class Seldom:
    """Of each kind the first at once, then one a minute with how many there were."""

    def __init__(self) -> None:
        self._told: dict[Hashable, _Told] = {}

    def times(self, kind: Hashable, at_utc: datetime) -> int:
        """How many to tell of now; 0 while it is not time to."""
        known = self._told.pop(kind, None)
        if known is not None and abs(at_utc - known.at_utc) < TOLD_EVERY:
            known.since += 1
            self._told[kind] = known
            return 0
        self._told[kind] = _Told(at_utc)
        if len(self._told) > KINDS_KEPT:
            del self._told[next(iter(self._told))]
        return 1 + (known.since if known is not None else 0)


def say(text: str) -> None:
    """One line, as it cannot be taken for two, nor for another."""
    plain = (c if c.isprintable() and c.isascii() else ascii(c)[1:-1] for c in text)
    log.info("%s", "".join(plain))


class _Aside(QueueHandler):
    """What the queue does not take is not worth stopping for."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 -- logging's own name
        pass


class _Syslog(SysLogHandler):
    """A syslog that is away is tried again with the next line."""

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802
        pass


@contextlib.contextmanager
def to_syslog(address: Path = Path("/dev/log")) -> Iterator[None]:
    """Lines go to this computer's syslog meanwhile, from a thread of their own; nowhere where there
    is none."""
    if not address.is_socket():
        yield
        return
    handler = _Syslog(str(address), SysLogHandler.LOG_AUTH)
    handler.ident = "platelink: "
    handler.append_nul = False
    waiting: queue.Queue[logging.LogRecord] = queue.Queue(LINES_WAIT)
    first, listener = _Aside(waiting), QueueListener(waiting, handler)
    log.addHandler(first)
    listener.start()
    try:
        yield
    finally:
        log.removeHandler(first)
        listener.stop()
        handler.close()
