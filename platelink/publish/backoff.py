"""Pauses between tries: doubling up to a cap. Pure."""

from __future__ import annotations


class Backoff:
    """Counts failures in a row; ``first_s`` and ``cap_s`` bound the pause after each."""

    def __init__(self, first_s: float, cap_s: float) -> None:
        self._first_s = first_s
        self._cap_s = cap_s
        self.failures = 0

    def failed(self, *, now: float) -> float:
        """One more failure; the time of the next try."""
        doubled = self._first_s * 2.0 ** min(self.failures, 30)
        self.failures += 1
        return now + min(doubled, self._cap_s)

    def succeeded(self) -> None:
        self.failures = 0
