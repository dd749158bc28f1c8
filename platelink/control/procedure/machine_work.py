"""A step that a machine of ours carries out: bake, stages, inspection. Pure.

What differs between these is in a ``MachineKind`` each: see ``baking``, ``hand_work``,
``inspecting``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Generic, TypeVar

from platelink.contract.words import PlateAct
from platelink.control.alarm.states import Condition
from platelink.control.procedure.outputs import BakeBegun, BakeOver, PlateNoted, PlateRefused
from platelink.control.procedure.progress import Progress, StepMemory
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.step_status import StepStatus
from platelink.control.procedure.table import Move, StepState
from platelink.control.states import ENDED, ExposureOutput, Noted, Send, State
from platelink.control.steps.unswitched import Temperatures, Unswitched
from platelink.control.steps.water import Water
from platelink.events.light import Refused, StateMoved

M = TypeVar("M", bound=Unswitched)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a step came to, and what of it was not as the recipe says."""

    facts: dict[str, Any]
    deviations: Sequence[str] = ()
    judgement: str | None = None
    defects: Sequence[str] = ()


@dataclass(frozen=True, kw_only=True)
class MachineKind(Generic[M]):
    """What a kind of step adds to the machine that carries it out. Times are host monotonic
    seconds."""

    make: Callable[[float], M]
    """The machine as of now, before it begins."""
    resume: Callable[[Mapping[str, Any], float | None, float], M]
    """The machine of a snapshot, so many seconds ago (None: not known), as of now."""
    sum_up: Callable[[M], Outcome]
    """What came of it."""
    status: Callable[[M | None], StepStatus]
    """What a face shows; None: it has not begun."""
    deed: PlateAct | None = None
    """The act by which a person carries it out; None: no person does."""
    problem: Callable[[PlateRequest], str] = lambda request: ""
    """What is wrong with a deed; empty when nothing."""
    do: Callable[[M, PlateRequest, float], tuple[ExposureOutput, ...]] = (
        lambda machine, request, now: ()
    )
    """The deed is done now."""
    untimed: bool = False
    """It is only confirmed or measured: it needs no beginning of its own."""
    temperatures: Callable[[M, Temperatures, float, float], tuple[ExposureOutput, ...]] = (
        lambda machine, found, t, now: ()
    )
    """Temperatures were measured at t, and are told now."""
    water: Water | None = None
    """The bath whose temperature is to be known."""
    recorded: dict[str, Any] | None = None
    """What was asked for, where it is recorded under a run of its own."""


