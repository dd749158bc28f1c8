"""The memory of one plate and its moves: where each step is, what was not as it should be. Pure.

Every move of a step goes through ``table.TRANSITIONS`` in ``Progress.move`` and nowhere else.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from platelink.control.procedure.outputs import PlateNoted, PlateOutput, PlateOver
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.table import (
    PASSED,
    PLATE_STATE,
    TRANSITIONS,
    Move,
    StepState,
    move_between,
)
from platelink.control.states import Noted, State
from platelink.control.steps.inspection import Judgement
from platelink.events.event import Event
from platelink.events.steps import Deviation, PlateEnded, StepMoved
from platelink.events.unit import Asked
from platelink.recipe.steps import ExposeStep, Step


@dataclass(slots=True)
class StepMemory:
    """What is known of a step."""

    state: StepState = StepState.WAITING
    reason: str = ""
    runs: list[str] = field(default_factory=list)
    """Runs made for it, oldest first."""
    run_open: bool = False
    """The newest of them has not ended, as far as is known."""
    cut: bool = False
    """It was made by a program before us, and what it gave is not known yet."""
    dose_mj_cm2: float = 0.0
    """Of the runs that have ended."""
    unsure_mj_cm2: float = 0.0
    """It may be this much more or less: light that nobody saw."""
    newest_mj_cm2: float | None = None
    """Counted of it for the newest run that has ended; None where that is not known."""
    newest_unsure_mj_cm2: float = 0.0
    light_s: float = 0.0
    """As far as is known."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What it came to, set at its end; never changed."""

    def doubtful(self, step: ExposeStep) -> bool:
        """Its dose is not known within the tolerance of the step."""
        return self.unsure_mj_cm2 > step.dose_mj_cm2 * step.tolerance_pct / 100.0

    def snapshot(self) -> dict[str, Any]:
        """Plain values; made every second, and `asdict` takes ten times as long."""
        return {
            "state": str(self.state), "reason": self.reason, "runs": list(self.runs),
            "run_open": self.run_open, "cut": self.cut, "dose_mj_cm2": self.dose_mj_cm2,
            "unsure_mj_cm2": self.unsure_mj_cm2, "light_s": self.light_s, "facts": self.facts,
            "newest_mj_cm2": self.newest_mj_cm2,
            "newest_unsure_mj_cm2": self.newest_unsure_mj_cm2,
        }  # fmt: skip


