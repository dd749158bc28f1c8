"""All plates in progress: one exposure bed, and everything else side by side. Pure.

While one plate lies under the lamps, others are washed, dried, inspected; one that wants the bed
waits for it. The oven takes several plates and has one temperature.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.alarm.states import Condition, Of
from platelink.control.procedure.exposing import ExposureWork
from platelink.control.procedure.kinds import cannot_make
from platelink.control.procedure.outputs import (
    ExposureRequested,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.table import StepState
from platelink.control.states import Ended, State, earliest
from platelink.control.steps.unswitched import Temperatures

MAX_PLATES = 20
"""More than anyone has hands for: an error of whoever asks."""


class PlatesInFlight:
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
        if plate.work.exposure is None or plate.present.state is not StepState.READY:
            return ()
        on_bed = self.on_bed()
        if on_bed is not None:
            return (f"the exposure bed: plate {on_bed} is on it",)
        return (f"the exposure bed: {busy}",) if busy else ()

    def acts(self, plate: Plate, busy: str = "") -> tuple[PlateAct, ...]:
        """What a person may do to a plate now, rights aside."""
        waits = self.waiting_for(plate, busy)
        return tuple(act for act in plate.acts() if not (waits and act is PlateAct.BEGIN))

    def conditions(self) -> dict[str, Condition]:
        """What alarms want to know, by alarm: of several plates the one with the trouble."""
        found: dict[str, Condition] = {}
        for plate in self.plates.values():
            of = Of(plate.present.runs[-1] if plate.present.runs else None, plate.plan.plate)
            for condition in plate.work.conditions():
                if condition.active or condition.name not in found:
                    found[condition.name] = Condition(
                        condition.alarm, condition.active, condition.value, condition.limit, of
                    )
        return found

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        first = None
        for plate in self.plates.values():
            first = earliest(first, plate.work.next_deadline())
        return first

    # --- what a person does ----------------------------------------------------------------

    def cannot_make(self, plan: PlatePlan) -> str:
        """Why this plate cannot be made here; empty when it can."""
        problems = list(cannot_make(plan.recipe, self.unit))
        if plan.plate in self.plates:
            problems.append(f"plate {plan.plate} is already in progress; choose another name")
        if len(self.plates) >= MAX_PLATES:
            problems.append(f"{len(self.plates)} plates are in progress; end some first")
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
        self, plate: str, request: PlateRequest, *, busy: str = "", now: float
    ) -> tuple[PlateOutput, ...]:
        """Do what a person asks of a plate."""
        found = self.plates.get(plate)
        if found is None:
            there = ", ".join(self.plates) or "none"
            return (PlateRefused(f"plate {plate} is not in progress; in progress: {there}"),)
        waits = self.waiting_for(found, busy)
        if waits and request.act is PlateAct.BEGIN:
            return (PlateRefused(f"plate {plate} waits for {waits[0]}"),)
        outputs = found.act(request, now=now)
        if busy and any(isinstance(output, ExposureRequested) for output in outputs):
            return (PlateRefused(f"plate {plate} waits for the exposure bed: {busy}"),)
        return self._after(outputs)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self, *, now: float) -> tuple[PlateOutput, ...]:
        """Say what is due by time."""
        return self._each(plate.tick(now=now) for plate in tuple(self.plates.values()))

    def temperatures(self, found: Temperatures, *, t: float, now: float) -> tuple[PlateOutput, ...]:
        """Take temperatures, measured at ``t``."""
        plates = tuple(self.plates.values())
        return self._each(plate.temperatures(found, t=t, now=now) for plate in plates)

    def exposure_begun(
        self, plate: str, run_id: str, request: PlateRequest, *, now: float
    ) -> tuple[PlateOutput, ...]:
        """The exposure a plate asked for begins."""
        exposure = self.plates[plate].work.exposure
        if exposure is None:
            raise AssertionError(f"{plate} is not at an exposure")
        return self._after(exposure.begun(run_id, request, now=now))

    def exposure_moved(
        self, run_id: str, to: State, reason: str = "", *, now: float
    ) -> tuple[PlateOutput, ...]:
        """The exposure of a run is in another state, and why."""
        exposure = self._exposure(run_id)
        return self._after(exposure.moved(to, reason, now=now)) if exposure else ()

    def exposure_ended(self, run_id: str, ended: Ended, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure of a run is over."""
        exposure = self._exposure(run_id)
        return self._after(exposure.ended(ended, now=now)) if exposure else ()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, doubtful_mj_cm2: float,
        text: str, *, now: float,
    ) -> tuple[PlateOutput, ...]:  # fmt: skip
        """What an exposure gave that was not seen to its end; once more, when its device answers
        late."""
        exposure = self._exposure(run_id) or self._exposure(run_id, ended=True)
        if exposure is None:
            return ()
        return self._after(
            exposure.recovered(dose_mj_cm2, uncertain_mj_cm2, doubtful_mj_cm2, text, now=now)
        )

    def _exposure(self, run_id: str, *, ended: bool = False) -> ExposureWork | None:
        """The step whose newest exposure that is."""
        works = (work.exposure for plate in self.plates.values() for work in plate.works)
        exposures = (each for each in works if each is not None)
        is_it = ExposureWork.gave_in if ended else ExposureWork.made_in
        return next((each for each in exposures if is_it(each, run_id)), None)

    def _each(self, each: Iterable[tuple[PlateOutput, ...]]) -> tuple[PlateOutput, ...]:
        return self._after(tuple(output for outputs in each for output in outputs))

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
            if everything or plate.progress.changed
        }

    def resume(
        self, plan: PlatePlan, snapshot: Mapping[str, Any], *,
        down_s: float | None, away_s: float | None, now: float,
    ) -> tuple[PlateOutput, ...]:  # fmt: skip
        """Take a plate up again; errors as ``Plate.from_snapshot``."""
        plate, outputs = Plate.from_snapshot(
            plan, self.unit, snapshot, down_s=down_s, away_s=away_s, now=now
        )
        self.plates[plan.plate] = plate
        return self._after(outputs)