class MachineWork(Generic[M]):
    """See the file's first lines; a ``StepWork``."""

    exposure = None

    def __init__(self, kind: MachineKind[M], memory: StepMemory, progress: Progress) -> None:
        self.machine: M | None = None
        """None before it begins and when it is over."""
        self.untimed = kind.untimed
        self._kind = kind
        self._memory = memory
        self._progress = progress

    def status(self) -> StepStatus:
        status, water = self._kind.status(self.machine), self._kind.water
        if water is None:
            return status
        now, ready = self._progress.now, self._memory.state is StepState.READY
        waits_for = water.waits_for(now) if ready else ""
        return replace(status, water=water.status(now), waiting_for=waits_for)

    def conditions(self) -> tuple[Condition, ...]:
        return self.machine.conditions() if self.machine is not None else ()

    def next_deadline(self) -> float | None:
        return self.machine.next_deadline() if self.machine is not None else None

    # --- what a person asks ----------------------------------------------------------------

    def acts(self, possible: frozenset[PlateAct]) -> frozenset[PlateAct]:
        ready = self._memory.state is StepState.READY and self.untimed
        if ready:
            possible -= {PlateAct.BEGIN}
        running = self._memory.state is StepState.RUNNING
        deed, water, now = self._kind.deed, self._kind.water, self._progress.now
        if deed is not None and (ready or running):
            possible |= {deed}
        if water is None or not (running or self._memory.state is StepState.READY):
            return possible
        if not running and water.waits_for(now):
            possible -= {PlateAct.BEGIN}
        return possible if water.probed(now) else possible | {PlateAct.MEASURE}

    def begin(self, request: PlateRequest) -> None:
        progress, memory, recorded = self._progress, self._memory, self._kind.recorded
        # What is only confirmed was done before the touch: its time is that since its turn.
        since = progress.turn_at if self.untimed else progress.now
        machine = self.machine = self._kind.make(since)
        progress.move(Move.BEGIN, request)
        if recorded is not None:
            memory.runs.append(request.run_id)
            memory.run_open = True
            progress.emit(BakeBegun(
                progress.plan.plate, progress.step.name, request.run_id, request.who, recorded
            ))  # fmt: skip
        self._from_machine(machine, machine.start(now=since))

    def do(self, request: PlateRequest) -> None:
        if self._kind.water is not None and request.act is PlateAct.MEASURE:
            self._water_typed(self._kind.water, request)
            return
        problem = self._kind.problem(request)
        if problem:
            self._progress.emit(PlateRefused(problem))
            return
        if self.machine is None:
            self.begin(request)
        if self.machine is not None:
            outputs = self._kind.do(self.machine, request, self._progress.now)
            self._from_machine(self.machine, outputs)

    def _water_typed(self, water: Water, request: PlateRequest) -> None:
        progress = self._progress
        try:
            event, text = water.typed(request.values, request.who, progress.now)
        except ValueError as error:
            progress.emit(PlateRefused(f"{progress.step.name}: {error}"))
            return
        progress.note(event, text)
        if self.machine is not None:
            found, now = Temperatures(water_c=event.water_c), progress.now
            self._from_machine(self.machine, self._kind.temperatures(self.machine, found, now, now))

    def act(self, request: PlateRequest, move: Move) -> None:
        machine, now = self.machine, self._progress.now
        if machine is None:  # stopped or aborted before it began
            self._progress.leave(move, request)
            return
        why = request.reason or f"asked by {request.who}"
        outputs: tuple[ExposureOutput, ...] = ()
        if move is Move.HOLD:
            outputs = machine.hold(why, now=now)
        elif move is Move.RESTART:
            outputs = machine.restart(now=now)
        elif move is Move.STOP:
            outputs = machine.stop(why, now=now)
        elif move is Move.ABORT:
            outputs = machine.abort(why, now=now)
        self._progress.note_request(request)
        self._from_machine(machine, outputs)

    def skip(self, request: PlateRequest) -> None:
        machine, self.machine = self.machine, None
        if machine is not None:
            reason = f"skipped: {request.reason.strip()}"
            self._pass_on(machine.stop(reason, now=self._progress.now))
            self._sum_up(machine)
        self._progress.leave(Move.SKIP, request)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self) -> None:
        if self.machine is not None:
            self._from_machine(self.machine, self.machine.tick(now=self._progress.now))

    def temperatures(self, found: Temperatures, *, t: float) -> None:
        machine, now = self.machine, self._progress.now
        water = self._kind.water
        if water is not None and not water.measured(found.water_c, t):
            found = found._replace(water_c=None)
        if machine is not None:
            self._from_machine(machine, self._kind.temperatures(machine, found, t, now))

    def _from_machine(self, machine: M, outputs: tuple[ExposureOutput, ...]) -> None:
        for output in outputs:
            if isinstance(output, Noted) and isinstance(output.event, StateMoved):
                to = State(output.event.to)
                if to not in ENDED and StepState(to) is not self._memory.state:
                    self._progress.follow(StepState(to), reason=machine.reason)
        self._pass_on(outputs)
        if machine.state in ENDED:
            self._ended(machine)

    def _pass_on(self, outputs: tuple[ExposureOutput, ...]) -> None:
        progress = self._progress
        for output in outputs:
            if isinstance(output, Send):
                progress.emit(output)
            elif isinstance(output, Noted) and isinstance(output.event, Refused):
                progress.emit(PlateRefused(f"{progress.step.name}: {output.text}"))
            elif isinstance(output, Noted):
                progress.changed = True
                if not isinstance(output.event, StateMoved):  # noted as the step's own move
                    progress.emit(PlateNoted(progress.plan.plate, output))

    def _ended(self, machine: M) -> None:
        self.machine = None
        self._sum_up(machine)
        if machine.state is State.COMPLETE:
            move = Move.DONE
        elif self._memory.state in (StepState.STOPPING, StepState.ABORTING):
            move = Move.REST
        else:
            move = Move.STOP if machine.state is State.STOPPED else Move.ABORT
        self._progress.leave(move, reason=machine.reason)

    def _sum_up(self, machine: M) -> None:
        progress, memory, outcome = self._progress, self._memory, self._kind.sum_up(machine)
        memory.facts = outcome.facts
        if memory.run_open:
            memory.run_open = False
            progress.emit(BakeOver(memory.runs[-1], machine.state, machine.reason, outcome.facts))
        for text in outcome.deviations:
            progress.deviate(text)
        if outcome.judgement is not None:
            progress.judge(outcome.judgement, outcome.defects)

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Any] | None:
        return self.machine.snapshot() if self.machine is not None else None

    def resume(self, snapshot: Mapping[str, Any] | None, down_s: float | None) -> None:
        if snapshot is None:
            return
        now = self._progress.now
        machine = self.machine = self._kind.resume(snapshot, down_s, now)
        self._from_machine(machine, machine.tick(now=now))
