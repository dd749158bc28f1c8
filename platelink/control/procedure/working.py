"""The steps of a plate that a machine of ours carries out: bake, stages, inspection. Pure."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from platelink.control.alarm_states import Condition
from platelink.control.bake import Bake
from platelink.control.procedure.inspection import Inspection, Judgement
from platelink.control.procedure.moves import Moves, StepNow
from platelink.control.procedure.plan import bake_request, stages_of, water_of
from platelink.control.procedure.said import (
    Act,
    Asked,
    BakeBegun,
    BakeOver,
    PlateNoted,
    PlateOutput,
    PlateRefused,
)
from platelink.control.procedure.table import Move, StepState
from platelink.control.stages import Stages, Verdict
from platelink.control.states import ENDED, ExposureOutput, Noted, Send, State
from platelink.recipe.steps import BakeStep, ExposeStep, InspectStep, Step

Machine = Bake | Stages | Inspection


class Working(Moves):
    """See the file's first line. ``now`` is host monotonic seconds."""

    machine: Machine | None = None
    """What carries the present step out; None before it begins, and in an exposure."""

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know of the present step."""
        return self.machine.conditions() if self.machine is not None else ()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return self.machine.next_deadline() if self.machine is not None else None

    # --- what a person asks ----------------------------------------------------------------

    def _begin(self, asked: Asked) -> None:
        machine = self.machine = self._machine(self.step)
        self._move(Move.BEGIN, asked)
        if isinstance(machine, Bake):
            self.present.runs.append(asked.run_id)
            self.present.run_open = True
            request = asdict(machine.request)
            self._out.append(
                BakeBegun(self.plan.plate, self.step.name, asked.run_id, asked.who, request)
            )
        self._from_machine(machine.start(now=self._now))

    def _machine(self, step: Step) -> Machine:
        if isinstance(step, BakeStep):
            return Bake(bake_request(step), now=self._now)
        if isinstance(step, InspectStep):
            return Inspection(step, now=self._now)
        assert not isinstance(step, ExposeStep)
        return Stages(stages_of(step), water_of(step), now=self._now)

    def _skip_machine(self, asked: Asked) -> None:
        machine, self.machine = self.machine, None
        if machine is not None:
            self._told(machine.stop(f"skipped: {asked.reason.strip()}", now=self._now))
            self._sum_up(machine, self.present)
        self._leave(Move.SKIP, asked)

    def _carry_on(self, asked: Asked) -> None:
        """Done, or measured: a step that needs no beginning of its own begins with it."""
        if self.machine is None:
            self._begin(asked)
        machine = self.machine
        if isinstance(machine, Inspection):
            self._from_machine(machine.measure(asked.values, who=asked.who, now=self._now))
        elif isinstance(machine, Stages):
            self._from_machine(machine.done(who=asked.who, now=self._now))

    def _act_on_machine(self, asked: Asked, move: Move) -> None:
        """Hold, restart, stop or abort; ``move`` is its move in the table."""
        machine, now = self.machine, self._now
        if machine is None:  # stopped or aborted before it began
            self._leave(move, asked)
            return
        why = asked.reason or f"asked by {asked.who}"
        told: tuple[ExposureOutput, ...] = ()
        if asked.act is Act.HOLD:
            told = machine.hold(why, now=now)
        elif asked.act is Act.RESTART:
            told = machine.restart(now=now)
        elif asked.act is Act.STOP:
            told = machine.stop(why, now=now)
        elif asked.act is Act.ABORT:
            told = machine.abort(why, now=now)
        self._note_asked(asked)
        self._from_machine(told)

    # --- what the unit says ----------------------------------------------------------------

    def tick(self, *, now: float) -> tuple[PlateOutput, ...]:
        """Say what is due by time."""
        return self._drive(now, lambda machine: machine.tick(now=self._now))

    def oven(self, oven_c: float | None, *, t: float, now: float) -> tuple[PlateOutput, ...]:
        """Take an oven temperature."""
        if not isinstance(self.machine, Bake):
            return ()
        bake = self.machine
        return self._drive(now, lambda _: bake.reading(oven_c, t=t, now=self._now))

    def _drive(
        self, now: float, drive: Callable[[Machine], tuple[ExposureOutput, ...]]
    ) -> tuple[PlateOutput, ...]:
        self._now = max(self._now, now)
        if self.machine is not None:
            self._from_machine(drive(self.machine))
        return self._take()

    def _from_machine(self, outputs: tuple[ExposureOutput, ...]) -> None:
        machine = self.machine
        assert machine is not None
        for output in outputs:
            if isinstance(output, Noted) and output.name == "state":
                to = State(str(output.data["to"]))
                if to not in ENDED and StepState(to) is not self.present.state:
                    self._follow(StepState(to), reason=machine.reason)
        self._told(outputs)
        if machine.state in ENDED:
            self._machine_ended(machine)

    def _machine_ended(self, machine: Machine) -> None:
        self.machine = None
        self._sum_up(machine, self.present)
        if machine.state is State.COMPLETE:
            self._leave(Move.DONE, reason=machine.reason)
        else:
            at_rest = self.present.state in (StepState.STOPPING, StepState.ABORTING)
            stopped = machine.state is State.STOPPED
            self._leave(
                Move.REST if at_rest else Move.STOP if stopped else Move.ABORT,
                reason=machine.reason,
            )

    def _sum_up(self, machine: Machine, step_now: StepNow) -> None:
        """What the step came to, and what of it was not as the recipe says."""
        if isinstance(machine, Bake):
            self._sum_up_bake(machine, step_now)
        elif isinstance(machine, Stages):
            step_now.facts = {
                "stages": [asdict(r) | {"verdict": str(r.verdict)} for r in machine.results]
            }
            for r in machine.results:
                if r.verdict in (Verdict.EARLY, Verdict.LATE):
                    self._deviate(f"{r.name}: {r.actual_s:.0f} of {r.planned_s:.0f} s, {r.verdict}")
        elif machine.result is not None:
            found = machine.result
            if self.judgement != Judgement.REJECT:  # one bad inspection is enough
                self.judgement = str(found.judgement)
            self.defects += [d for d in found.defects if d not in self.defects]
            step_now.facts = {
                "judgement": str(found.judgement), "points_um": found.points_um,
                "checks": found.checks, "note": found.note,
            }  # fmt: skip

    def _sum_up_bake(self, bake: Bake, step_now: StepNow) -> None:
        status = bake.status()
        names = ("in_band_s", "elapsed_s", "mean_c", "min_c", "max_c", "equivalent_s")
        data = {name: getattr(status, name) for name in names}
        data["door_openings"] = status.door_openings
        step_now.facts, step_now.run_open = data, False
        self._out.append(BakeOver(step_now.runs[-1], bake.state, bake.reason, data))

    def _told(self, outputs: tuple[ExposureOutput, ...]) -> None:
        for output in outputs:
            if isinstance(output, Send):
                self._out.append(output)
            elif isinstance(output, Noted) and output.name == "refused":
                self._out.append(PlateRefused(f"{self.step.name}: {output.text}"))
            elif isinstance(output, Noted):
                self.changed = True
                if output.name != "state":  # told as the step's own move
                    self._out.append(PlateNoted(self.plan.plate, output))

    # --- across a restart of the computer ----------------------------------------------------

    def _resume_machine(self, step: Step, kept: Mapping[str, Any], down_s: float | None) -> None:
        now = self._now
        if isinstance(step, BakeStep):
            self.machine = Bake.from_snapshot(bake_request(step), kept, down_s=down_s, now=now)
        elif isinstance(step, InspectStep):
            self.machine = Inspection.from_snapshot(step, kept, now=now)
        else:
            assert not isinstance(step, ExposeStep)
            stages, water = stages_of(step), water_of(step)
            self.machine = Stages.from_snapshot(stages, water, kept, down_s=down_s, now=now)
        self._from_machine(self.machine.tick(now=now))
