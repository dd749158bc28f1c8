"""One plate on its way through its recipe. Pure.

Steps are done in order. The present step is moved by what a person does, by the machine that
carries it out (bake, stages, inspection) or by the exposure that the unit makes for it. Every move
goes through ``table.TRANSITIONS`` in ``_move`` and nowhere else.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from typing import Any

from platelink.control.alarm_states import Condition
from platelink.control.bake import Bake
from platelink.control.procedure.inspection import Inspection
from platelink.control.procedure.plan import (
    LEAST_REMAINDER,
    PLACES,
    PlatePlan,
    StepDefaults,
    bake_request,
    exposure_request,
    stages_of,
    water_of,
)
from platelink.control.procedure.said import (
    Act,
    Asked,
    BakeBegun,
    BakeOver,
    ExposureAct,
    ExposureAsked,
    PlateNoted,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.procedure.table import (
    BEGUN,
    OVER,
    PASSED,
    PLATE_STATE,
    TRANSITIONS,
    Move,
    StepState,
    move_between,
)
from platelink.control.stages import Stages, Verdict
from platelink.control.states import ENDED, Ended, ExposureOutput, Noted, Plain, Send, State
from platelink.recipe.steps import BakeStep, ExposeStep, InspectStep, Step

SNAPSHOT_FORMAT = 1
Machine = Bake | Stages | Inspection
_MOVES = {
    Act.BEGIN: Move.BEGIN, Act.HOLD: Move.HOLD, Act.RESTART: Move.RESTART, Act.SKIP: Move.SKIP,
    Act.STOP: Move.STOP, Act.ABORT: Move.ABORT,
}  # fmt: skip


@dataclass(slots=True)
class StepNow:
    """A step's memory."""

    state: StepState = StepState.WAITING
    reason: str = ""
    runs: list[str] = field(default_factory=list)
    """Runs made for it, oldest first."""
    run_open: bool = False
    """The newest of them has not ended, as far as is known."""
    dose_mj_cm2: float = 0.0
    """Of the runs that have ended."""
    facts: dict[str, Any] = field(default_factory=dict)
    """What its machine said at its end."""


