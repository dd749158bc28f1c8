"""Whole plates on a simulated unit in simulated time, and the person who makes them.

For the bench and the tests. All names and figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib.resources import files

from platelink.cli.simulation import Simulation, make_core
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.said import Act, Asked
from platelink.control.stages import Stages
from platelink.control.states import State
from platelink.daemon.recording import RunClosed
from platelink.recipe.load import loads
from platelink.recipe.model import Recipe
from platelink.recipe.steps import InspectStep
from platesim.oven import OvenParameters
from platesim.plant import PlantParameters
from platesim.unit import SimulatedUnit, UnitParameters

WARM_UNIT = UnitParameters(
    plant=PlantParameters(oven=OvenParameters(setpoint_c=65.6, start_c=65.0))
)
"""A unit whose oven has been on for a while."""
EXPECTED_MW_CM2 = 12.0
WHO = "example-operator"
PATIENCE_S = 7200.0
"""Longest a plate may take here."""
LINK_S = 5.0


def example(name: str = "plate-a-fine") -> Recipe:
    """One of the example recipes."""
    text = files("platelink.recipe").joinpath("examples", f"{name}.toml").read_text("utf-8")
    return loads(text)


def plan(name: str, recipe: Recipe) -> PlatePlan:
    """A plate of a recipe."""
    return PlatePlan(
        plate=name, recipe=recipe, revision=f"{recipe.id}@1", content_hash=recipe.content_hash(),
        who=WHO, job="invented-job",
    )  # fmt: skip


def unit_for_plates(
    parameters: UnitParameters = WARM_UNIT, seed: int = 3, expected: float = EXPECTED_MW_CM2
) -> Simulation:
    """A unit whose link is up and whose clock is known."""
    unit = SimulatedUnit(parameters, seed)
    simulation = Simulation(unit, make_core(parameters, expected_mw_cm2=expected))
    simulation.run(lambda: simulation.core.up, LINK_S)
    simulation.run(lambda: False, 3.0)
    return simulation


def good_values(step: InspectStep) -> dict[str, object]:
    """Values in the middle of their limits, every question answered with yes."""
    return {
        "points": {p.name: (p.low_um + p.high_um) / 2.0 for p in step.point},
        "checks": {c.name: True for c in step.check},
    }


@dataclass
class Operator:
    """Does what a patient person does: begins what is ready, confirms what is due, restarts what
    is held, measures what is asked for."""

    simulation: Simulation
    restarts: int = 0
    did: list[tuple[str, str, Act]] = field(default_factory=list)
    """Plate, step and act, in order."""
    _heard: int = 0

    def next_act(self, plate: Plate) -> Act | None:
        """What is to be done now; None: nothing yet."""
        acts = self.simulation.core.room.acts(plate, self.simulation.core.busy())
        if Act.BEGIN in acts:
            return Act.BEGIN
        if Act.MEASURE in acts:
            return Act.MEASURE
        if Act.RESTART in acts:
            return Act.RESTART
        machine = plate.machine
        if Act.DONE in acts and (not isinstance(machine, Stages) or self._due(machine)):
            return Act.DONE
        return None

    def _due(self, stages: Stages) -> bool:
        status = stages.status()
        return status.due or status.planned_s is None

    def look(self) -> None:
        """Go round once."""
        for name, plate in tuple(self.simulation.core.room.plates.items()):
            act = self.next_act(plate)
            if act is None:
                continue
            step = plate.step
            values = good_values(step) if isinstance(step, InspectStep) else {}
            self.restarts += act is Act.RESTART
            self.did.append((name, step.name, act))
            refused = self.simulation.act(
                name,
                Asked(
                    act=act, who=WHO, step=plate.index, values=values,
                    run_id=f"run-{len(self.did)}",
                ),
            )  # fmt: skip
            assert not refused, refused

    def work(self, limit_s: float = PATIENCE_S) -> None:
        """Until no plate is in flight."""
        simulation, room = self.simulation, self.simulation.core.room
        end = simulation.now + limit_s
        while room.plates and simulation.now < end:
            self.look()
            simulation.run(self._anything_to_do, 10.0)
        assert not room.plates, "plates are still in flight"

    def _anything_to_do(self) -> bool:
        heard, self._heard = self._heard, len(self.simulation.outputs)
        if heard == self._heard:  # what is to be done now has been said
            return False
        plates = self.simulation.core.room.plates.values()
        return any(self.next_act(plate) is not None for plate in plates)


def closed(simulation: Simulation) -> dict[str, RunClosed]:
    """Plates and bakes that are over, by run."""
    return {o.run_id: o for o in simulation.outputs if isinstance(o, RunClosed)}


def make(simulation: Simulation, recipe: Recipe, *names: str) -> Operator:
    """Make plates of one recipe from the first step to the last."""
    for name in names:
        simulation.make_plate(plan(name, recipe))
    operator = Operator(simulation)
    operator.work()
    assert all(closed(simulation)[name].state is State.COMPLETE for name in names)
    return operator
