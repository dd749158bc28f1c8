"""The kinds of step: what each is to its plate, and the one table that chooses among them. Pure.

A new kind of step is a file of its own beside this one and an entry in ``KINDS``.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Generic, Protocol, TypeVar

from platelink.contract.words import PlateAct
from platelink.control.alarm.states import Condition
from platelink.control.procedure.baking import bake, lacks_oven
from platelink.control.procedure.exposing import ExposureWork, lacks_vacuum
from platelink.control.procedure.hand_work import lacks_probe, one_stage, washout
from platelink.control.procedure.inspecting import inspection
from platelink.control.procedure.machine_work import MachineKind, MachineWork
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.progress import Progress, StepMemory
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.step_status import StepStatus
from platelink.control.procedure.table import Move
from platelink.control.steps.unswitched import Temperatures
from platelink.recipe.model import Recipe
from platelink.recipe.steps import (
    BakeStep,
    BlowOffStep,
    ExposeStep,
    InspectStep,
    PromptStep,
    StepSection,
    WashStep,
)

S = TypeVar("S", bound=StepSection)


class StepWork(Protocol):
    """One step of one plate, whatever its kind. What it does to the plate (moves, events, other
    outputs) goes to the plate's ``Progress``, which also has the time."""

    @property
    def exposure(self) -> ExposureWork | None:
        """Its exposures, where it needs the bed."""

    @property
    def untimed(self) -> bool:
        """It is only confirmed or measured: it needs no beginning of its own."""

    def status(self) -> StepStatus:
        """Its part of what a face shows."""

    def conditions(self) -> tuple[Condition, ...]:
        """What alarms want to know."""

    def next_deadline(self) -> float | None:
        """When ``tick`` must be called at the latest."""

    def acts(self, possible: frozenset[PlateAct]) -> frozenset[PlateAct]:
        """What a person may do now; ``possible``: what the table has for any step."""

    def begin(self, request: PlateRequest) -> None:
        """It is to begin."""

    def do(self, request: PlateRequest) -> None:
        """A person has done it, or measured."""

    def act(self, request: PlateRequest, move: Move) -> None:
        """Hold, restart, stop or abort; ``move`` is its move in the table."""

    def skip(self, request: PlateRequest) -> None:
        """It is left out."""

    def tick(self) -> None:
        """Say what is due by time."""

    def temperatures(self, found: Temperatures, *, t: float) -> None:
        """Take temperatures, measured at ``t``."""

    def snapshot(self) -> dict[str, Any] | None:
        """Plain values to go on from, beside the step's memory; None: there are none."""

    def resume(self, snapshot: Mapping[str, Any] | None, down_s: float | None) -> None:
        """Go on after ``down_s`` without this program, None where that is not known. What
        ``snapshot`` did not write is an error: KeyError, ValueError, TypeError."""


@dataclass(frozen=True)
class StepKind(Generic[S]):
    """A kind of step as the table has it."""

    place: str
    """Where it is done: the unit procedure of ISA-88."""
    work: Callable[[S, StepMemory, Progress, StepDefaults], StepWork]
    lacks: Callable[[S, StepDefaults], str] = lambda step, unit: ""
    """What a unit lacks for it; empty when nothing."""


def _by_machine(
    kind: Callable[[S], MachineKind[Any]],
) -> Callable[[S, StepMemory, Progress, StepDefaults], StepWork]:
    return lambda step, memory, progress, unit: MachineWork(kind(step), memory, progress)


def _baked(step: BakeStep, memory: StepMemory, progress: Progress, unit: StepDefaults) -> StepWork:
    return MachineWork(bake(step, unit), memory, progress)


KINDS: dict[str, StepKind[Any]] = {
    "expose": StepKind[ExposeStep]("exposure unit", ExposureWork, lacks_vacuum),
    "wash": StepKind[WashStep]("washout", _by_machine(washout), lacks_probe),
    "blow_off": StepKind[BlowOffStep]("washout", _by_machine(one_stage)),
    "bake": StepKind[BakeStep]("oven", _baked, lacks_oven),
    "inspect": StepKind[InspectStep]("bench", _by_machine(inspection)),
    "prompt": StepKind[PromptStep]("bench", _by_machine(one_stage)),
}


def cannot_make(recipe: Recipe, unit: StepDefaults) -> Iterator[str]:
    """What this unit lacks for a recipe."""
    for step in recipe.step:
        lacking = KINDS[step.kind].lacks(step, unit)
        if lacking:
            yield lacking
