"""A bake step: its oven minutes, recorded under a run of their own. Pure."""

from __future__ import annotations

from dataclasses import asdict

from platelink.control.procedure.machine_work import MachineKind, Outcome
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.step_status import BakePart, StepStatus
from platelink.control.steps.bake import Bake
from platelink.control.steps.oven import BakeRequest
from platelink.recipe.steps import BakeStep

FACTS = (
    "in_band_s", "elapsed_s", "mean_c", "min_c", "max_c", "equivalent_s",
    "plate_max_c", "plate_equivalent_s", "door_openings",
)  # fmt: skip


def bake(step: BakeStep, unit: StepDefaults) -> MachineKind[Bake]:
    """The bake of a step, in the oven of a unit."""
    request = BakeRequest(
        low_c=step.low_c,
        high_c=step.high_c,
        in_band_s=step.in_band_s,
        over_c=step.limit_c,
        band_limit_s=step.reach_limit_s,
        activation_kj_mol=step.activation_energy_kj_mol,
        reference_c=step.nominal_c,
        plate_lag_s=step.plate_lag_s,
    )
    return MachineKind(
        make=lambda now: Bake(request, unit.closed_falls, now=now),
        resume=lambda snapshot, down_s, now: Bake.from_snapshot(
            request, snapshot, falls=unit.closed_falls, down_s=down_s, now=now
        ),
        sum_up=_sum_up,
        temperatures=lambda bake, found, t, now: bake.reading(
            found.oven_c, t=t if found.oven_t is None else found.oven_t, now=now
        ),
        status=lambda bake: StepStatus(bake=BakePart(request, bake.status() if bake else None)),
        recorded=asdict(request),
    )


def lacks_oven(step: BakeStep, unit: StepDefaults) -> str:
    """What the unit lacks for the step; empty when nothing."""
    if not unit.has_oven:
        return f"step {step.name} needs an oven sensor; configure [oven]"
    return unit.unreached(step.name, (step.low_c, step.high_c, step.limit_c), unit.oven_reach_c)


def _sum_up(bake: Bake) -> Outcome:
    status = bake.status()
    return Outcome({name: getattr(status, name) for name in FACTS})
