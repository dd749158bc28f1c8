"""The thread that has checkpoints of the log of seals time-stamped: nobody waits for the authority.

Only the newest checkpoint is asked for: a stamp of it holds for every seal before it.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable

from platelink.backoff import Backoff
from platelink.daemon.worker import Worker
from platelink.evidence.log import SealLog
from platelink.evidence.stamped import Stamps
from platelink.evidence.wrong import EvidenceError

EVERY_S = 60.0
"""The authority is asked no more often, real seconds; what is sealed meanwhile goes together."""
LONGEST_S = 3600.0
"""Between two tries where it is silent."""
_ROUND_S = 1.0

log = logging.getLogger(__name__)


class Stamping(Worker):
    """``ask`` gets a checkpoint, and gives its stamp or raises ``EvidenceError``. ``round`` is for
    the thread that has the log, ``step`` for this one."""

    def __init__(
        self, authority: str, ask: Callable[[bytes], bytes],
        clock: Callable[[], float] = time.monotonic,
    ) -> None:  # fmt: skip
        super().__init__("stamper")
        self._authority, self._ask, self._clock = authority, ask, clock
        self._wanted: bytes | None = None
        self._came: deque[tuple[bytes, bytes]] = deque()
        self._backoff = Backoff(EVERY_S, LONGEST_S)
        self._not_before_s = 0.0
        self.fault = ""
        """Why nothing is stamped at present; empty while it goes."""

    def round(self, seals: SealLog) -> None:
        """Keep what came, and say which checkpoint is wanted: the newest, where it has no stamp."""
        stamps = Stamps(seals.database)
        while self._came:
            stamps.add(*self._came[0])
            self._came.popleft()
        head = seals.head()
        new = head is not None and seals.size() and stamps.of(head.data) is None
        self._wanted = head.data if head is not None and new else None

    def step(self) -> None:
        """Ask, where it is time to."""
        data = self._wanted
        if data is None or self._clock() < self._not_before_s:
            return
        try:
            answer = self._ask(data)
        except Exception as error:
            self._not_before_s = self._clock() + self._backoff.failed()
            why = str(error) if isinstance(error, EvidenceError) else repr(error)
            if not self.fault:
                log.warning("no time stamp from %s: %.300s", self._authority, why)
            self.fault = (
                f"seals are not time-stamped: {self._authority}: {why:.300}; it is asked again, at "
                "the longest after an hour"
            )
            return
        self._not_before_s = self._clock() + EVERY_S
        self._backoff.succeeded()
        self.fault = ""
        self._came.append((data, answer))

    def stop(self) -> None:
        """End it; whoever ends does not wait for an answer that is under way."""
        self._end.set()

    def _run(self) -> None:
        while not self._end.wait(_ROUND_S):
            self.step()
