"""One plate on its way through its recipe. Pure.

Steps are done in order. The present step is moved by what a person does, by the machine that
carries it out (bake, stages, inspection) or by the exposure that the unit makes for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from platelink.control.procedure.exposing import Exposing
from platelink.control.procedure.inspection import judge
from platelink.control.procedure.moves import StepNow
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.said import Act, Asked, PlateOutput, PlateRefused
from platelink.control.procedure.table import TRANSITIONS, Move, StepState
from platelink.control.procedure.working import Working
from platelink.recipe.steps import BakeStep, ExposeStep, InspectStep

SNAPSHOT_FORMAT = 1
_MOVES = {
    Act.BEGIN: Move.BEGIN, Act.HOLD: Move.HOLD, Act.RESTART: Move.RESTART, Act.SKIP: Move.SKIP,
    Act.STOP: Move.STOP, Act.ABORT: Move.ABORT,
}  # fmt: skip
_POSSIBLE = {
    state: frozenset(act for act, move in _MOVES.items() if (state, move) in TRANSITIONS)
    for state in StepState
}


class Plate(Exposing, Working):
    """See the file's first lines. ``now`` is host monotonic seconds."""

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def untimed(self) -> bool:
        """The present step is only confirmed or measured: it needs no beginning of its own."""
        step = self.step
        return isinstance(step, InspectStep) or getattr(step, "duration_s", 0.0) is None

    def acts(self) -> tuple[Act, ...]:
        """What a person may do now, rights aside."""
        if self.over:
            return ()
        state = self.present.state
        possible = set(_POSSIBLE[state])
        ready = state is StepState.READY and self.untimed
        if ready:
            possible.discard(Act.BEGIN)
        if state is StepState.RUNNING or ready:
            if isinstance(self.step, InspectStep):
                possible.add(Act.MEASURE)
            elif not isinstance(self.step, ExposeStep | BakeStep):
                possible.add(Act.DONE)
        if self.cut:
            possible.discard(Act.RESTART)
        if self._unit.own_lamps and isinstance(self.step, ExposeStep):
            possible.discard(Act.HOLD)
        return tuple(act for act in Act if act in possible)

    # --- what a person does ----------------------------------------------------------------

    def make(self) -> tuple[PlateOutput, ...]:
        """Begin with the first step; called once."""
        plan = self.plan
        text = f"{plan.revision}, {len(self.steps)} steps"
        self._note("plate made", text, {"who": plan.who, "hash": plan.content_hash})
        for finding in plan.findings:
            self._deviate(finding)
        self._move(Move.TURN)
        return self._take()

    def act(self, asked: Asked, *, now: float) -> tuple[PlateOutput, ...]:
        """Do what a person asks, or refuse it."""
        self._now = max(self._now, now)
        problem = self._problem(asked)
        if problem:
            self._out.append(PlateRefused(problem))
        elif asked.act is Act.BEGIN:
            if isinstance(self.step, ExposeStep):
                self._ask_exposure(asked)
            else:
                self._begin(asked)
        elif asked.act is Act.SKIP:
            self._skip(asked)
        elif asked.act not in _MOVES:  # done, or measured
            self._carry_on(asked)
        elif isinstance(self.step, ExposeStep):
            self._act_on_exposure(asked, _MOVES[asked.act])
        else:
            self._act_on_machine(asked, _MOVES[asked.act])
        return self._take()

    def _problem(self, asked: Asked) -> str:
        """Why it cannot be done; empty when it can."""
        name = f"{self.plan.plate}: {asked.act} is not possible"
        if asked.step is not None and asked.step != self.index:
            seen = asked.step
            told = self.plan.steps[seen].name if 0 <= seen < len(self.steps) else seen
            return f"{name} for step {told}: the plate is at {self.step.name} now; look again"
        if not asked.who.strip():
            return f"{name}: say who asks"
        if asked.act not in self.acts():
            can = ", ".join(self.acts()) or "nothing"
            text = f"{name} while {self.step.name} is {self.present.state}; possible: {can}"
            if self.cut and asked.act is Act.RESTART:
                text += "; what the device did meanwhile is still being asked"
            return text
        if asked.act is Act.SKIP and not asked.reason.strip():
            return f"{name} without a reason; say why {self.step.name} is left out"
        if asked.act is Act.MEASURE and isinstance(self.step, InspectStep):
            return self._cannot_judge(self.step, asked)
        return ""

    def _cannot_judge(self, step: InspectStep, asked: Asked) -> str:
        try:
            judge(step, asked.values)
        except ValueError as error:
            return f"{step.name}: {error}"
        return ""

    def _skip(self, asked: Asked) -> None:
        self._deviate(f"{self.step.name} skipped: {asked.reason.strip()}")
        if isinstance(self.step, ExposeStep):
            self._skip_exposure(asked)
        else:
            self._skip_machine(asked)

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from; the plan is not among them."""
        self.changed = False
        return {
            "format": SNAPSHOT_FORMAT,
            "index": self.index,
            "steps": [step.snapshot() for step in self.steps],
            "machine": self.machine.snapshot() if self.machine is not None else None,
            "deviations": list(self.deviations),
            "judgement": self.judgement,
            "defects": list(self.defects),
        }

    @classmethod
    def from_snapshot(
        cls, plan: PlatePlan, unit: StepDefaults, snapshot: Mapping[str, Any], *,
        down_s: float | None, now: float,
    ) -> tuple[Plate, tuple[PlateOutput, ...]]:  # fmt: skip
        """Go on after ``down_s`` without this program, None where that is not known. Oven and
        stages go on with the time that has passed; an exposure is held until what the device did
        is known. What ``snapshot`` did not write is an error: KeyError, ValueError, TypeError."""
        if snapshot["format"] != SNAPSHOT_FORMAT:
            raise ValueError(f"snapshot of format {snapshot['format']}, not {SNAPSHOT_FORMAT}")
        plate = cls(plan, unit, now=now)
        plate.index = int(snapshot["index"])
        plate.steps = [StepNow(**s | {"state": StepState(s["state"])}) for s in snapshot["steps"]]
        if len(plate.steps) != len(plan.steps) or not 0 <= plate.index < len(plate.steps):
            raise ValueError("the snapshot is of another recipe")
        plate.deviations = list(snapshot["deviations"])
        plate.judgement = snapshot["judgement"]
        plate.defects = list(snapshot["defects"])
        away = "an unknown time" if down_s is None else f"{down_s:.0f} s"
        plate._note("plate resumed", f"after {away}, at {plate.step.name}", {"down_s": down_s})
        plate._resume(snapshot["machine"], down_s)
        return plate, plate._take()

    def _resume(self, kept: Mapping[str, Any] | None, down_s: float | None) -> None:
        if isinstance(self.step, ExposeStep):
            self._resume_exposure()
        elif kept is not None:
            self._resume_machine(self.step, kept, down_s)
