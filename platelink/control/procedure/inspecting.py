"""An inspect step: the values that a person gives, and what they mean. Pure."""

from __future__ import annotations

from platelink.contract.words import PlateAct
from platelink.control.procedure.machine_work import MachineKind, Outcome
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.step_status import StepStatus
from platelink.control.steps.inspection import Inspection, judge
from platelink.recipe.steps import InspectStep


def inspection(step: InspectStep) -> MachineKind[Inspection]:
    """The inspection of a step."""

    def problem(request: PlateRequest) -> str:
        try:
            judge(step, request.values)
        except ValueError as error:
            return f"{step.name}: {error}"
        return ""

    return MachineKind(
        make=lambda now: Inspection(step, now=now),
        resume=lambda snapshot, down_s, now: Inspection.from_snapshot(step, snapshot, now=now),
        deed=PlateAct.MEASURE,
        problem=problem,
        do=lambda machine, request, now: machine.measure(request.values, who=request.who, now=now),
        sum_up=_sum_up,
        status=lambda machine: StepStatus(inspect=step),
        untimed=True,
    )


def _sum_up(machine: Inspection) -> Outcome:
    """What it found; nothing where it was broken off."""
    found = machine.result
    if found is None:
        return Outcome({})
    judgement = str(found.judgement)
    facts = {
        "judgement": judgement, "points_um": found.points_um, "checks": found.checks,
        "note": found.note,
    }  # fmt: skip
    return Outcome(facts, judgement=judgement, defects=found.defects)
