"""What plates and bakes say, as runs and events for the journal. Pure.

A plate is a run of its own without samples, a bake one with the oven's temperature each second.
"""

from __future__ import annotations

import math
from typing import Any

from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.said import (
    BakeBegun,
    BakeOver,
    PlateNoted,
    PlateOver,
)
from platelink.daemon.recording import (
    BAKE_COLUMNS,
    EventNoted,
    Recording,
    RecordOp,
    RunBegun,
    RunClosed,
    run_channels,
)
from platelink.link import messages as m
from platelink.sensing.readings import Reading

BAKE_SAMPLE_S = 0.95
"""Least time between two samples of a bake."""


def plate_request(plan: PlatePlan) -> dict[str, Any]:
    """All that was asked for, as it goes into the start of a plate's run and is taken up again
    from there."""
    return {
        "kind": "plate",
        "recipe": plan.recipe.content(),
        "revision": plan.revision,
        "hash": plan.content_hash,
        "lot": plan.lot,
        "area_cm2": plan.area_cm2,
        "findings": list(plan.findings),
    }


class PlateRecord:
    """See the file's first lines."""

    def __init__(self, light_channels: int, conditions: dict[str, object]) -> None:
        self._n = light_channels
        self._conditions = conditions
        self._bakes: dict[str, Recording] = {}
        self._sampled_at = -math.inf

    def plate_begun(self, plan: PlatePlan, at_utc_ms: int) -> RunBegun:
        """The run of a plate."""
        facts: dict[str, Any] = {
            "step": "plate",
            "operator": plan.who,
            "plate": plan.plate,
            "job": plan.job,
            "note": plan.note,
            "request": plate_request(plan),
            "conditions": self._conditions,
        }
        return RunBegun(plan.plate, at_utc_ms, facts, ())

    def take(
        self, output: PlateNoted | BakeBegun | BakeOver | PlateOver, *, now: float, at_utc_ms: int
    ) -> tuple[RecordOp, ...]:
        """What one output is in the record."""
        match output:
            case PlateNoted(plate, noted):
                return (EventNoted(plate, at_utc_ms, noted.name, noted.text, None, noted.data),)
            case BakeBegun():
                return (self._bake_begun(output, now, at_utc_ms),)
            case BakeOver():
                return self._bake_over(output, at_utc_ms)
            case PlateOver(plate, state, reason, data):
                return (RunClosed(plate, at_utc_ms, state, reason, data),)

    def _bake_begun(self, begun: BakeBegun, now: float, at_utc_ms: int) -> RunBegun:
        self._bakes[begun.run_id] = Recording(
            begun.run_id, self._n, now=now, at_utc_ms=at_utc_ms, only=BAKE_COLUMNS
        )
        facts: dict[str, Any] = {
            "step": begun.step,
            "operator": begun.who,
            "plate": begun.plate,
            "request": {"kind": "bake", **begun.request},
            "conditions": self._conditions,
        }
        return RunBegun(begun.run_id, at_utc_ms, facts, run_channels(self._n, BAKE_COLUMNS))

    def _bake_over(self, over: BakeOver, at_utc_ms: int) -> tuple[RecordOp, ...]:
        recording = self._bakes.pop(over.run_id, None)
        if recording is None:  # its run could not be begun, or has ended in the record
            return ()
        last = recording.take()
        closed = RunClosed(
            over.run_id, at_utc_ms, over.state, over.reason, over.data, recording.gaps
        )
        return (last, closed) if last else (closed,)

    def drop(self, run_id: str) -> None:
        """The bake's run cannot be recorded; it is made without."""
        self._bakes.pop(run_id, None)

    def resume(self, run_id: str, last_ticks: int, *, now: float, at_utc_ms: int) -> None:
        """Go on recording a bake whose run is open."""
        self._bakes[run_id] = Recording(
            run_id,
            self._n,
            now=now,
            at_utc_ms=at_utc_ms,
            only=BAKE_COLUMNS,
            last_ticks=last_ticks,
        )

    def device_restarted(self, tick: int, t: float) -> None:
        """The device counts anew."""
        for recording in self._bakes.values():
            recording.device_restarted(tick, t)

    def add(self, sample: m.Sample, reading: Reading, tick_s: float) -> tuple[RecordOp, ...]:
        """Take a sample, if it is time for one."""
        if not self._bakes or reading.t - self._sampled_at < BAKE_SAMPLE_S:
            return ()
        self._sampled_at = reading.t
        out: list[RecordOp] = []
        for recording in self._bakes.values():
            recording.add(sample, reading, math.nan, tick_s, counting=False)
            out += [block for block in (recording.take(),) if block]
        return tuple(out)
