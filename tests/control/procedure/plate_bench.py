"""Plates on a simulated unit, watched at every step of time. All names and figures are invented."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from platelink.contract.words import PlateAct
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.requests import PlateRequest
from platelink.control.procedure.table import StepState
from platelink.control.states import DARK, ENDED
from platelink.link import messages as m
from platelink.recipe.load import loads
from platelink.recipe.model import Recipe
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import (
    EXPECTED_MW_CM2,
    LINK_S,
    WARM_UNIT,
    WHO,
    Operator,
    asked_for,
    plan,
)
from platelink.unit.outputs import (
    DeviceReported,
    EventNoted,
    RunBegun,
    RunClosed,
    RunEnded,
    Snapshots,
)
from platesim.unit import SimulatedUnit, UnitParameters

FILM_MJ_CM2, BACK_MJ_CM2 = 60.0, 36.0
SHORT = """
format = 1
id = "short"
title = "Every kind of step, quickly (invented)"

[[step]]
kind = "prompt"
name = "identify"
instructions = "Read the labels."

[[step]]
kind = "expose"
name = "film"
dose_mj_cm2 = 60.0
tolerance_pct = 2.0
on_leak = "hold"
[step.contact]
low_kpa = 50.0
high_kpa = 95.0
pull_down_limit_s = 60.0
hold_test_s = 2.0

[[step]]
kind = "wash"
name = "washout"
[[step.stage]]
name = "soak"
duration_s = 6.0
tolerance_s = 2.0
prompt = "Soak."
[[step.stage]]
name = "rub"
duration_s = 4.0
tolerance_s = 2.0
prompt = "Rub."

[[step]]
kind = "blow_off"
name = "blow-off"
duration_s = 3.0

[[step]]
kind = "bake"
name = "dry"
low_c = 54.5
nominal_c = 58.0
high_c = 61.5
limit_c = 68.0
in_band_s = 15.0
reach_limit_s = 60.0

[[step]]
kind = "expose"
name = "back"
dose_mj_cm2 = 36.0
tolerance_pct = 2.0
contact = false

[[step]]
kind = "inspect"
name = "inspect"
[[step.point]]
name = "large area"
low_um = 30.0
high_um = 34.0
[[step.check]]
name = "dots"
question = "Are all dots standing?"
defect = "dots-missing"
"""
NAMES = ("identify", "film", "washout", "blow-off", "dry", "back", "inspect")
LIT = {
    StepState.RUNNING, StepState.HOLDING, StepState.RESTARTING, StepState.STOPPING,
    StepState.ABORTING,
}  # fmt: skip
"""States of an expose step in which its lamp may be on."""


def short(**changes: str) -> Recipe:
    """The short recipe; each change is the new text of a line that begins so."""
    text = SHORT
    for key, value in changes.items():
        line = next(li for li in text.splitlines() if li.startswith(f"{key} = "))
        text = text.replace(line, f"{key} = {value}")
    return loads(text)


@dataclass
class Left:
    """An exposure that a core before left open: its dose by the plant's own truth."""

    run_id: str
    began_mj_cm2: float


class Watched(Simulation):
    """A simulation that looks at what must hold after every step of time."""

    checks: list[Callable[[], None]]

    def __init__(self, *args: Any) -> None:
        self.checks = []
        super().__init__(*args)

    def step(self, end: float) -> None:
        super().step(end)
        for check in self.checks:
            check()


