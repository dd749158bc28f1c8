"""What the core says, written into the journal: one commit for each step of the story."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from pydantic import JsonValue

from platelink.contract.uncertainty import Uncertainty, UncertaintyLine
from platelink.ledger.by import from_ms
from platelink.record.errors import JournalError, JournalRefused
from platelink.record.writer import JournalWriter
from platelink.runs import RunChannels, RunEvent, RunStart
from platelink.sensing.budget import Budget
from platelink.unit.outputs import (
    CoreOutput,
    EventNoted,
    RunBegun,
    RunClosed,
    RunEnded,
    RunSampled,
    Snapshots,
)


class Journaling:
    """See the file's first line. ``now`` is host monotonic seconds."""

    def __init__(self, writer: JournalWriter, unit: str) -> None:
        self.writer = writer
        self.unit = unit
        self.refused = ""
        """What the journal last refused; empty while it contradicted nothing."""
        self._slots: list[int | None] = []
        """Of the runs that begin with the present commit."""

    def write(self, outputs: Sequence[CoreOutput], *, now: float) -> tuple[str, ...]:
        """Write all as one commit, now or when the disk can take it. JournalError or ValueError:
        a run cannot begin, and nothing of them was written. But a bake is in the oven already: it
        is led on without its curve, and its run is among those returned."""
        try:
            self._write(outputs, now)
        except JournalError:
            bakes = [o for o in outputs if isinstance(o, RunBegun) and o.kind == "bake"]
            if not bakes:
                raise
            self._write([o for o in outputs if o not in bakes], now)
            return tuple(bake.run_id for bake in bakes)
        return ()

    def _write(self, outputs: Sequence[CoreOutput], now: float) -> None:
        begins = any(isinstance(output, RunBegun) for output in outputs)
        self._slots.clear()
        try:
            with self.writer.together(now=now):
                for output in outputs:
                    self._give(output, now)
        except JournalRefused as error:
            if begins:
                raise
            self.refused = str(error)  # a fault of ours: shown, but the unit is served on

    def _give(self, output: CoreOutput, now: float) -> None:
        match output:
            case RunBegun():
                self._begin(output, now)
            case RunSampled():
                stamp = from_ms(int(output.block.at_utc_ms[-1]))
                self.writer.append_samples(output.run_id, output.block, stamp, now=now)
            case EventNoted():
                self.writer.append(self._event(output), now=now)
            case RunEnded() | RunClosed():
                at_utc = from_ms(output.at_utc_ms)
                self.writer.end_run(output.run_id, at_utc, now=now, **end_of(output))
            case Snapshots():
                self.writer.keep(output.values, at_utc=from_ms(output.at_utc_ms), now=now)

    def _begin(self, begun: RunBegun, now: float) -> None:
        at_utc = from_ms(begun.at_utc_ms)
        slot = self.writer.journal.free_slot(begun.kind, begun.at_utc_ms, self._slots)
        if begun.kind != "plate":
            self._slots.append(slot)
        start = RunStart(
            id=self.writer.next_id(),
            run_id=begun.run_id,
            unit=self.unit,
            at_utc=at_utc,
            step=begun.step,
            operator=begun.operator,
            plate=begun.plate,
            job=begun.job,
            note=begun.note,
            target_dose_mj_cm2=begun.target_dose_mj_cm2,
            slot=slot,
            request=begun.request,
            conditions=begun.conditions,
        )
        self.writer.append(start, now=now)
        if begun.channels:
            channels = RunChannels(
                id=self.writer.next_id(),
                run_id=begun.run_id,
                unit=self.unit,
                at_utc=at_utc,
                channels=begun.channels,
            )
            self.writer.append(channels, now=now)

    def _event(self, event: EventNoted) -> RunEvent:
        return RunEvent(
            id=self.writer.next_id(),
            run_id=event.run_id,
            unit=self.unit,
            at_utc=from_ms(event.at_utc_ms),
            name=event.name,
            text=event.text,
            ticks=event.ticks,
            data={k: v for k, v in event.data.items() if v == v},  # noqa: PLR0124 -- drops NaN
        )


def end_of(run: RunEnded | RunClosed) -> dict[str, Any]:
    """What the record says of a run's end."""
    if isinstance(run, RunClosed):
        return {
            "state": str(run.state), "reason": run.reason, "gaps": run.gaps, "data": run.data
        }  # fmt: skip
    ended, told = run.ended, _told(run.budget)
    return {
        "state": str(ended.state), "reason": ended.reason, "dose_mj_cm2": ended.dose_mj_cm2,
        "device_dose_mj_cm2": ended.device_dose_mj_cm2, "light_s": ended.light_s,
        "gaps": run.gaps,
        "data": {
            name: value
            for name in ("uncertain_mj_cm2", "doubtful_mj_cm2")
            if (value := getattr(ended, name))
        }
        | ({"uncertainty": told} if told is not None else {})
        | ({"lamps": run.lamps} if run.lamps else {}),
    }  # fmt: skip


def _told(found: Budget | None) -> dict[str, JsonValue] | None:
    """The budget as it is recorded with the end of its exposure."""
    if found is None:
        return None
    plate, meter = found.plate, found.meter
    return Uncertainty(
        plate_to_plate_pct=plate.expanded,
        against_meter_pct=meter.expanded,
        plate_to_plate_dof=_finite(plate.dof),
        against_meter_dof=_finite(meter.dof),
        plate_to_plate_holds_pct=100.0 * plate.coverage,
        against_meter_holds_pct=100.0 * meter.coverage,
        assumed=found.assumed,
        lines=tuple(
            UncertaintyLine(
                name=line.name, channel=line.channel, value=line.value, unit=line.unit,
                distribution=str(line.shape), dof=_finite(line.dof), source=str(line.source),
                sensitivity=line.sensitivity, plate_sensitivity=line.plate_sensitivity,
                u_pct=abs(line.of_meter().part), plate_u_pct=abs(line.of_plate().part),
            )
            for line in found.lines
        ),
    ).model_dump(mode="json")  # fmt: skip


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) else None