class Progress:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(
        self, plan: PlatePlan, places: Sequence[str], steps: Sequence[StepMemory], *, now: float
    ) -> None:
        """``places``: where each step is done."""
        self.plan = plan
        self.steps = steps
        self.index = 0
        self.over = False
        self.deviations: list[str] = []
        """What was not as the recipe says."""
        self.judgement: str | None = None
        self.defects: list[str] = []
        self.changed = True
        """Since the last snapshot."""
        self.now = self.turn_at = now
        """``turn_at``: when the present step had its turn, as far as this program knows."""
        self._places = places
        self._out: list[PlateOutput] = []

    @property
    def step(self) -> Step:
        """The present step, the last one when all are over."""
        return self.plan.steps[self.index]

    @property
    def present(self) -> StepMemory:
        """Its memory."""
        return self.steps[self.index]

    @property
    def state(self) -> State:
        """The plate's state."""
        if not self.over and self.index == 0 and self.present.state is StepState.READY:
            return State.IDLE
        return PLATE_STATE[self.present.state]

    def at(self, now: float) -> None:
        """Time has come to ``now``; one that goes back counts as the one before it."""
        self.now = max(self.now, now)

    # --- moves -----------------------------------------------------------------------------

    def move(
        self, move: Move, request: PlateRequest | None = None,
        *, reason: str = "", run_id: str | None = None,
    ) -> None:  # fmt: skip
        """Move the present step by the table."""
        present, step = self.present, self.step
        after = TRANSITIONS.get((present.state, move))
        if after is None:
            raise AssertionError(f"{step.name} is {present.state}: no move by {move}")
        reason = reason or (request.reason if request else "")
        event = StepMoved(
            self.index, step.name, step.kind, self._places[self.index], str(present.state),
            str(after), str(move), request.who if request else None, reason, run_id,
        )  # fmt: skip
        why = f"; {reason}" if reason and reason != present.reason else ""
        text = f"{step.name}: {present.state} to {after}" + why
        present.state, present.reason = after, reason
        if move is Move.TURN:
            self.turn_at = self.now
        self.note(event, text)

    def follow(self, to: StepState, *, reason: str = "") -> None:
        """Move as the exposure or the machine has moved."""
        move = move_between(self.present.state, to)
        if move is None:
            raise AssertionError(f"no move from {self.present.state} to {to}")
        self.move(move, reason=reason)

    def leave(self, move: Move, request: PlateRequest | None = None, *, reason: str = "") -> None:
        """A move that ends the step: the next one has its turn, or the plate is over."""
        to_stop = self.present.state is StepState.STOPPING
        self.move(move, request, reason=reason)
        if self.present.state in PASSED and self.index + 1 < len(self.steps):
            self.index += 1
            self.move(Move.TURN)
            if not to_stop:
                return
            # It came to its end while it was being stopped: the plate stops all the same.
            self.move(Move.STOP, reason=f"stopped as {self.plan.steps[self.index - 1].name} ended")
        self._end()

    def _end(self) -> None:
        self.over = True
        state = self.state
        reason = self._why_complete() if state is State.COMPLETE else self.present.reason
        reason = reason or "no reason was given"
        data = {
            "judgement": self.judgement,
            "defects": self.defects,
            "deviations": self.deviations,
            "steps": [
                {"name": s.name, "kind": s.kind, "state": str(n.state), **n.facts}
                for s, n in zip(self.plan.steps, self.steps, strict=True)
            ],
        }
        self.note(PlateEnded(self.judgement), f"{state}: {reason}")
        self.emit(PlateOver(self.plan.plate, state, reason, data))

    def _why_complete(self) -> str:
        """With what is in doubt, and the judgement, which the last step may know nothing of."""
        last = self.present.reason
        if self.judgement is not None and not last.startswith(self.judgement):
            last = f"{self.step.name}: {last}" if last else "all steps done"
            last = f"judged {self.judgement}; {last}"
        return "; ".join((*self._doubts(), last or "all steps done"))

    def _doubts(self) -> Iterator[str]:
        """Doses that are not known within their tolerance."""
        for step, memory in zip(self.plan.steps, self.steps, strict=True):
            if isinstance(step, ExposeStep) and memory.doubtful(step):
                unsure = f"{memory.unsure_mj_cm2:.1f} mJ/cm²"
                yield f"{step.name} is in doubt by {unsure}: judge the plate"

    # --- what is noted ---------------------------------------------------------------------

    def judge(self, judgement: str, defects: Sequence[str]) -> None:
        """What an inspection found; one bad inspection is enough."""
        if self.judgement != Judgement.REJECT:
            self.judgement = judgement
        self.defects += [d for d in defects if d not in self.defects]

    def deviate(self, text: str) -> None:
        """Something is not as the recipe says."""
        self.deviations.append(text)
        self.note(Deviation(), text)

    def note_request(self, request: PlateRequest) -> None:
        """A person has asked for something."""
        event = Asked(str(request.act), request.who, request.reason)
        self.note(event, f"{request.act}, by {request.who}")

    def note(self, event: Event, text: str) -> None:
        """An event of the plate's run."""
        self.changed = True
        self.emit(PlateNoted(self.plan.plate, Noted(event, text)))

    def emit(self, output: PlateOutput) -> None:
        """An output, given out by the next ``take``."""
        self._out.append(output)

    def take(self) -> tuple[PlateOutput, ...]:
        """The outputs since the last call."""
        out, self._out = tuple(self._out), []
        return out