class Plate:
    """See the file's first lines. ``now`` is host monotonic seconds."""

    def __init__(self, plan: PlatePlan, unit: StepDefaults, *, now: float) -> None:
        self.plan = plan
        self.steps = [StepNow() for _ in plan.steps]
        self.index = 0
        self.machine: Machine | None = None
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

    # --- what a face may ask ---------------------------------------------------------------

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

    @property
    def on_bed(self) -> bool:
        """It lies under the lamps: its exposure has begun and is not over."""
        return isinstance(self.step, ExposeStep) and self.present.state in BEGUN

    @property
    def live(self) -> bool:
        """An exposure that this program makes belongs to it."""
        return self.on_bed and self.present.run_open and not self.cut

    cut = False
    """The newest exposure was made by a program before us; what it gave is not told yet."""

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
        possible = {act for act, move in _MOVES.items() if (state, move) in TRANSITIONS}
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
        return tuple(act for act in Act if act in possible)

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know of the present step."""
        return self.machine.conditions() if self.machine is not None else ()

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""
        return self.machine.next_deadline() if self.machine is not None else None

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
            self._begin(asked)
        elif asked.act is Act.SKIP:
            self._skip(asked)
        elif isinstance(self.step, ExposeStep):
            self._act_on_exposure(asked)
        else:
            self._act_on_machine(asked)
        return self._take()

    def _problem(self, asked: Asked) -> str:
        name = f"{self.plan.plate}: {asked.act} is not possible"
        if self.over:
            return f"{name}, it is {self.state}"
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
        return ""

    def _begin(self, asked: Asked) -> None:
        step = self.step
        if isinstance(step, ExposeStep):
            self._out.append(
                ExposureAsked(self.plan.plate, step.name, exposure_request(step, self._unit), asked)
            )
            return
        machine = self.machine = self._machine(step)
        self._move(Move.BEGIN, asked)
        if isinstance(machine, Bake):
            self.present.runs.append(asked.run_id)
            self.present.run_open = True
            request = asdict(machine.request)
            self._out.append(
                BakeBegun(self.plan.plate, step.name, asked.run_id, asked.who, request)
            )
        self._from_machine(machine.start(now=self._now))

    def _machine(self, step: Step) -> Machine:
        if isinstance(step, BakeStep):
            return Bake(bake_request(step), now=self._now)
        if isinstance(step, InspectStep):
            return Inspection(step, now=self._now)
        assert not isinstance(step, ExposeStep)
        return Stages(stages_of(step), water_of(step), now=self._now)

    def _skip(self, asked: Asked) -> None:
        self._deviate(f"{self.step.name} skipped: {asked.reason.strip()}")
        why = f"skipped: {asked.reason.strip()}"
        machine, self.machine = self.machine, None
        if machine is not None:
            self._told(machine.stop(why, now=self._now))
            self._bake_over(machine, self.present)
        elif self.live:
            self._out.append(ExposureAct(Act.STOP, why))
        self._leave(Move.SKIP, asked)

    def _act_on_exposure(self, asked: Asked) -> None:
        if self.live:
            self._note_asked(asked)
            self._out.append(ExposureAct(asked.act, asked.reason or f"asked by {asked.who}"))
        elif asked.act is Act.RESTART:
            self._ask_remainder(asked)
        else:
            self._leave(_MOVES[asked.act], asked)

    def _ask_remainder(self, asked: Asked) -> None:
        step = self.step
        assert isinstance(step, ExposeStep)
        given = self.present.dose_mj_cm2
        if step.dose_mj_cm2 - given <= LEAST_REMAINDER * step.dose_mj_cm2:
            self._complete_exposure()
            return
        request = exposure_request(step, self._unit, delivered_mj_cm2=given)
        self._out.append(ExposureAsked(self.plan.plate, step.name, request, asked))

    def _act_on_machine(self, asked: Asked) -> None:
        if self.machine is None and asked.act in (Act.DONE, Act.MEASURE):
            self._begin(asked)
        machine, now = self.machine, self._now
        if machine is None:  # stopped or aborted before it began
            self._leave(_MOVES[asked.act], asked)
            return
        why = asked.reason or f"asked by {asked.who}"
        told: tuple[ExposureOutput, ...] = ()
        if asked.act is Act.DONE and isinstance(machine, Stages):
            told = machine.done(who=asked.who, now=now)
        elif asked.act is Act.MEASURE and isinstance(machine, Inspection):
            told = machine.measure(asked.values, who=asked.who, now=now)
        elif asked.act is Act.HOLD:
            told = machine.hold(why, now=now)
        elif asked.act is Act.RESTART:
            told = machine.restart(now=now)
        elif asked.act is Act.STOP:
            told = machine.stop(why, now=now)
        elif asked.act is Act.ABORT:
            told = machine.abort(why, now=now)
        if asked.act not in (Act.DONE, Act.MEASURE):
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

    def exposure_begun(self, run_id: str, asked: Asked, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure asked for has its run and begins now."""
        self._now = max(self._now, now)
        present = self.present
        present.runs.append(run_id)
        present.run_open = True
        held = present.state is StepState.HELD
        self._move(Move.RESTART if held else Move.BEGIN, asked, run_id=run_id)
        return self._take()

    def exposure_moved(self, to: State, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is in another state; its end comes by ``exposure_ended``."""
        self._now = max(self._now, now)
        if self.live and to not in ENDED and StepState(to) is not self.present.state:
            self._follow(StepState(to))
        return self._take()

    def exposure_ended(self, run_id: str, ended: Ended, *, now: float) -> tuple[PlateOutput, ...]:
        """The exposure is over."""
        self._now = max(self._now, now)
        step_now = next((s for s in self.steps if run_id in s.runs), None)
        if step_now is None or not step_now.run_open:
            return ()
        step_now.run_open = False
        step_now.dose_mj_cm2 += ended.dose_mj_cm2
        step_now.facts = {
            "dose_mj_cm2": step_now.dose_mj_cm2, "light_s": ended.light_s, "runs": step_now.runs,
        }  # fmt: skip
        self.changed = True
        if step_now is not self.present or self.over or step_now.state in OVER:
            return self._take()
        if ended.state is State.COMPLETE:
            self._complete_exposure()
        else:
            aborted = ended.state is State.ABORTED
            if step_now.state is not StepState.HELD:
                passing = StepState.ABORTING if aborted else StepState.STOPPING
                if step_now.state is not passing:
                    self._follow(passing)
                self._leave(Move.REST, reason=ended.reason)
            else:
                self._leave(Move.ABORT if aborted else Move.STOP, reason=ended.reason)
        return self._take()

    def exposure_recovered(
        self, run_id: str, dose_mj_cm2: float, uncertain_mj_cm2: float, text: str, *, now: float
    ) -> tuple[PlateOutput, ...]:
        """What an exposure left by a program before us gave, as far as is known. Light that may
        have fallen unseen is counted half, so that the remainder errs by half of it at most."""
        self._now = max(self._now, now)
        present, step = self.present, self.step
        if not (self.cut and run_id in present.runs and isinstance(step, ExposeStep)):
            return ()
        self.cut = False
        present.run_open = False
        present.dose_mj_cm2 += dose_mj_cm2 + uncertain_mj_cm2 / 2.0
        present.facts = {"dose_mj_cm2": present.dose_mj_cm2, "runs": present.runs}
        self._deviate(f"{step.name} interrupted: {text}")
        missing = step.dose_mj_cm2 - present.dose_mj_cm2
        if missing <= step.dose_mj_cm2 * step.tolerance_pct / 100.0:
            self._complete_exposure()
            return self._take()
        present.reason = (
            f"{present.dose_mj_cm2:.1f} of {step.dose_mj_cm2:.1f} mJ/cm² are given, "
            f"{missing:.1f} to go; restart for the remainder, or stop"
        )
        self._note("exposure recovered", present.reason, {
            "run_id": run_id, "dose_mj_cm2": present.dose_mj_cm2,
            "uncertain_mj_cm2": uncertain_mj_cm2,
        })  # fmt: skip
        return self._take()

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

    # --- moves -----------------------------------------------------------------------------

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
        self._bake_over(machine, self.present)
        if isinstance(machine, Inspection) and machine.result is not None:
            self.judgement = str(machine.result.judgement)
            self.defects += machine.result.defects
        if isinstance(machine, Stages):
            off = (Verdict.EARLY, Verdict.LATE)
            for r in machine.results:
                if r.verdict in off:
                    self._deviate(f"{r.name}: {r.actual_s:.0f} of {r.planned_s:.0f} s, {r.verdict}")
        if machine.state is State.COMPLETE:
            self._leave(Move.DONE, reason=machine.reason)
        else:
            at_rest = self.present.state in (StepState.STOPPING, StepState.ABORTING)
            stopped = machine.state is State.STOPPED
            self._leave(
                Move.REST if at_rest else Move.STOP if stopped else Move.ABORT,
                reason=machine.reason,
            )

    def _bake_over(self, machine: Machine, step_now: StepNow) -> None:
        if isinstance(machine, Bake):
            status = machine.status()
            names = ("in_band_s", "elapsed_s", "mean_c", "min_c", "max_c", "equivalent_s")
            data = {name: getattr(status, name) for name in names}
            data["door_openings"] = status.door_openings
            step_now.facts, step_now.run_open = data, False
            over = BakeOver(step_now.runs[-1], machine.state, machine.reason, data)
            self._out.append(over)

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

    def _follow(self, to: StepState, *, reason: str = "") -> None:
        """Move as the exposure or the machine has moved."""
        move = move_between(self.present.state, to)
        if move is None:
            raise AssertionError(f"no move from {self.present.state} to {to}")
        self._move(move, reason=reason)

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
        text = f"{step.name}: {present.state} to {after}" + (f"; {reason}" if reason else "")
        present.state, present.reason = after, reason
        self._note("step", text, data)

    def _leave(self, move: Move, asked: Asked | None = None, *, reason: str = "") -> None:
        """A move that ends the step: the next one has its turn, or the plate is over."""
        self._move(move, asked, reason=reason)
        if self.present.state in PASSED and self.index + 1 < len(self.steps):
            self.index += 1
            self._move(Move.TURN)
            return
        self.over = True
        state = self.state
        reason = self.present.reason or "all steps done"
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

    # --- across a restart of the computer ----------------------------------------------------

    def snapshot(self) -> dict[str, Any]:
        """Plain values to go on from; the plan is not among them."""
        self.changed = False
        return {
            "format": SNAPSHOT_FORMAT,
            "index": self.index,
            "steps": [asdict(s) | {"state": str(s.state)} for s in self.steps],
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
        step, now = self.step, self._now
        if isinstance(step, ExposeStep):
            if self.present.run_open:
                self.cut = True
                if self.present.state is not StepState.HELD:
                    self._move(Move.CUT, reason="recording stopped in it; asking the device")
            return
        if kept is None:
            return
        if isinstance(step, BakeStep):
            self.machine = Bake.from_snapshot(bake_request(step), kept, down_s=down_s, now=now)
        elif isinstance(step, InspectStep):
            self.machine = Inspection.from_snapshot(step, kept, now=now)
        else:
            stages, water = stages_of(step), water_of(step)
            self.machine = Stages.from_snapshot(stages, water, kept, down_s=down_s, now=now)
        self._from_machine(self.machine.tick(now=now))
