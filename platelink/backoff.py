"""Pauses between tries: longer after each failure, up to a cap. Pure."""

from __future__ import annotations


class Backoff:
    """Counts failures in a row; the pause grows from ``first_s`` by ``factor`` up to ``cap_s``."""

    def __init__(self, first_s: float, cap_s: float, factor: float = 2.0) -> None:
        self._first_s = first_s
        self._cap_s = cap_s
        self._factor = factor
        self.failures = 0

    def failed(self) -> float:
        """One more failure; seconds until the next try."""
        # the power is bounded: it must be beyond any cap and still a float
        grown_s = self._first_s * self._factor ** min(self.failures, 40)
        self.failures += 1
        return min(grown_s, self._cap_s)

    def succeeded(self) -> None:
        """The next failure is the first again."""
        self.failures = 0
