"""Steps done by hand: washout, blow-off, prompt. Pure."""

from __future__ import annotations

from dataclasses import asdict

from platelink.contract.words import PlateAct
from platelink.control.procedure.machine_work import MachineKind, Outcome
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.step_status import StepStatus
from platelink.control.states import State
from platelink.control.steps.stage import Stage, StagesStatus, Verdict
from platelink.control.steps.stages import Stages
from platelink.control.steps.water import Water, WaterBand
from platelink.recipe.steps import BlowOffStep, PromptStep, WashStep


def washout(step: WashStep) -> MachineKind[Stages]:
    """A washout in its stages."""
    stages = tuple(
        Stage(name=s.name, prompt=s.prompt, time_s=s.duration_s, tolerance_s=s.tolerance_s)
        for s in step.stage
    )
    water = None
    if step.water_low_c is not None and step.water_high_c is not None:
        water = Water(WaterBand(step.water_low_c, step.water_high_c))
    return _by_hand(stages, stages[0].prompt, water)


def lacks_probe(step: WashStep, unit: StepDefaults) -> str:
    """What the unit lacks for the step; empty when nothing."""
    limits_c = [c for c in (step.water_low_c, step.water_high_c) if c is not None]
    return unit.unreached(step.name, limits_c, unit.water_reach_c)


def one_stage(step: BlowOffStep | PromptStep) -> MachineKind[Stages]:
    """A step of a single stage; its time is a least time."""
    prompt = step.instructions or "Water off with low-pressure air."
    stage = Stage(name=step.name, prompt=prompt, time_s=step.duration_s, at_least=True)
    return _by_hand((stage,), step.instructions or "", None)


def _by_hand(stages: tuple[Stage, ...], prompt: str, water: Water | None) -> MachineKind[Stages]:
    """``prompt``: what the person is told before it begins."""
    first = stages[0]
    ahead = StagesStatus(
        state=State.IDLE, stage=first.name, prompt=prompt, number=1, count=len(stages),
        waiting=True, planned_s=first.time_s, elapsed_s=0.0, due=False, overdue=False,
        results=(), reason="",
    )  # fmt: skip
    return MachineKind(
        make=lambda now: Stages(stages, water, now=now),
        resume=lambda snapshot, down_s, now: Stages.from_snapshot(
            stages, water, snapshot, down_s=down_s, now=now
        ),
        deed=PlateAct.DONE,
        do=lambda machine, request, now: machine.done(who=request.who, now=now),
        temperatures=lambda machine, found, t, now: (
            machine.water(now=now) if found.water_c is not None else ()
        ),
        water=water,
        sum_up=_sum_up,
        status=lambda machine: StepStatus(stage=machine.status() if machine else ahead),
        untimed=first.time_s is None,
    )


def _sum_up(machine: Stages) -> Outcome:
    results = machine.results
    return Outcome(
        {"stages": [asdict(r) | {"verdict": str(r.verdict)} for r in results]},
        deviations=[
            f"{r.name}: {r.actual_s:.0f} of {r.planned_s:.0f} s, {r.verdict}"
            for r in results
            if r.verdict in (Verdict.EARLY, Verdict.LATE)
        ]
        + [f"{r.name}: {r.water_fault}" for r in results if r.water_fault],
    )
