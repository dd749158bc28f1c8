"""Whole plates on a simulated unit in simulated time, and the person who makes them.

For the bench and the tests. All names and figures are invented.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from importlib.resources import files

from platelink.contract.words import LampsWere, PlateAct
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.requests import PlateRequest
from platelink.control.states import State
from platelink.recipe.load import loads
from platelink.recipe.model import Recipe
from platelink.recipe.steps import InspectStep
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.outputs import RunClosed
from platesim.oven import OvenParameters
from platesim.plant import PlantParameters
from platesim.unit import SimulatedUnit, UnitParameters
from platesim.vacuum import VacuumParameters

WARM_UNIT = UnitParameters(
    plant=PlantParameters(
        vacuum=VacuumParameters(volume_l=2.5), oven=OvenParameters(setpoint_c=58.0, start_c=57.4)
    )
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


def asked_for(plate: Plate) -> dict[str, object]:
    """What the present step wants to be told before it can go on; empty where nothing."""
    status = plate.work.status()
    if status.inspect is not None:
        return good_values(status.inspect)
    water = status.water
    if water is None or water.water_c is not None:
        return {}
    return {"water_c": (water.band.low_c + water.band.high_c) / 2.0}


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
    saw: LampsWere = LampsWere.UNKNOWN
    """What it says of the lamps where it is asked."""
    restarts: int = 0
    did: list[tuple[str, str, PlateAct]] = field(default_factory=list)
    """Plate, step and act, in order."""
    _heard: int = 0

    def next_act(self, plate: Plate) -> PlateAct | None:
        """What is to be done now; None: nothing yet."""
        acts = self.simulation.core.plates.in_flight.acts(plate, self.simulation.core.busy())
        if PlateAct.BEGIN in acts:
            return PlateAct.BEGIN
        if PlateAct.MEASURE in acts and asked_for(plate):
            return PlateAct.MEASURE
        if PlateAct.RESTART in acts:
            return PlateAct.RESTART
        if PlateAct.DONE not in acts:
            return None
        stage = plate.work.status().stage
        due = stage is None or stage.due or stage.planned_s is None
        return PlateAct.DONE if due else None

    def look(self) -> None:
        """Go round once."""
        for name, plate in tuple(self.simulation.core.plates.in_flight.plates.items()):
            act = self.next_act(plate)
            if act is None:
                continue
            step, values = plate.step, asked_for(plate)
            self.restarts += act is PlateAct.RESTART
            self.did.append((name, step.name, act))
            exposure = self.simulation.core.bed.exposure
            asked = act is PlateAct.RESTART and exposure and exposure.status().asks_what_fell
            refused = self.simulation.act(
                name,
                PlateRequest(
                    act=act, who=WHO, step=plate.index, values=values,
                    reason=str(self.saw) if asked else "", run_id=f"run-{len(self.did)}",
                ),
            )  # fmt: skip
            assert not refused, refused

    def work(self, limit_s: float = PATIENCE_S) -> None:
        """Until no plate is in progress."""
        simulation, in_flight = self.simulation, self.simulation.core.plates.in_flight
        end = simulation.now + limit_s
        while in_flight.plates and simulation.now < end:
            self.look()
            simulation.run(self._anything_to_do, 10.0)
        assert not in_flight.plates, "plates are still in progress"

    def _anything_to_do(self) -> bool:
        heard, self._heard = self._heard, len(self.simulation.outputs)
        if heard == self._heard:  # what is to be done now has been said
            return False
        plates = self.simulation.core.plates.in_flight.plates.values()
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
