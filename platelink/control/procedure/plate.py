"""One plate on its way through its recipe. Pure.

Steps are done in order. The present step is moved by what a person does, by the machine that
carries it out (bake, stages, inspection) or by the exposure that the unit makes for it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.procedure.kinds import KINDS, StepWork
from platelink.control.procedure.outputs import PlateOutput, PlateRefused
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.progress import Progress, StepMemory
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.table import BEGUN, TRANSITIONS, Move, StepState
from platelink.control.states import State
from platelink.control.steps.unswitched import Temperatures
from platelink.events.steps import PlateMade, PlateResumed
from platelink.recipe.steps import Step

SNAPSHOT_FORMAT = 1
_MOVES = {act: Move(act) for act in PlateAct if act not in (PlateAct.DONE, PlateAct.MEASURE)}
_POSSIBLE = {
    state: frozenset(act for act, move in _MOVES.items() if (state, move) in TRANSITIONS)
    for state in StepState
}


class Plate:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(
        self, plan: PlatePlan, unit: StepDefaults, memories: Sequence[StepMemory] | None = None,
        *, now: float,
    ) -> None:  # fmt: skip
        """``memories``: of its steps, where they were begun by a program before us."""
        if memories is None:
            memories = [StepMemory() for _ in plan.steps]
        self.plan, self.steps = plan, memories
        kinds = [KINDS[step.kind] for step in plan.steps]
        places = [kind.place for kind in kinds]
        progress = self.progress = Progress(plan, places, memories, now=now)
        self.works: tuple[StepWork, ...] = tuple(
            kind.work(step, memory, progress, unit)
            for kind, step, memory in zip(kinds, plan.steps, memories, strict=True)
        )

    # --- what a face may ask ---------------------------------------------------------------

    @property
    def index(self) -> int:
        """Of the present step."""
        return self.progress.index

    @property
    def step(self) -> Step:
        """The present step, the last one when all are over."""
        return self.progress.step

    @property
    def present(self) -> StepMemory:
        """What is known of it."""
        return self.progress.present

    @property
    def work(self) -> StepWork:
        """What it does."""
        return self.works[self.progress.index]

    @property
    def state(self) -> State:
        """The plate's state."""
        return self.progress.state

    @property
    def on_bed(self) -> bool:
        """It lies under the lamps: its exposure has begun and is not over."""
        exposure = self.work.exposure
        return exposure is not None and exposure.on_bed

    @property
    def cut(self) -> bool:
        """Its newest exposure was made by a program before us; what it gave is not known yet."""
        exposure = self.work.exposure
        return exposure is not None and exposure.cut

    @property
    def live(self) -> bool:
        """An exposure that this program makes belongs to it."""
        exposure = self.work.exposure
        return exposure is not None and exposure.live

    @property
    def timed(self) -> bool:
        """Its step has times of its own, and another snapshot every second."""
        return self.work.exposure is None and self.present.state in BEGUN

    def acts(self) -> tuple[PlateAct, ...]:
        """What a person may do now, rights aside."""
        if self.progress.over:
            return ()
        possible = self.work.acts(_POSSIBLE[self.present.state])
        return tuple(act for act in PlateAct if act in possible)

    # --- what a person does ----------------------------------------------------------------

    def make(self) -> tuple[PlateOutput, ...]:
        """Begin with the first step; called once."""
        plan, progress = self.plan, self.progress
        text = f"{plan.revision}, {len(plan.steps)} steps"
        progress.note(PlateMade(plan.who, plan.content_hash), text)
        for finding in plan.findings:
            progress.deviate(finding)
        progress.move(Move.TURN)
        return progress.take()

    def act(self, request: PlateRequest, *, now: float) -> tuple[PlateOutput, ...]:
        """Do what a person asks, or refuse it."""
        progress, work = self.progress, self.work
        progress.at(now)
        problem = self._problem(request)
        if problem:
            progress.emit(PlateRefused(problem))
        elif request.act is PlateAct.BEGIN:
            work.begin(request)
        elif request.act is PlateAct.SKIP:
            progress.deviate(f"{self.step.name} skipped: {request.reason.strip()}")
            work.skip(request)
        elif request.act in _MOVES:
            work.act(request, _MOVES[request.act])
        else:  # done, or measured
            work.do(request)
        return progress.take()

    def _problem(self, request: PlateRequest) -> str:
        """Why it cannot be done; empty when it can."""
        name = f"{self.plan.plate}: {request.act} is not possible"
        seen, steps = request.step, self.plan.steps
        if seen is not None and seen != self.index:
            which = steps[seen].name if 0 <= seen < len(steps) else seen
            return f"{name} for step {which}: the plate is at {self.step.name} now; look again"
        if not request.who.strip():
            return f"{name}: no person named"
        if request.act not in self.acts():
            can = ", ".join(self.acts()) or "nothing"
            text = f"{name} while {self.step.name} is {self.present.state}; possible: {can}"
            if waits_for := self.work.status().waiting_for:
                text += f"; it waits for {waits_for}"
            if self.cut and request.act is PlateAct.RESTART:
                text += "; waiting for the device's report"
            return text
        if request.act is PlateAct.SKIP and not request.reason.strip():
            return f"to skip {self.step.name}, give a reason"
        return ""

    # --- what the unit says ----------------------------------------------------------------

    def tick(self, *, now: float) -> tuple[PlateOutput, ...]:
        """Say what is due by time."""
        self.progress.at(now)
        self.work.tick()
        return self.progress.take()

    def temperatures(self, found: Temperatures, *, t: float, now: float) -> tuple[PlateOutput, ...]:
        """Take temperatures, measured at ``t``."""
        self.progress.at(now)
        self.work.temperatures(found, t=t)
        return self.progress.take()

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from; the plan is not among them."""
        progress = self.progress
        progress.changed = False
        return {
            "format": SNAPSHOT_FORMAT,
            "index": progress.index,
            "steps": [step.snapshot() for step in progress.steps],
            "machine": self.work.snapshot(),
            "deviations": list(progress.deviations),
            "judgement": progress.judgement,
            "defects": list(progress.defects),
        }

    @classmethod
    def from_snapshot(
        cls, plan: PlatePlan, unit: StepDefaults, snapshot: Mapping[str, Any], *,
        down_s: float | None, away_s: float | None, now: float,
    ) -> tuple[Plate, tuple[PlateOutput, ...]]:  # fmt: skip
        """Go on ``down_s`` after the snapshot, for at most ``away_s`` of which no program ran; None
        where that is not known. Oven and stages go on with the time that has passed; an exposure
        is held until what the device did is known. What ``snapshot`` did not write is an error:
        KeyError, ValueError, TypeError."""
        if snapshot["format"] != SNAPSHOT_FORMAT:
            raise ValueError(f"snapshot of format {snapshot['format']}, not {SNAPSHOT_FORMAT}")
        index = int(snapshot["index"])
        memories = [StepMemory(**s | {"state": StepState(s["state"])}) for s in snapshot["steps"]]
        if len(memories) != len(plan.steps) or not 0 <= index < len(memories):
            raise ValueError("the snapshot is of another recipe")
        plate = cls(plan, unit, memories, now=now)
        progress = plate.progress
        progress.index = index
        progress.deviations = list(snapshot["deviations"])
        progress.judgement = snapshot["judgement"]
        progress.defects = list(snapshot["defects"])
        away = "an unknown time" if away_s is None else f"at most {math.ceil(away_s)} s"
        progress.note(PlateResumed(away_s), f"after {away}, at {plate.step.name}")
        plate.work.resume(snapshot["machine"], down_s)
        return plate, progress.take()