@dataclass
class Bench:
    """A unit, its core, and what is kept; the core can be killed and begun anew."""

    parameters: UnitParameters = WARM_UNIT
    seed: int = 3
    recipe: Recipe = field(default_factory=short)

    def __post_init__(self) -> None:
        unit = SimulatedUnit(self.parameters, self.seed)
        self.simulation = Watched(unit, make_core(self.parameters, expected_mw_cm2=EXPECTED_MW_CM2))
        self.simulation.checks.append(self._look)
        self.operator = Operator(self.simulation)
        self.plans: dict[str, PlatePlan] = {}
        self.kept: dict[str, str] = {}
        self.kept_at: dict[str, float] = {}
        self.runs: dict[str, str] = {}
        """Kind of each run that is open."""
        self.began: dict[str, float] = {}
        """True dose of the bed when a run of light began."""
        self.left: list[Left] = []
        self._seen = 0
        self.acts = 0
        self.run_until(lambda: self.core.up, LINK_S)
        self.wait(3.0)
        unit.mark()

    # --- what tests ask --------------------------------------------------------------------

    @property
    def core(self) -> Any:
        return self.simulation.core

    @property
    def unit(self) -> SimulatedUnit:
        return self.simulation.unit

    def plate(self, name: str = "p-1") -> Plate:
        found = self.core.plates.in_flight.plates.get(name)
        assert found is not None, f"{name} is not in progress: {self.texts(name)[-6:]}"
        return found

    def ended(self, name: str = "p-1") -> RunClosed:
        found = [o for o in self.outputs(RunClosed) if o.run_id == name]
        assert len(found) == 1, (found, self.texts(name)[-6:])
        return found[0]

    def outputs(self, kind: type) -> list[Any]:
        return [o for o in self.simulation.outputs if isinstance(o, kind)]

    def events(self, name: str, run: str = "p-1") -> list[EventNoted]:
        return [o for o in self.outputs(EventNoted) if o.run_id == run and o.name == name]

    def texts(self, run: str = "p-1") -> list[str]:
        return [f"{o.name}: {o.text}" for o in self.outputs(EventNoted) if o.run_id == run]

    def moves(self, run: str = "p-1") -> list[tuple[str, str]]:
        return [(str(e.data["name"]), str(e.data["to"])) for e in self.events("step", run)]

    def facts(self, step: str, run: str = "p-1") -> dict[str, Any]:
        return next(s for s in self.ended(run).data["steps"] if s["name"] == step)

    # --- what tests do ---------------------------------------------------------------------

    def make(self, *names: str, recipe: Recipe | None = None) -> Bench:
        for name in names or ("p-1",):
            self.plans[name] = plan(name, recipe or self.recipe)
            self.simulation.make_plate(self.plans[name])
        self._look()
        return self

    def act(self, act: PlateAct, plate: str = "p-1", **more: Any) -> str:
        """Ask; the refusal, else empty."""
        self.acts += 1
        asked = PlateRequest(act=act, who=WHO, run_id=f"own-{self.acts}", **more)
        before = len(self.simulation.outputs)
        refused = self.simulation.act(plate, asked)
        told = [o for o in self.simulation.outputs[before:] if isinstance(o, EventNoted)]
        self._look()
        return refused or next((o.text for o in told if o.name == "refused"), "")

    def wait(self, seconds: float) -> None:
        self.simulation.run(lambda: False, seconds)

    def run_until(self, condition: Callable[[], object], limit_s: float = 200.0) -> None:
        reached = self.simulation.run(lambda: bool(condition()), limit_s)
        told = [text for name in self.plans for text in self.texts(name)[-6:]]
        assert reached, told

    def work(self, limit_s: float = 900.0) -> None:
        """A patient person makes all plates to their ends."""
        self.operator.work(limit_s)

    def work_to(self, step: str, state: StepState = StepState.READY, plate: str = "p-1") -> None:
        """A patient person, until a step is in a state."""
        index = NAMES.index(step)

        def there() -> bool:
            found = self.plate(plate)
            return found.index == index and found.present.state is state

        end = self.simulation.now + 600.0
        while not there():
            assert self.simulation.now < end, self.texts(plate)[-6:]
            if self.plate(plate).index < index or state is not StepState.READY:
                self._lead(plate)
            self.simulation.run(there, 0.2)

    def _lead(self, name: str) -> None:
        plate = self.plate(name)
        act = self.operator.next_act(plate)
        if act is not None:
            assert not self.act(act, name, values=asked_for(plate))

    # --- a program that dies ---------------------------------------------------------------

    def crash(self, *, down_s: float = 0.0, power_cut: bool = False) -> None:
        """Kill the core, let time pass, begin a new one with what was kept."""
        self._look()
        self.left = [Left(r, self.began[r]) for r, kind in self.runs.items() if kind == "expose"]
        if power_cut:
            self.unit.reset_device(m.ResetCause.POWER_ON)
        if down_s:
            self.unit.advance(down_s)
        self.unit.read()
        old = self.simulation.core
        core = make_core(
            self.parameters, expected_mw_cm2=EXPECTED_MW_CM2, learned=old.bed.lessons.in_force,
            now=self.simulation.now,
        )  # fmt: skip
        core.recovering = bool(self.left)
        self.simulation.core = core
        bakes = {r: -1 for r, kind in self.runs.items() if kind == "bake"}
        for name, text in self.kept.items():
            down = self.simulation.now - self.kept_at[name]
            self.simulation._take(core.resume_plate(
                self.plans[name], json.loads(text), bakes, down_s=down, away_s=down,
                at=self.simulation.stamp,
            ))  # fmt: skip
        self.simulation._take(core.port_opened(at=self.simulation.stamp))
        self._look()

    # --- what must hold --------------------------------------------------------------------

    def _look(self) -> None:
        while self._seen < len(self.simulation.outputs):  # there may come more meanwhile
            self._seen += 1
            self._note(self.simulation.outputs[self._seen - 1])
        self._no_light_without_its_step()
        self._acts_are_of_the_state()

    def _note(self, output: object) -> None:
        match output:
            case Snapshots():
                self._keep(output.values)
            case RunBegun():
                self.runs[output.run_id] = output.kind
                if output.kind == "expose":
                    self.began[output.run_id] = self.unit.true_dose_mj_cm2()
            case RunEnded() | RunClosed():
                self.runs.pop(output.run_id, None)
            case DeviceReported():
                self._recover(output.report)

    def _keep(self, values: dict[str, Any]) -> None:
        for name, value in values.items():
            if not name.startswith("plate:"):
                continue
            plate = name.removeprefix("plate:")
            if value is None:
                self.kept.pop(plate, None)
            else:
                self.kept[plate] = json.dumps(value, allow_nan=False)
                self.kept_at[plate] = self.simulation.now

    def _recover(self, report: m.OrderReport) -> None:
        """As the daemon's recovery does, but with the plant's own truth for the dose."""
        if not self.left or report.state == m.OrderState.OPEN:
            return
        left, self.left = self.left, []
        self.core.recovering = False
        for one in left:
            dose = self.unit.true_dose_mj_cm2() - one.began_mj_cm2
            self.runs.pop(one.run_id, None)
            self.simulation._take(self.core.exposure_recovered(
                one.run_id, dose, 0.0, 0.0, "as the plant says", at=self.simulation.stamp,
            ))  # fmt: skip

    def ask_device(self) -> None:
        """As the daemon's recovery does while an order left open goes on."""
        if self.left:
            self.core.ask_device(now=self.simulation.now)

    def _no_light_without_its_step(self) -> None:
        if not self.unit.lamp_on or not self.core.up:
            return
        exposure = self.core.bed.exposure
        alone = exposure is not None and exposure.state not in DARK | ENDED
        on_bed = [p for p in self.core.plates.in_flight.plates.values() if p.on_bed]
        if on_bed or not (alone or self.core.recovering):
            assert [p.present.state in LIT for p in on_bed] == [True], [
                (p.plan.plate, p.step.name, p.present.state) for p in on_bed
            ]

    def _acts_are_of_the_state(self) -> None:
        for plate in self.core.plates.in_flight.plates.values():
            assert not plate.progress.over
            done, rest = plate.steps[: plate.index], plate.steps[plate.index + 1 :]
            assert {s.state for s in done} <= {StepState.COMPLETE, StepState.SKIPPED}
            assert {s.state for s in rest} <= {StepState.WAITING}
            if plate.present.state is not StepState.ABORTING:
                assert plate.acts(), f"{plate.plan.plate} cannot be led on"
