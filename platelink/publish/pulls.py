"""What a recorder has asked of one stream of a cluster, and when it may ask again. Pure."""

from __future__ import annotations

from dataclasses import dataclass

PULL_S = 10.0
"""How long the cluster answers one request."""
PULL_AGAIN_S = 1.0
"""After a refusal: its leader has gone, and there will be another one."""
_NO_MORE = ("404", "408")
"""There are no messages, the request has expired."""


@dataclass(slots=True)
class Pull:
    """One stream that a recorder takes from."""

    stream: str
    inbox: str
    asked: int = 0
    """Messages that are on their way, at most."""
    asked_at: float = 0.0
    not_before: float = 0.0
    """To ask again."""
    refused: bool = False
    """Why is being looked after."""

    def came(self) -> None:
        """A message of the stream."""
        self.asked = max(0, self.asked - 1)

    def ended(self, status: str, *, now: float) -> bool:
        """The cluster says that there are no more; True where it refuses, and why is to be looked
        after: its leader has gone, or this place, or the stream."""
        self.asked = 0
        if status in _NO_MORE:
            self.not_before = now
            return False
        self.not_before = now + PULL_AGAIN_S
        new, self.refused = not self.refused, True
        return new

    def due(self, *, now: float) -> bool:
        """Nothing is on its way: all has come, or the answer has not."""
        unanswered = self.asked > 0 and now - self.asked_at > PULL_S + PULL_AGAIN_S
        return (self.asked == 0 and now >= self.not_before) or unanswered
