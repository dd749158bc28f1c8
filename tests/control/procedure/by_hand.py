"""Plates led by hand, without any unit: exposures are told, ovens read, as a test wants it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.procedure.in_flight import PlatesInFlight
from platelink.control.procedure.outputs import (
    ExposureAct,
    ExposureRequested,
    PlateOutput,
    PlateOver,
    PlateRefused,
)
from platelink.control.procedure.plan import PlatePlan, StepDefaults
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import Ended, State
from platelink.control.steps.bake_status import BakeStatus
from platelink.control.steps.unswitched import Temperatures
from platelink.recipe.steps import BakeStep
from platelink.simulated.plates import asked_for

OVEN_UNIT = StepDefaults(has_vacuum=True, has_oven=True)


@dataclass
class Hands:
    """Plates, an exposure unit that always does what is asked, and a person."""

    in_flight: PlatesInFlight
    now: float = 0.0
    outputs: list[PlateOutput] = field(default_factory=list)
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
            self.outputs.append(output)
            match output:
                case PlateRefused(text):
                    refused = text
                case PlateOver():
                    self.over[output.plate] = output
                case ExposureRequested():
                    self._begin(output)
                case ExposureAct():
                    self.unit(output.act, output.reason)
        return refused

    def _begin(self, wanted: ExposureRequested) -> None:
        assert not self.lit
        self.lit, self.plate_lit = wanted.request.run_id, wanted.plate
        self.target, self.state = wanted.exposure.target_dose_mj_cm2, State.IDLE
        self.take(
            self.in_flight.exposure_begun(wanted.plate, self.lit, wanted.request, now=self.now)
        )
        self.move(State.RUNNING)

    def move(self, to: State) -> None:
        self.state = to
        self.take(self.in_flight.exposure_moved(self.lit, to, now=self.now))

    def end(self, state: State, dose: float | None = None) -> None:
        run, self.lit = self.lit, ""
        self.state = state
        given = self.target if dose is None else dose
        ended = Ended(state, f"{state} by hand", given, None, 5.0, None)
        self.take(self.in_flight.exposure_ended(run, ended, now=self.now))

    def unit(self, act: PlateAct, reason: str) -> None:
        """The exposure does what a person asks of it, at once."""
        if not self.lit:
            return
        if act is PlateAct.HOLD:
            self.move(State.HOLDING)
            self.move(State.HELD)
        elif act is PlateAct.RESTART:
            self.move(State.RESTARTING)
            self.move(State.RUNNING)
        else:
            passing = State.STOPPING if act is PlateAct.STOP else State.ABORTING
            if self.state is not State.HELD:
                self.move(passing)
            self.end(State.STOPPED if act is PlateAct.STOP else State.ABORTED, self.target / 3.0)

    def act(self, plate: str, act: PlateAct, **more: Any) -> str:
        self.runs += 1
        asked = PlateRequest(act=act, who="Ada", run_id=f"run-{self.runs}", **more)
        return self.take(self.in_flight.act(plate, asked, now=self.now))

    def on(self, plate: Plate) -> None:
        """One thing that brings the plate on."""
        name, step, acts = plate.plan.plate, plate.step, plate.acts()
        if plate.live and self.state is State.RUNNING:
            self.end(State.COMPLETE)
        elif PlateAct.BEGIN in acts:
            assert not self.act(name, PlateAct.BEGIN)
        elif PlateAct.RESTART in acts:
            assert not self.act(name, PlateAct.RESTART)
        elif values := asked_for(plate):
            assert not self.act(name, PlateAct.MEASURE, values=values)
        elif isinstance(step, BakeStep):
            self.now += 1.0
            found = Temperatures(step.nominal_c)
            self.take(self.in_flight.temperatures(found, t=self.now, now=self.now))
        elif (stage := plate.work.status().stage) is not None:
            if stage.planned_s and not stage.due:
                self.now += 1.0
                self.take(self.in_flight.tick(now=self.now))
            else:
                assert not self.act(name, PlateAct.DONE)

    def finish(self, plate: str, limit: int = 5000) -> PlateOver:
        while plate in self.in_flight.plates:
            self.on(self.in_flight.plates[plate])
            limit -= 1
            assert limit, self.outputs[-5:]
        return self.over[plate]


def bake_of(plate: Plate) -> BakeStatus:
    """The bake that is going on."""
    part = plate.work.status().bake
    assert part is not None and part.status is not None
    return part.status


def finish_to(in_flight: PlatesInFlight, plan: PlatePlan, step: str) -> Hands:
    """Make a plate up to a step."""
    hands = Hands(in_flight)
    hands.take(in_flight.make(plan, now=0.0))
    while in_flight.plates[plan.plate].step.name != step:
        hands.on(in_flight.plates[plan.plate])
    return hands
