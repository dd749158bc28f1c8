"""All plates in flight: one exposure bed, and everything else side by side. Pure.

While one plate lies under the lamps, others are washed, dried, inspected; one that wants the bed
waits for it. The oven takes several plates and has one temperature.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from platelink.control.alarm_states import Condition
from platelink.control.procedure.plan import PlatePlan, StepDefaults, cannot_make
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.said import (
    Act,
    Asked,
    ExposureAsked,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.procedure.table import StepState
from platelink.control.states import Ended, State, earliest
from platelink.recipe.steps import ExposeStep

MAX_PLATES = 20
"""More than anyone has hands for: an error of whoever asks."""


class PlateRoom:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, unit: StepDefaults) -> None:
        self.unit = unit
        self.plates: dict[str, Plate] = {}
        """In flight, oldest first."""

    # --- what a face may ask ---------------------------------------------------------------

    def on_bed(self) -> str | None:
        """The plate under the lamps."""
        return next((name for name, plate in self.plates.items() if plate.on_bed), None)

    def waiting_for(self, plate: Plate, busy: str = "") -> tuple[str, ...]:
        """What a ready exposure waits for; ``busy`` says what else the lamps do."""
        if not (isinstance(plate.step, ExposeStep) and plate.present.state is StepState.READY):
            return ()
        on_bed = self.on_bed()
        if on_bed is not None:
            return (f"the exposure bed: plate {on_bed} is on it",)
        return (f"the exposure bed: {busy}",) if busy else ()

    def acts(self, plate: Plate, busy: str = "") -> tuple[Act, ...]:
        """What a person may do to a plate now, rights aside."""
        waits = self.waiting_for(plate, busy)
        return tuple(act for act in plate.acts() if not (waits and act is Act.BEGIN))

    def conditions(self) -> dict[str, Condition]:
        """What alarms want to know, by alarm: of several plates the one with the trouble."""
        found: dict[str, Condition] = {}
        for plate in self.plates.values():
            for condition in plate.conditions():
                if condition.active or condition.name not in found:
                    found[condition.name] = condition
        return found

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return earliest(*[plate.next_deadline() for plate in self.plates.values()])

    # --- what a person does ----------------------------------------------------------------

    def cannot_make(self, plan: PlatePlan) -> str:
        """Why this plate cannot be made here; empty when it can."""
        problems = list(cannot_make(plan.recipe, self.unit))
        if plan.plate in self.plates:
            problems.append(f"plate {plan.plate} is being made already; give it another name")
        if len(self.plates) >= MAX_PLATES:
            problems.append(f"{len(self.plates)} plates are in flight; end some first")
        return "; ".join(problems)

    def make(self, plan: PlatePlan, *, now: float) -> tuple[PlateOutput, ...]:
        """Take a plate up; refused as ``cannot_make`` says."""
        problem = self.cannot_make(plan)
        if problem:
            return (PlateRefused(problem),)
        plate = self.plates[plan.plate] = Plate(plan, self.unit, now=now)
        return plate.make()

    def withdraw(self, plate: str) -> None:
        """Forget a plate whose run cannot be recorded."""
        self.plates.pop(plate, None)

    def act(
        self, plate: str, asked: Asked, *, busy: str = "", now: float
    ) -> tuple[PlateOutput, ...]:
        """Do what a person asks of a plate."""
        found = self.plates.get(plate)
        if found is None:
            there = ", ".join(self.plates) or "none"
            return (PlateRefused(f"plate {plate} is not in flight; in flight: {there}"),)
        waits = self.waiting_for(found, busy)
        if waits and asked.act is Act.BEGIN:
            return (PlateRefused(f"plate {plate} waits for {waits[0]}"),)
        outputs = found.act(asked, now=now)
        if busy and any(isinstance(output, ExposureAsked) for output in outputs):
            return (PlateRefused(f"plate {plate} waits for the exposure bed: {busy}"),)
        return self._after(outputs)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self, *, now: float) -> tuple[PlateOutput, ...]:
        """Say what is due by time."""
        return self._each(plate.tick(now=now) for plate in tuple(self.plates.values()))

    def oven(self, oven_c: float | None, *, t: float, now: float) -> tuple[PlateOutput, ...]:
        """Take an oven temperature, measured at ``t``."""
        return self._each(plate.oven(oven_c, t=t, now=now) for plate in tuple(self.plates.values()))

    def exposure_begun(
        self, plate: str, run_id: str, asked: Asked, *, now: float
    ) -> tuple[PlateOutput, ...]:
        """The exposure a plate asked for begins."""
        return self._after(self.plates[plate].exposure_begun(run_id, asked, now=now))

    def exposure_moved(
        self, run_id: str, to: State, reason: str = "", *, now: float
    ) -> tuple[PlateOutput, ...]:
        """The exposure of a run is in another state, and why."""
        plate = self._of_run(run_id)
        return self._after(plate.exposure_moved(to, reason, now=now)) if plate else ()

    def exposure_ended(self, run_id: str, ended: Ended, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure of a run is over."""
        plate = self._of_run(run_id)
        return self._after(plate.exposure_ended(run_id, ended, now=now)) if plate else ()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, text: str, *, now: float
    ) -> tuple[PlateOutput, ...]:
        """What an exposure left by a program before us gave."""
        plate = self._of_run(run_id)
        if plate is None:
            return ()
        told = plate.exposure_recovered(run_id, dose_mj_cm2, uncertain_mj_cm2, text, now=now)
        return self._after(told)

    def _of_run(self, run_id: str) -> Plate | None:
        for plate in self.plates.values():
            if any(step.run_open and run_id == step.runs[-1] for step in plate.steps):
                return plate
        return None

    def _each(self, told: Iterable[tuple[PlateOutput, ...]]) -> tuple[PlateOutput, ...]:
        return self._after(tuple(output for outputs in told for output in outputs))

    def _after(self, outputs: tuple[PlateOutput, ...]) -> tuple[PlateOutput, ...]:
        for output in outputs:
            if isinstance(output, PlateOver):
                self.plates.pop(output.plate, None)
        return outputs

    # --- across a restart of the computer ----------------------------------------------------

    def snapshots(self, *, everything: bool = False) -> dict[str, dict[str, Any]]:
        """Snapshots of the plates that have changed since the last call, or of all."""
        return {
            name: plate.snapshot()
            for name, plate in self.plates.items()
            if everything or plate.changed
        }

    def resume(
        self, plan: PlatePlan, snapshot: Mapping[str, Any], *, down_s: float | None, now: float
    ) -> tuple[PlateOutput, ...]:
        """Take a plate up again; errors as ``Plate.from_snapshot``."""
        plate, outputs = Plate.from_snapshot(plan, self.unit, snapshot, down_s=down_s, now=now)
        self.plates[plan.plate] = plate
        return self._after(outputs)
