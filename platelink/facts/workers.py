"""Samples digested by other processes beside the one that reads and writes."""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager

from platelink.facts.digest import Digest, digest
from platelink.record.rows import PackedRun

Digesting = Callable[[Sequence[PackedRun]], Callable[[], list[Digest]]]
"""Gets some runs, and gives what gives their digests once they are wanted."""
_YIELDS = 5
"""How much other work goes first (``os.nice``): the daemon may run on the same cores."""


def cores() -> int:
    """Processes that have a core to themselves; none where there is but one core."""
    count = len(os.sched_getaffinity(0))
    return count if count > 1 else 0


def here(runs: Sequence[PackedRun]) -> Callable[[], list[Digest]]:
    """In this process, at once."""
    found = _each(runs)
    return lambda: found


@contextmanager
def beside(processes: int) -> Iterator[Digesting]:
    """By so many processes; by this one where there are none, or one of them was killed."""
    if not processes:
        yield here
        return
    # What is forked from this process would have its threads' locks, but not its threads.
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload([__name__])
    pool = ProcessPoolExecutor(processes, context, _begin)

    def digesting(runs: Sequence[PackedRun]) -> Callable[[], list[Digest]]:
        try:
            coming = pool.submit(_each, runs)
        except BrokenProcessPool:
            return here(runs)

        def found() -> list[Digest]:
            try:
                return coming.result()
            except BrokenProcessPool:
                return here(runs)()

        return found

    try:
        yield digesting
    finally:
        pool.shutdown(cancel_futures=True)


def _each(runs: Sequence[PackedRun]) -> list[Digest]:
    return [digest(run) for run in runs]


def _begin() -> None:
    """As a worker begins."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one who reads and writes ends it
    os.nice(_YIELDS)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    """A killed parent closes nothing: its workers would wait for work for ever."""
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)
