"""A value that is dear to find out, kept for a while."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Generic, TypeVar

_T = TypeVar("_T")


class Lately(Generic[_T]):
    """One value; ``of`` finds it out anew when it is older than ``KEPT_S``."""

    KEPT_S = 600.0

    def __init__(self) -> None:
        self._known: tuple[float, _T] | None = None

    def of(self, find: Callable[[], _T]) -> _T:
        """The value, at most ``KEPT_S`` old."""
        now = time.monotonic()
        if self._known is None or now - self._known[0] > self.KEPT_S:
            self._known = now, find()
        return self._known[1]
