"""Slots: what samples carry in a time-series store instead of the name of their run. Pure.

A few numbers serve all runs, so that a store has as few series after years as on the first day. Two
runs of one slot never share times: a slot is free when no open run has it and its newest sample is
older than what is to begin, so that a clock that was set back moves on to another slot.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from typing import Final

from platelink.record.known import Known
from platelink.runs import SLOTS

SNAPSHOT: Final = "slots"
"""Name of the kept state: the time of each slot's newest sample, of runs that have ended."""
MARGIN_MS: Final = 1000
"""The first sample of a run may have been measured so long before its start."""
_FIRST: Final = {"expose": 0}
_OTHER: Final = 1
Kept = Mapping[str, tuple[int, str]]
"""By name: time in ms and text."""


def first_free(
    kind: str, at_ms: int, runs: Iterable[Known], kept: Kept, *, beside: Collection[int | None] = ()
) -> int | None:
    """The slot of a run of this kind that begins at ``at_ms``: 0 for an exposure and from 1 on for
    a bake, as a rule; None if there is none. ``runs`` are open, ``kept`` is the kept state,
    ``beside`` has the slots of what begins with it. A plate has no samples and needs none."""
    if kind == "plate":
        return 0
    taken = {run.start.slot for run in runs if run.start.run_kind != "plate"} | set(beside)
    newest = _read(kept)
    for slot in range(_FIRST.get(kind, _OTHER), SLOTS):
        if slot not in taken and newest.get(slot, -1) < at_ms - MARGIN_MS:
            return slot
    return None


def after(run: Known, kept: Kept) -> dict[str, str | None]:
    """What is to be kept when this run ends."""
    slot, last_ms = run.start.slot, run.last_ms
    newest = _read(kept)
    if slot is None or last_ms is None:
        return {}
    newest[slot] = max(last_ms, newest.get(slot, -1))
    return {SNAPSHOT: json.dumps(newest)}


def _read(kept: Kept) -> dict[int, int]:
    """By slot. Where it cannot be read nothing is known of the past, and a clock set back by more
    than a minute may make times fall together (``publish/times.py`` keeps apart what is nearer)."""
    try:
        told = json.loads(kept.get(SNAPSHOT, (0, "{}"))[1])
        return {int(slot): int(ms) for slot, ms in told.items()}
    except (ValueError, TypeError, AttributeError, OverflowError):
        return {}
