"""Texts that the broker keeps: this unit's, for others, and those of others that it listens to.

Set and taken by any thread; sent and heard by the publisher's.
"""

from __future__ import annotations

import math
import threading
from collections.abc import Collection

LONGEST_BYTES = 1_000_000
"""No more of a text of others is kept; what is made for a unit is shorter."""
AGAIN_S = 10.0
"""A text that the broker refused is sent again so long after: a cluster may have no leader, a disk
no space, an access list a fault that is mended."""


class RetainedTexts:
    """``listen``: topics of other units, without wildcards, so that what waits is bounded."""

    def __init__(self, listen: tuple[str, ...] = ()) -> None:
        self.listen = listen
        """More may be added before the publisher is started."""
        self.notice = ""
        """What those of others say that cannot be taken, for the status."""
        self._lock = threading.Lock()
        self._texts: dict[str, str] = {}
        self._heard: dict[str, bytes] = {}
        self._sent: dict[str, str] = {}
        self._in_flight: tuple[int, str] | None = None
        self._refused: dict[str, tuple[float, str]] = {}
        """Until when it is not sent again, and why it was refused."""

    def retain(self, topic: str, text: str) -> None:
        """What the broker is to keep under a topic of this unit; sent soon, and again after each
        lost connection."""
        with self._lock:
            self._texts[topic] = text

    def taken(self, topics: Collection[str]) -> dict[str, bytes]:
        """The newest text of each of these topics that came since the last call."""
        with self._lock:
            return {topic: self._heard.pop(topic) for topic in topics if topic in self._heard}

    # --- the publisher's thread ------------------------------------------------------------

    def lost(self) -> None:
        """The connection is gone: what the broker has is not known."""
        self._sent.clear()
        self._refused.clear()
        self._in_flight = None

    def next(self, *, now: float = math.inf) -> tuple[str, str] | None:
        """What is to be sent now: one at a time, so that no quota is spent on texts. Without
        ``now`` also what was refused just before."""
        if self._in_flight is not None:
            return None
        with self._lock:
            due = (
                (topic, text) for topic, text in self._texts.items()
                if self._sent.get(topic) != text and self._refused.get(topic, (now, ""))[0] <= now
            )  # fmt: skip
            return next(due, None)

    def sent(self, topic: str, text: str, mid: int) -> None:
        """It is under way, as this message."""
        self._sent[topic], self._in_flight = text, (mid, topic)

    def answered(self, mid: int, refused: str = "", *, now: float = 0.0) -> str | None:
        """The broker has answered a message: the topic where it was one of these. ``refused`` says
        why it was not taken; empty: it was. What is refused is sent again."""
        if self._in_flight is None or self._in_flight[0] != mid:
            return None
        topic, self._in_flight = self._in_flight[1], None
        self._refused.pop(topic, None)
        if refused:
            self._sent.pop(topic, None)
            self._refused[topic] = now + AGAIN_S, refused
        return topic

    def refused(self) -> str:
        """What the broker does not take at present, for the status."""
        return "; ".join(
            f"the broker refused {topic}: {why}; it is sent again every {AGAIN_S:g} s"
            for topic, (_, why) in self._refused.items()
        )

    def heard(self, topic: str, payload: bytes) -> bool:
        """A message of a topic that is listened to; False for any other."""
        if topic not in self.listen:
            return False
        if payload:  # whoever takes it sees that it is too long by the byte that is too many
            with self._lock:
                self._heard[topic] = payload[: LONGEST_BYTES + 1]
        return True
