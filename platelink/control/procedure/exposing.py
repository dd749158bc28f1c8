"""The exposures of a plate: the unit makes them, the step follows. Pure.

A step may take several: one that is cut short by a crash is followed by one with the remainder.
"""

from __future__ import annotations

from platelink.control.procedure.moves import Moves, StepNow
from platelink.control.procedure.plan import LEAST_REMAINDER, exposure_request
from platelink.control.procedure.said import Act, Asked, ExposureAct, ExposureAsked, PlateOutput
from platelink.control.procedure.table import BEGUN, Move, StepState
from platelink.control.states import ENDED, Ended, State
from platelink.recipe.steps import ExposeStep


class Exposing(Moves):
    """See the file's first lines. ``now`` is host monotonic seconds."""

    _skipping: Asked | None = None
    """The step is left out once its exposure has ended."""
    _ending = False
    """A person has asked for the end of the exposure."""

    @property
    def on_bed(self) -> bool:
        """It lies under the lamps: its exposure has begun and is not over."""
        return isinstance(self.step, ExposeStep) and self.present.state in BEGUN

    @property
    def cut(self) -> bool:
        """The newest exposure was made by a program before us; what it gave is not told yet."""
        return self.on_bed and self.present.cut

    @property
    def live(self) -> bool:
        """An exposure that this program makes belongs to it."""
        return self.on_bed and self.present.run_open and not self.present.cut

    # --- what a person asks ----------------------------------------------------------------

    def _ask_exposure(self, asked: Asked) -> None:
        """The exposure of the step, or what is left of it; nothing moves before it begins."""
        step = self.step
        assert isinstance(step, ExposeStep)
        given = self.present.dose_mj_cm2
        if step.dose_mj_cm2 - given <= LEAST_REMAINDER * step.dose_mj_cm2:
            self._complete_exposure()
            return
        request = exposure_request(step, self._unit, delivered_mj_cm2=given)
        self._out.append(ExposureAsked(self.plan.plate, step.name, request, asked))

    def _act_on_exposure(self, asked: Asked, move: Move) -> None:
        """Hold, restart, stop or abort; ``move`` is its move in the table."""
        why = asked.reason or f"asked by {asked.who}"
        if self.live:
            self._note_asked(asked)
            self._ending = self._ending or asked.act in (Act.STOP, Act.ABORT)
            self._out.append(ExposureAct(asked.act, why))
        elif asked.act is Act.RESTART:
            self._ask_exposure(asked)
        elif self.present.state in (StepState.READY, StepState.HELD):
            self._leave(move, asked)
        else:  # cut: the lamp may still be on; what it gave is told by ``exposure_recovered``
            self._move(move, asked)
            self._out.append(ExposureAct(asked.act, why))

    def _skip_exposure(self, asked: Asked) -> None:
        if self.live:
            self._skipping = asked
            self._out.append(ExposureAct(Act.STOP, f"skipped: {asked.reason.strip()}"))
        else:
            self._leave(Move.SKIP, asked)

    # --- what the unit says ----------------------------------------------------------------

    def exposure_begun(self, run_id: str, asked: Asked, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure asked for has its run and begins now."""
        self._now = max(self._now, now)
        present = self.present
        present.runs.append(run_id)
        present.run_open = True
        self._ending = False
        held = present.state is StepState.HELD
        self._move(Move.RESTART if held else Move.BEGIN, asked, run_id=run_id)
        return self._take()

    def exposure_moved(self, to: State, reason: str = "", *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is in another state; its end comes by ``exposure_ended``."""
        self._now = max(self._now, now)
        moved = self.live and to not in ENDED and StepState(to) is not self.present.state
        if moved and not (to is State.STOPPING and self._ran_out()):
            self._follow(StepState(to), reason=reason)
        return self._take()

    def exposure_ended(self, run_id: str, ended: Ended, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is over."""
        self._now = max(self._now, now)
        step_now = self._open_run(run_id)
        if step_now is None:
            return ()
        self._add(step_now, ended.dose_mj_cm2, ended.light_s)
        if step_now is not self.present or not self.on_bed:
            return self._take()
        skipping, self._skipping = self._skipping, None
        if skipping is not None:
            self._leave(Move.SKIP, skipping)
        elif ended.state is State.COMPLETE:
            self._complete_exposure()
        else:
            self._ended_early(ended.state is State.ABORTED, ended.reason)
        return self._take()

    def _ended_early(self, aborted: bool, reason: str) -> None:
        if not aborted and self._ran_out():
            self._move(Move.HOLD, reason=reason)
            assert isinstance(self.step, ExposeStep)
            self._go_on_from(self.step, self.present)
            return
        if self.present.state is StepState.HELD:
            self._leave(Move.ABORT if aborted else Move.STOP, reason=reason)
            return
        passing = StepState.ABORTING if aborted else StepState.STOPPING
        if self.present.state is not passing:
            self._follow(passing)
        self._leave(Move.REST, reason=reason)

    def _ran_out(self) -> bool:
        """A unit's own timer may end light too soon, which is no reason to lose the plate."""
        return self._unit.own_lamps and not self._ending

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, text: str, *, now: float
    ) -> tuple[PlateOutput, ...]:
        """What an exposure left by a program before us gave, as far as is known. Light that may
        have fallen unseen is counted half, so that the remainder errs by half of it at most."""
        self._now = max(self._now, now)
        step_now = self._open_run(run_id)
        if step_now is None:
            return ()
        step = self.plan.steps[self.steps.index(step_now)]
        assert isinstance(step, ExposeStep)
        # The device closes at the dose by itself, whoever watches.
        left = max(0.0, step.dose_mj_cm2 - step_now.dose_mj_cm2 - dose_mj_cm2)
        half = min(uncertain_mj_cm2, left) / 2.0
        step_now.cut = False
        step_now.unsure_mj_cm2 += half
        self._add(step_now, dose_mj_cm2 + half, 0.0)
        self._deviate(f"{step.name} interrupted: {text}")
        self._note("exposure recovered", f"{step.name}: {_given(step, step_now)}", {
            "run_id": run_id, "dose_mj_cm2": step_now.dose_mj_cm2, "unsure_mj_cm2": half,
        })  # fmt: skip
        if step_now is self.present and self.on_bed:
            self._go_on_from(step, step_now)
        return self._take()

    def _go_on_from(self, step: ExposeStep, step_now: StepNow) -> None:
        """What is given is known as well as it will be: where does that leave the step?"""
        near = step.dose_mj_cm2 * step.tolerance_pct / 100.0
        missing = step.dose_mj_cm2 - step_now.dose_mj_cm2
        if step_now.state is StepState.ABORTING:
            self._leave(Move.REST, reason=_given(step, step_now))
        elif missing <= near and step_now.unsure_mj_cm2 <= near:
            self._complete_exposure()
        elif step_now.state is StepState.STOPPING:
            self._leave(Move.REST, reason=_given(step, step_now))
        else:
            told = f"{_given(step, step_now)}; restart for the remainder, or stop"
            if step_now.state is StepState.HELD:
                step_now.reason = told
            else:
                self._move(Move.REST, reason=told)

    def _open_run(self, run_id: str) -> StepNow | None:
        """The step whose newest exposure this is, if that has not ended yet."""
        return next((s for s in self.steps if s.run_open and run_id == s.runs[-1]), None)

    def _add(self, step_now: StepNow, dose_mj_cm2: float, light_s: float) -> None:
        step_now.run_open = False
        step_now.dose_mj_cm2 += dose_mj_cm2
        step_now.light_s += light_s
        step_now.facts = {
            "dose_mj_cm2": step_now.dose_mj_cm2, "unsure_mj_cm2": step_now.unsure_mj_cm2,
            "light_s": step_now.light_s, "runs": list(step_now.runs),
        }  # fmt: skip
        self.changed = True

    def _complete_exposure(self) -> None:
        step, present = self.step, self.present
        assert isinstance(step, ExposeStep)
        off_pct = 100.0 * (present.dose_mj_cm2 / step.dose_mj_cm2 - 1.0)
        if abs(off_pct) > step.tolerance_pct:
            self._deviate(
                f"{step.name}: {present.dose_mj_cm2:.1f} mJ/cm², {off_pct:+.1f} % off its "
                f"{step.dose_mj_cm2:.1f} (tolerance {step.tolerance_pct:g} %)"
            )
        text = f"{present.dose_mj_cm2:.1f} of {step.dose_mj_cm2:.1f} mJ/cm²"
        self._leave(Move.DONE, reason=text)

    def _resume_exposure(self) -> None:
        """A program before us ended here; if it was exposing, its device is to be asked."""
        present = self.present
        if not present.run_open:
            return
        present.cut = True
        if present.state in (StepState.RUNNING, StepState.RESTARTING):
            self._move(Move.CUT, reason="recording stopped in it; asking the device")


def _given(step: ExposeStep, step_now: StepNow) -> str:
    given = f"{step_now.dose_mj_cm2:.1f} of {step.dose_mj_cm2:.1f} mJ/cm² are given"
    unsure = step_now.unsure_mj_cm2
    return given + (f", give or take {unsure:.1f}" if unsure >= 0.05 else "")
