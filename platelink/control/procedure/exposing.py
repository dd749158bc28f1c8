"""An expose step: the unit makes its exposures, the step follows. Pure.

A step may take several: one that is cut short by a crash is followed by one with the remainder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.alarm.states import Condition
from platelink.control.contact.contact import ContactLimits
from platelink.control.light.request import PLAIN, ExposureRequest, Reciprocity
from platelink.control.procedure.outputs import ExposureAct, ExposureRequested, PlateOutput
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.progress import Progress, StepMemory
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.step_status import ExposurePart, StepStatus
from platelink.control.procedure.table import BEGUN, Move, StepState
from platelink.control.states import ENDED, Ended, State
from platelink.control.steps.unswitched import Temperatures
from platelink.events.steps import ExposureRecovered
from platelink.recipe.model import Recipe
from platelink.recipe.steps import ExposeStep

LEAST_REMAINDER = 1e-3
"""Share of the dose below which a remainder is none: less than the device can close to."""


def lacks_vacuum(step: ExposeStep, unit: StepDefaults) -> str:
    """What the unit lacks for the step; empty when nothing."""
    if step.contact is None:
        return ""
    if unit.has_vacuum:
        problem = unit.vacuum_problem(step.contact.low_kpa, step.contact.high_kpa)
        return problem and f"step {step.name}: {problem}"
    return (
        f"step {step.name} needs contact vacuum; configure [vacuum], or use a recipe "
        "with contact = false"
    )


class ExposureWork:
    """See the file's first lines; a ``StepWork``. ``now`` is host monotonic seconds."""

    untimed = False

    def __init__(
        self, step: ExposeStep, memory: StepMemory, progress: Progress, unit: StepDefaults
    ) -> None:
        self.step = step
        self.memory = memory
        self._progress = progress
        self._unit = unit
        self._skipping: PlateRequest | None = None
        """The step is left out once its exposure has ended."""
        self._ending = False
        """A person has asked for the end of the exposure."""

    @property
    def exposure(self) -> ExposureWork:
        """Itself: it needs the bed."""
        return self

    @property
    def on_bed(self) -> bool:
        """The plate lies under the lamps: the exposure has begun and is not over."""
        return self.memory.state in BEGUN

    @property
    def cut(self) -> bool:
        """The newest exposure was made by a program before us; what it gave is not known yet."""
        return self.on_bed and self.memory.cut

    @property
    def live(self) -> bool:
        """An exposure that this program makes belongs to it."""
        return self.on_bed and self.memory.run_open and not self.memory.cut

    def made_in(self, run_id: str) -> bool:
        """``run_id`` is its newest exposure, which has not ended yet."""
        return self.memory.run_open and run_id == self.memory.runs[-1]

    def gave_in(self, run_id: str) -> bool:
        """``run_id`` is its newest exposure, and it is known what was counted for it."""
        known = not self.memory.run_open and self.memory.newest_mj_cm2 is not None
        return known and run_id == self.memory.runs[-1]

    def status(self) -> StepStatus:
        contact = _contact_limits(self.step, self._unit)
        return StepStatus(exposure=ExposurePart(self.step, self.memory.dose_mj_cm2, contact))

    def conditions(self) -> tuple[Condition, ...]:
        return ()

    def next_deadline(self) -> float | None:
        return None

    # --- what a person asks ----------------------------------------------------------------

    def acts(self, possible: frozenset[PlateAct]) -> frozenset[PlateAct]:
        withheld = {PlateAct.RESTART} if self.cut else set()
        if self.cut and self.memory.state is StepState.HOLDING:
            possible |= {PlateAct.HOLD}  # its light may still be on
        if self._unit.own_lamps:
            withheld.add(PlateAct.HOLD)
        return possible - withheld

    def begin(self, request: PlateRequest) -> None:
        """The exposure of the step, or what is left of it; nothing moves before it begins."""
        step, given = self.step, self.memory.dose_mj_cm2
        if step.dose_mj_cm2 - given <= LEAST_REMAINDER * step.dose_mj_cm2:
            self._complete()
            return
        law = _reciprocity(self._progress.plan.recipe)
        wanted = _exposure_request(step, self._unit, law, delivered_mj_cm2=given)
        self._progress.emit(
            ExposureRequested(self._progress.plan.plate, step.name, wanted, request)
        )

    def act(self, request: PlateRequest, move: Move) -> None:
        why = request.reason or f"asked by {request.who}"
        if self.live:
            self._progress.note_request(request)
            self._ending = self._ending or request.act in (PlateAct.STOP, PlateAct.ABORT)
            self._progress.emit(ExposureAct(request.act, why))
        elif request.act is PlateAct.RESTART:
            self.begin(request)
        elif self.memory.state in (StepState.READY, StepState.HELD):
            self._progress.leave(move, request)
        else:  # cut: the lamp may still be on; what it gave comes by ``recovered``
            if move is Move.HOLD:
                self._progress.note_request(request)
            else:
                self._progress.move(move, request)
            self._progress.emit(ExposureAct(request.act, why))

    def do(self, request: PlateRequest) -> None:
        """Nothing: light is given, not confirmed."""

    def skip(self, request: PlateRequest) -> None:
        if self.live:
            self._skipping = request
            self._progress.emit(ExposureAct(PlateAct.STOP, f"skipped: {request.reason.strip()}"))
        else:
            self._progress.leave(Move.SKIP, request)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self) -> None:
        """Nothing: an exposure has its own time."""

    def temperatures(self, found: Temperatures, *, t: float) -> None:
        """Nothing to the light."""

    def begun(self, run_id: str, request: PlateRequest, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure asked for has its run and begins now."""
        self._progress.at(now)
        self.memory.runs.append(run_id)
        self.memory.run_open = True
        self._ending = False
        held = self.memory.state is StepState.HELD
        self._progress.move(Move.RESTART if held else Move.BEGIN, request, run_id=run_id)
        return self._progress.take()

    def moved(self, to: State, reason: str = "", *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is in another state; its end comes by ``ended``."""
        self._progress.at(now)
        moved = self.live and to not in ENDED and StepState(to) is not self.memory.state
        if moved and not (to is State.STOPPING and self._ran_out()):
            self._progress.follow(StepState(to), reason=reason)
        return self._progress.take()

    def ended(self, ended: Ended, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is over."""
        self._progress.at(now)
        more, less = ended.uncertain_mj_cm2, ended.doubtful_mj_cm2
        self._add(ended.dose_mj_cm2 + (more - less) / 2.0, (more + less) / 2.0, ended.light_s)
        if self.on_bed:
            skipping, self._skipping = self._skipping, None
            if skipping is not None:
                self._compare()
                self._progress.leave(Move.SKIP, skipping)
            elif ended.state is State.COMPLETE:
                self._complete()
            else:
                self._ended_early(ended.state is State.ABORTED, ended.reason)
        return self._progress.take()

    def _ended_early(self, aborted: bool, reason: str) -> None:
        progress, state = self._progress, self.memory.state
        if not aborted and self._ran_out():
            progress.move(Move.HOLD, reason=reason)
            self._go_on()
            return
        if state is StepState.HELD:
            progress.leave(Move.ABORT if aborted else Move.STOP, reason=reason)
            return
        passing = StepState.ABORTING if aborted else StepState.STOPPING
        if state is not passing:
            progress.follow(passing)
        progress.leave(Move.REST, reason=reason)

    def _ran_out(self) -> bool:
        """A unit's own timer may end light too soon, which is no reason to lose the plate."""
        return self._unit.own_lamps and not self._ending

    def recovered(
        self, dose_mj_cm2: float, uncertain_mj_cm2: float, doubtful_mj_cm2: float, text: str,
        *, now: float,
    ) -> tuple[PlateOutput, ...]:  # fmt: skip
        """What an exposure left by a program before us gave, as far as is known; once more when
        its device answers late, of one of ours too. Light that may have fallen unseen is counted
        half, so that the remainder errs by half of it at most."""
        progress, memory, step = self._progress, self.memory, self.step
        progress.at(now)
        late = not memory.run_open
        if late:
            memory.dose_mj_cm2 -= memory.newest_mj_cm2 or 0.0
            memory.unsure_mj_cm2 -= memory.newest_unsure_mj_cm2
        # The device closes at the dose by itself, whoever watches.
        left = max(0.0, step.dose_mj_cm2 - memory.dose_mj_cm2 - dose_mj_cm2)
        more, less = min(uncertain_mj_cm2, left), doubtful_mj_cm2
        unsure = (more + less) / 2.0
        memory.cut = False
        self._add(dose_mj_cm2 + (more - less) / 2.0, unsure, 0.0)
        progress.deviate(f"{step.name} {'corrected' if late else 'interrupted'}: {text}")
        event = ExposureRecovered(memory.runs[-1], memory.dose_mj_cm2, unsure)
        progress.note(event, f"{step.name}: {self._given()}")
        if self.on_bed:
            self._go_on()
        return progress.take()

    def _go_on(self) -> None:
        """What is given is known as well as it will be: where does that leave the step?"""
        progress, memory, step = self._progress, self.memory, self.step
        near = step.dose_mj_cm2 * step.tolerance_pct / 100.0
        missing = step.dose_mj_cm2 - memory.dose_mj_cm2
        if memory.state is StepState.ABORTING:
            progress.leave(Move.REST, reason=self._given())
        elif missing <= near and memory.unsure_mj_cm2 <= near:
            self._complete()
        elif memory.state is StepState.STOPPING:
            progress.leave(Move.REST, reason=self._given())
        else:
            reason = f"{self._given()}; restart for the remaining dose, or stop"
            if memory.state is StepState.HELD:
                memory.reason = reason
            else:
                progress.move(Move.REST, reason=reason)

    def _add(self, dose_mj_cm2: float, unsure_mj_cm2: float, light_s: float) -> None:
        memory = self.memory
        memory.run_open = False
        memory.newest_mj_cm2, memory.newest_unsure_mj_cm2 = dose_mj_cm2, unsure_mj_cm2
        memory.dose_mj_cm2 += dose_mj_cm2
        memory.unsure_mj_cm2 += unsure_mj_cm2
        memory.light_s += light_s
        memory.facts = {
            "dose_mj_cm2": memory.dose_mj_cm2, "unsure_mj_cm2": memory.unsure_mj_cm2,
            "light_s": memory.light_s, "runs": list(memory.runs),
        }  # fmt: skip
        self._progress.changed = True

    def _compare(self) -> None:
        """Tell a dose that is off."""
        step, given = self.step, self.memory.dose_mj_cm2
        off_pct = 100.0 * (given / step.dose_mj_cm2 - 1.0)
        if abs(off_pct) > step.tolerance_pct:
            self._progress.deviate(
                f"{step.name}: {given:.1f} mJ/cm², {off_pct:+.1f} % off its "
                f"{step.dose_mj_cm2:.1f} as this sensor reads (tolerance "
                f"{step.tolerance_pct:g} %)"
            )

    def _complete(self) -> None:
        self._compare()
        memory, step = self.memory, self.step
        text = f"{memory.dose_mj_cm2:.1f} of {step.dose_mj_cm2:.1f} mJ/cm²"
        if memory.doubtful(step):
            text += f", give or take {memory.unsure_mj_cm2:.1f}: judge the plate"
            self._progress.deviate(f"{step.name}: {text} (tolerance {step.tolerance_pct:g} %)")
        self._progress.leave(Move.DONE, reason=text)

    def _given(self) -> str:
        memory = self.memory
        text = f"{memory.dose_mj_cm2:.1f} of {self.step.dose_mj_cm2:.1f} mJ/cm² are given"
        unsure = memory.unsure_mj_cm2
        return text + (f", give or take {unsure:.1f}" if unsure >= 0.05 else "")

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> None:
        """Nothing: all is in the step's memory."""

    def resume(self, snapshot: Mapping[str, Any] | None, down_s: float | None) -> None:
        """A program before us ended here; if it was exposing, its device is to be asked."""
        memory = self.memory
        if not memory.run_open:
            return
        memory.cut = True
        if memory.state in (StepState.RUNNING, StepState.RESTARTING):
            self._progress.move(Move.CUT, reason="recording stopped meanwhile; asking the device")


def _reciprocity(recipe: Recipe) -> Reciprocity:
    """How the recipe's plate stock answers to light."""
    law = recipe.reciprocity
    return PLAIN if law is None else Reciprocity(law.p, law.reference_mw_cm2, law.p_uncertainty)


def _exposure_request(
    step: ExposeStep, unit: StepDefaults, law: Reciprocity, *, delivered_mj_cm2: float
) -> ExposureRequest:
    """The exposure of a step, or what is left of it."""
    return ExposureRequest(
        target_dose_mj_cm2=step.dose_mj_cm2 - delivered_mj_cm2,
        contact=_contact_limits(step, unit),
        max_light_s=unit.max_light_s,
        guard_factor=step.guard_factor,
        silence_policy=unit.silence_policy,
        silence_s=unit.silence_s,
        tolerance_pct=unit.tolerance_pct,
        abort_on_leak=step.on_leak == "abort",
        reciprocity=law,
    )


def _contact_limits(step: ExposeStep, unit: StepDefaults) -> ContactLimits | None:
    """The contact a step asks for; None where it needs none."""
    band = step.contact
    if band is None:
        return None
    given = {name: value for name, value in band.model_dump().items() if value is not None}
    if unit.contact is not None:
        return replace(unit.contact, **given)
    return ContactLimits(**given)
