"""The plates in progress as a part of the unit: their exposures, and their snapshots. Pure."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from platelink.control.procedure.in_flight import PlatesInFlight
from platelink.control.procedure.outputs import (
    BakeBegun,
    BakeOver,
    ExposureAct,
    ExposureRequested,
    PlateNoted,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import Send, State
from platelink.control.steps.unswitched import Temperatures
from platelink.sensing.readings import Reading
from platelink.unit.job import Job, UnitSettings
from platelink.unit.outputs import PLATE_SNAPSHOT, Refused
from platelink.unit.stamp import Stamp
from platelink.unit.values import ExposureEnded, ExposureMoved, PlateBegun

SNAPSHOT_S = 1.0
"""How often a snapshot of what goes on in plates is taken: what a crash may cost of their times."""
TEMPERATURES_S = 0.45
"""Least time between two temperatures given to the plates."""


UnitPlatesOutput = (
    Send | Job | ExposureAct | Refused | PlateBegun | PlateNoted | BakeBegun | BakeOver | PlateOver
)


class UnitPlates:
    """See the file's first line."""

    def __init__(self, settings: UnitSettings) -> None:
        self.in_flight = PlatesInFlight(replace(settings.steps, own_lamps=settings.advisory))
        self._temperatures_at = -math.inf
        self._snapshot_at = -math.inf
        self._over: list[str] = []
        """Names of snapshots to be taken away."""

    # --- what others ask -------------------------------------------------------------------

    def bed_taken(self, job: Job) -> str:
        """Why the bed is not free for an exposure because of a plate; empty when it is."""
        on_bed = self.in_flight.on_bed()
        if on_bed is None or (job.for_act is not None and on_bed == job.plate):
            return ""
        return f"plate {on_bed} is on the exposure bed; end its step first"

    def light_over(self) -> str:
        """Why light of a process before us is to be ended: its plate was stopped meanwhile."""
        on_bed = self.in_flight.on_bed()
        plate = self.in_flight.plates[on_bed] if on_bed is not None else None
        over = plate is not None and plate.cut and plate.state in (State.STOPPING, State.ABORTING)
        return f"plate {on_bed} is {plate.state}" if over and plate is not None else ""

    # --- what a person does ----------------------------------------------------------------

    def make(self, plan: PlatePlan, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """Take a plate up."""
        problem = self.in_flight.cannot_make(plan)
        if problem:
            return (Refused(problem),)
        return (PlateBegun(plan), *self._from(self.in_flight.make(plan, now=at.now)))

    def act(
        self, plate: str, request: PlateRequest, *, busy: str, overdue: tuple[str, ...],
        accept_overdue: bool, at: Stamp,
    ) -> tuple[UnitPlatesOutput, ...]:  # fmt: skip
        """Do what a person asks of a plate; ``busy`` says why the bed is not free."""
        outputs = self.in_flight.act(plate, request, busy=busy, now=at.now)
        return self._from(outputs, overdue, accept_overdue)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """Run what is due."""
        return self._from(self.in_flight.tick(now=at.now))

    def temperatures(self, reading: Reading, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """Take a reading, if it is time for temperatures."""
        if reading.t - self._temperatures_at < TEMPERATURES_S:
            return ()
        self._temperatures_at = reading.t
        found = Temperatures(reading.oven_c, reading.water_c, reading.oven_t)
        return self._from(self.in_flight.temperatures(found, t=reading.t, now=at.now))

    def exposure_begun(self, job: Job, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """An exposure begins."""
        if job.for_act is None or job.plate is None:
            return ()
        return self._from(
            self.in_flight.exposure_begun(job.plate, job.run_id, job.for_act, now=at.now)
        )

    def exposure_moved(self, moved: ExposureMoved, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """The exposure is in another state."""
        return self._from(
            self.in_flight.exposure_moved(moved.run_id, moved.to, moved.reason, now=at.now)
        )

    def exposure_ended(self, ended: ExposureEnded, *, at: Stamp) -> tuple[UnitPlatesOutput, ...]:
        """The exposure is over."""
        return self._from(self.in_flight.exposure_ended(ended.run_id, ended.ended, now=at.now))

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, doubtful_mj_cm2: float,
        text: str, *, at: Stamp,
    ) -> tuple[UnitPlatesOutput, ...]:  # fmt: skip
        """What an exposure left by a process before us gave."""
        return self._from(
            self.in_flight.exposure_recovered(
                run_id, dose_mj_cm2, uncertain_mj_cm2, doubtful_mj_cm2, text, now=at.now
            )
        )

    def resume(
        self, plan: PlatePlan, snapshot: Mapping[str, Any], *,
        down_s: float | None, away_s: float | None, at: Stamp,
    ) -> tuple[UnitPlatesOutput, ...]:  # fmt: skip
        """Take a plate up again; errors as ``PlatesInFlight.resume``."""
        return self._from(
            self.in_flight.resume(plan, snapshot, down_s=down_s, away_s=away_s, now=at.now)
        )

    # --- across a restart of the computer --------------------------------------------------

    def snapshots(self, *, now: float) -> dict[str, Any]:
        """Snapshots that have changed, or are old where time matters; None for a plate over."""
        timed = False
        if now >= self._snapshot_at:
            self._snapshot_at = now + SNAPSHOT_S
            timed = any(plate.timed for plate in self.in_flight.plates.values())
        found = self.in_flight.snapshots(everything=timed)
        if not (found or self._over):
            return {}
        values: dict[str, Any] = dict.fromkeys(self._over)
        self._over.clear()
        for name, snapshot in found.items():
            values[PLATE_SNAPSHOT + name] = snapshot
        return values

    # --- what plates say -------------------------------------------------------------------

    def _from(
        self, outputs: tuple[PlateOutput, ...], overdue: tuple[str, ...] = (),
        accept_overdue: bool = False,
    ) -> tuple[UnitPlatesOutput, ...]:  # fmt: skip
        return tuple(self._one(output, overdue, accept_overdue) for output in outputs)

    def _one(
        self, output: PlateOutput, overdue: tuple[str, ...], accept_overdue: bool
    ) -> UnitPlatesOutput:
        match output:
            case ExposureRequested():
                return self._job(output, overdue, accept_overdue)
            case PlateRefused():
                return Refused(output.text)
            case PlateOver():
                self._over.append(PLATE_SNAPSHOT + output.plate)
        return output

    def _job(
        self, wanted: ExposureRequested, overdue: tuple[str, ...], accept_overdue: bool
    ) -> Job:
        request, exposure = wanted.request, wanted.exposure
        plan = self.in_flight.plates[wanted.plate].plan
        off_pct = plan.dither_pct(wanted.step)
        return Job(
            run_id=request.run_id, step=wanted.step, request=exposure, operator=request.who,
            plate=wanted.plate, job=plan.job, on_bed=plan.on_bed, overdue=overdue,
            accept_overdue=accept_overdue,
            recorded_request={
                "revision": plan.revision, "dose_mj_cm2": exposure.target_dose_mj_cm2,
                **({"dither_pct": off_pct} if off_pct else {}),
                **({"on_bed": asdict(plan.on_bed)} if plan.on_bed else {}),
            },
            for_act=request,
        )  # fmt: skip
