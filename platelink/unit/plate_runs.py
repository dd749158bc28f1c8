"""The record of plates: a run for each plate and each bake. Pure.

A plate is a run of its own without samples, a bake one with the oven's temperature each second.
"""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from platelink.control.procedure.outputs import BakeBegun, BakeOver, PlateNoted, PlateOver
from platelink.control.procedure.plan import PlatePlan
from platelink.link import messages as m
from platelink.sensing.readings import Reading
from platelink.unit.job import UnitSettings
from platelink.unit.outputs import EventNoted, RecordOp, RunBegun, RunClosed, RunSampled
from platelink.unit.sample_buffer import BAKE_BLOCK_S, BAKE_COLUMNS, SampleBuffer, run_channels
from platelink.unit.stamp import Stamp
from platelink.unit.values import PlateBegun

BAKE_SAMPLE_S = 0.95
"""Least time between two samples of a bake."""


def plate_request(plan: PlatePlan) -> dict[str, Any]:
    """The whole request, as it goes into the start of a plate's run and is taken up again from
    there."""
    told = {
        "film": plan.film,
        "on_bed": None if plan.on_bed is None else asdict(plan.on_bed),
        "ages": None if plan.ages is None else asdict(plan.ages),
    }
    return {
        "kind": "plate",
        "recipe": plan.recipe.content(),
        "revision": plan.revision,
        "hash": plan.content_hash,
        "lot": plan.lot,
        "area_cm2": plan.area_cm2,
        "findings": list(plan.findings),
        # As before there were such, where nobody told: made again, older plates stay the same.
        **{key: value for key, value in told.items() if value is not None},
    }


class PlateRuns:
    """See the file's first lines."""

    def __init__(self, settings: UnitSettings) -> None:
        self._n = len(settings.optics.light.channels)
        self.conditions = settings.conditions
        self._bakes: dict[str, SampleBuffer] = {}
        self._sampled_at = -math.inf

    @property
    def baking(self) -> bool:
        """A bake is recorded."""
        return bool(self._bakes)

    def take(
        self, output: PlateBegun | PlateNoted | BakeBegun | BakeOver | PlateOver, *, at: Stamp
    ) -> tuple[RecordOp, ...]:
        """What an output of the plates is in the record."""
        match output:
            case PlateBegun(plan):
                return (self._plate_begun(plan, at),)
            case PlateNoted(plate, noted):
                return (EventNoted(plate, at.utc_ms, noted.event, noted.text),)
            case BakeBegun():
                return (self._bake_begun(output, at),)
            case BakeOver():
                return self._bake_over(output, at)
            case PlateOver(plate, state, reason, data):
                return (RunClosed(plate, at.utc_ms, state, reason, data),)

    def _plate_begun(self, plan: PlatePlan, at: Stamp) -> RunBegun:
        return RunBegun(
            run_id=plan.plate,
            at_utc_ms=at.utc_ms,
            kind="plate",
            step="plate",
            operator=plan.who,
            plate=plan.plate,
            job=plan.job,
            note=plan.note,
            request=plate_request(plan),
            conditions=self.conditions,
            channels=(),
        )

    def _bake_begun(self, begun: BakeBegun, at: Stamp) -> RunBegun:
        self._bakes[begun.run_id] = self._buffer(begun.run_id, at)
        return RunBegun(
            run_id=begun.run_id,
            at_utc_ms=at.utc_ms,
            kind="bake",
            step=begun.step,
            operator=begun.who,
            plate=begun.plate,
            request={"kind": "bake", **begun.request},
            conditions=self.conditions,
            channels=run_channels(self._n, BAKE_COLUMNS),
        )

    def _bake_over(self, over: BakeOver, at: Stamp) -> tuple[RecordOp, ...]:
        buffer = self._bakes.pop(over.run_id, None)
        if buffer is None:  # its run could not be begun, or has ended in the record
            return ()
        last = buffer.take()
        closed = RunClosed(over.run_id, at.utc_ms, over.state, over.reason, over.data, buffer.gaps)
        return (last, closed) if last else (closed,)

    def drop(self, run_id: str) -> None:
        """The bake's run cannot be recorded; it is made without."""
        self._bakes.pop(run_id, None)

    def resume(self, run_id: str, last_ticks: int, *, at: Stamp) -> None:
        """Go on recording a bake whose run is open."""
        self._bakes[run_id] = self._buffer(run_id, at, last_ticks)

    def _buffer(self, run_id: str, at: Stamp, last_ticks: int = -1) -> SampleBuffer:
        return SampleBuffer(
            run_id, self._n, at=at, only=BAKE_COLUMNS, last_ticks=last_ticks, block_s=BAKE_BLOCK_S
        )

    def flush(self) -> tuple[RunSampled, ...]:
        """The samples in hand, because the process ends."""
        return tuple(block for buffer in self._bakes.values() if (block := buffer.take()))

    def device_restarted(self, tick: int, t: float) -> None:
        """The device counts anew."""
        for buffer in self._bakes.values():
            buffer.device_restarted(tick, t)

    def sample(self, sample: m.Sample, reading: Reading, tick_s: float) -> tuple[RunSampled, ...]:
        """Take a sample, if it is time for one."""
        if not self._bakes or reading.t - self._sampled_at < BAKE_SAMPLE_S:
            return ()
        self._sampled_at = reading.t
        out: list[RunSampled] = []
        for buffer in self._bakes.values():
            buffer.add(sample, reading, math.nan, tick_s, counting=False)
            out += buffer.due(reading.t)
        return tuple(out)
