"""Plates led by hand, without any unit: exposures are told, ovens read, as a test wants it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from platelink.cli.simulated_plate import good_values
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.room import PlateRoom
from platelink.control.procedure.said import (
    Act,
    Asked,
    ExposureAct,
    ExposureAsked,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.stages import Stages
from platelink.control.states import Ended, State
from platelink.recipe.steps import BakeStep, InspectStep

OVEN_UNIT = StepDefaults(has_vacuum=True, has_oven=True)


@dataclass
class Hands:
    """A room, an exposure unit that always does what is asked, and a person."""

    room: PlateRoom
    now: float = 0.0
    told: list[PlateOutput] = field(default_factory=list)
    over: dict[str, PlateOver] = field(default_factory=dict)
    runs: int = 0
    lit: str = ""
    """Run of the exposure that is going on."""
    plate_lit: str = ""
    state: State = State.IDLE
    target: float = 0.0

    def take(self, outputs: tuple[PlateOutput, ...]) -> str:
        refused = ""
        for output in outputs:
            self.told.append(output)
            match output:
                case PlateRefused(text):
                    refused = text
                case PlateOver():
                    self.over[output.plate] = output
                case ExposureAsked():
                    self._begin(output)
                case ExposureAct():
                    self.unit(output.act, output.reason)
        return refused

    def _begin(self, wanted: ExposureAsked) -> None:
        assert not self.lit
        self.lit, self.plate_lit = wanted.asked.run_id, wanted.plate
        self.target, self.state = wanted.request.target_dose_mj_cm2, State.IDLE
        self.take(self.room.exposure_begun(wanted.plate, self.lit, wanted.asked, now=self.now))
        self.move(State.RUNNING)

    def move(self, to: State) -> None:
        self.state = to
        self.take(self.room.exposure_moved(self.lit, to, now=self.now))

    def end(self, state: State, dose: float | None = None) -> None:
        run, self.lit = self.lit, ""
        self.state = state
        given = self.target if dose is None else dose
        ended = Ended(state, f"{state} by hand", given, None, 5.0, None)
        self.take(self.room.exposure_ended(run, ended, now=self.now))

    def unit(self, act: Act, reason: str) -> None:
        """The exposure does what a person asks of it, at once."""
        if not self.lit:
            return
        if act is Act.HOLD:
            self.move(State.HOLDING)
            self.move(State.HELD)
        elif act is Act.RESTART:
            self.move(State.RESTARTING)
            self.move(State.RUNNING)
        else:
            passing = State.STOPPING if act is Act.STOP else State.ABORTING
            if self.state is not State.HELD:
                self.move(passing)
            self.end(State.STOPPED if act is Act.STOP else State.ABORTED, self.target / 3.0)

    def act(self, plate: str, act: Act, **more: Any) -> str:
        self.runs += 1
        asked = Asked(act=act, who="Ada", run_id=f"run-{self.runs}", **more)
        return self.take(self.room.act(plate, asked, now=self.now))

    def on(self, plate: Plate) -> None:
        """One thing that brings the plate on."""
        name, step, acts = plate.plan.plate, plate.step, plate.acts()
        if plate.live and self.state is State.RUNNING:
            self.end(State.COMPLETE)
        elif Act.BEGIN in acts:
            assert not self.act(name, Act.BEGIN)
        elif Act.RESTART in acts:
            assert not self.act(name, Act.RESTART)
        elif isinstance(step, InspectStep):
            assert not self.act(name, Act.MEASURE, values=good_values(step))
        elif isinstance(step, BakeStep):
            self.now += 1.0
            self.take(self.room.oven(step.nominal_c, t=self.now, now=self.now))
        elif isinstance(plate.machine, Stages) or Act.DONE in acts:
            status = plate.machine.status() if isinstance(plate.machine, Stages) else None
            if status is not None and status.planned_s and not status.due:
                self.now += 1.0
                self.take(self.room.tick(now=self.now))
            else:
                assert not self.act(name, Act.DONE)

    def finish(self, plate: str, limit: int = 5000) -> PlateOver:
        while plate in self.room.plates:
            self.on(self.room.plates[plate])
            limit -= 1
            assert limit, self.told[-5:]
        return self.over[plate]


def finish_to(room: PlateRoom, plan: PlatePlan, step: str) -> Hands:
    """Make a plate up to a step."""
    hands = Hands(room)
    hands.take(room.make(plan, now=0.0))
    while room.plates[plan.plate].step.name != step:
        hands.on(room.plates[plan.plate])
    return hands
