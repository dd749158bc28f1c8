"""Memory of a process that runs for years: what its start needed is given back.

By glibc's own means (mallopt(3), malloc_trim(3)); elsewhere nothing is done.
"""

from __future__ import annotations

import ctypes

_M_ARENA_MAX = -8


def one_arena() -> None:
    """All threads allocate from one heap, before any is started: else each keeps the peak of its
    own. Ours wait for each other's disk and sockets, never for memory."""
    _call("mallopt", _M_ARENA_MAX, 1)


def give_back() -> None:
    """What is free goes back to the system. It takes some ms, so not while there is light."""
    _call("malloc_trim", 0)


def _call(name: str, *values: int) -> None:
    function = getattr(ctypes.CDLL(None), name, None)
    if function is not None:
        function(*values)
