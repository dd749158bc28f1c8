"""The memory of one plate and its moves: where each step is, what was not as it should be. Pure.

Every move of a step goes through ``table.TRANSITIONS`` in ``_move`` and nowhere else.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from platelink.control.procedure.plan import PLACES, PlatePlan, StepDefaults
from platelink.control.procedure.said import Asked, PlateNoted, PlateOutput, PlateOver
from platelink.control.procedure.table import (
    PASSED,
    PLATE_STATE,
    TRANSITIONS,
    Move,
    StepState,
    move_between,
)
from platelink.control.states import Noted, Plain, State
from platelink.recipe.steps import Step


@dataclass(slots=True)
class StepNow:
    """A step's memory."""

    state: StepState = StepState.WAITING
    reason: str = ""
    runs: list[str] = field(default_factory=list)
    """Runs made for it, oldest first."""
    run_open: bool = False
    """The newest of them has not ended, as far as is known."""
    cut: bool = False
    """It was made by a program before us, and what it gave is not told yet."""
    dose_mj_cm2: float = 0.0
    """Of the runs that have ended."""
    unsure_mj_cm2: float = 0.0
    """It may be this much more or less: light that nobody saw."""
    light_s: float = 0.0
    """As far as is known."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What it came to, told at its end; never changed."""

    def snapshot(self) -> dict[str, Any]:
        """Plain values."""
        return {
            "state": str(self.state), "reason": self.reason, "runs": list(self.runs),
            "run_open": self.run_open, "cut": self.cut, "dose_mj_cm2": self.dose_mj_cm2,
            "unsure_mj_cm2": self.unsure_mj_cm2, "light_s": self.light_s, "facts": self.facts,
        }  # fmt: skip


class Moves:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, plan: PlatePlan, unit: StepDefaults, *, now: float) -> None:
        self.plan = plan
        self.steps = [StepNow() for _ in plan.steps]
        self.index = 0
        self.over = False
        self.deviations: list[str] = []
        """What was not as the recipe says."""
        self.judgement: str | None = None
        self.defects: list[str] = []
        self.changed = True
        """Since the last snapshot."""
        self._unit = unit
        self._now = now
        self._out: list[PlateOutput] = []

    @property
    def step(self) -> Step:
        """The present step, the last one when all are over."""
        return self.plan.steps[self.index]

    @property
    def present(self) -> StepNow:
        """Its memory."""
        return self.steps[self.index]

    @property
    def state(self) -> State:
        """The plate's state."""
        if not self.over and self.index == 0 and self.present.state is StepState.READY:
            return State.IDLE
        return PLATE_STATE[self.present.state]

    # --- moves -----------------------------------------------------------------------------

    def _move(
        self, move: Move, asked: Asked | None = None, *, reason: str = "", run_id: str | None = None
    ) -> None:
        present, step = self.present, self.step
        after = TRANSITIONS.get((present.state, move))
        if after is None:
            raise AssertionError(f"{step.name} is {present.state}: no move by {move}")
        reason = reason or (asked.reason if asked else "")
        data: dict[str, Plain] = {
            "step": self.index, "name": step.name, "kind": step.kind, "place": PLACES[step.kind],
            "from": str(present.state), "to": str(after), "move": str(move),
            "who": asked.who if asked else None, "reason": reason, "run_id": run_id,
        }  # fmt: skip
        told = f"; {reason}" if reason and reason != present.reason else ""
        text = f"{step.name}: {present.state} to {after}{told}"
        present.state, present.reason = after, reason
        self._note("step", text, data)

    def _follow(self, to: StepState, *, reason: str = "") -> None:
        """Move as the exposure or the machine has moved."""
        move = move_between(self.present.state, to)
        if move is None:
            raise AssertionError(f"no move from {self.present.state} to {to}")
        self._move(move, reason=reason)

    def _leave(self, move: Move, asked: Asked | None = None, *, reason: str = "") -> None:
        """A move that ends the step: the next one has its turn, or the plate is over."""
        to_stop = self.present.state is StepState.STOPPING
        self._move(move, asked, reason=reason)
        if self.present.state in PASSED and self.index + 1 < len(self.steps):
            self.index += 1
            self._move(Move.TURN)
            if not to_stop:
                return
            # It came to its end while it was being stopped: the plate stops all the same.
            self._move(Move.STOP, reason=f"stopped as {self.plan.steps[self.index - 1].name} ended")
        self._end()

    def _end(self) -> None:
        self.over = True
        state = self.state
        silent = "all steps done" if state is State.COMPLETE else "no reason was given"
        reason = self.present.reason or silent
        data = {
            "judgement": self.judgement,
            "defects": self.defects,
            "deviations": self.deviations,
            "steps": [
                {"name": s.name, "kind": s.kind, "state": str(n.state), **n.facts}
                for s, n in zip(self.plan.steps, self.steps, strict=True)
            ],
        }
        self._note("plate ended", f"{state}: {reason}", {"judgement": self.judgement})
        self._out.append(PlateOver(self.plan.plate, state, reason, data))

    # --- what is said ----------------------------------------------------------------------

    def _deviate(self, text: str) -> None:
        self.deviations.append(text)
        self._note("deviation", text)

    def _note_asked(self, asked: Asked) -> None:
        data: dict[str, Plain] = {"act": str(asked.act), "who": asked.who, "reason": asked.reason}
        self._note("asked", f"{asked.act}, by {asked.who}", data)

    def _note(self, name: str, text: str, data: dict[str, Plain] | None = None) -> None:
        self.changed = True
        self._out.append(PlateNoted(self.plan.plate, Noted(name, text, data or {})))

    def _take(self) -> tuple[PlateOutput, ...]:
        out, self._out = tuple(self._out), []
        return out
