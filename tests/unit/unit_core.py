"""A core and a simulated unit: what the tests of the core share. Every figure is invented."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from platelink.control.contact.contact import ContactLimits
from platelink.control.light.exposure import Exposure
from platelink.control.light.request import ExposureRequest
from platelink.control.states import State
from platelink.link.framing import Decoder, Frame
from platelink.link.messages import CODES
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.job import Job
from platelink.unit.outputs import EventNoted
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

CONTACT = ContactLimits(low_kpa=52.5, high_kpa=96.0, pull_down_limit_s=40.0)
FADED = UnitParameters(lamps=LampParameters(burn_hours=1400.0, starts=900, rest_s=60.0))
DOSE = 60.0


def simulate(
    parameters: UnitParameters = FADED, seed: int = 3, expected: float = 7.0, **core: object
) -> Simulation:
    unit = SimulatedUnit(parameters, seed)
    return Simulation(unit, make_core(parameters, expected_mw_cm2=expected, **core))


def request(**changes: object) -> ExposureRequest:
    return replace(ExposureRequest(DOSE, None, max_light_s=300.0), **changes)


def start(simulation: Simulation, run_id: str = "run-1", **changes: object) -> None:
    simulation.run(lambda: simulation.core.up, 5.0)
    simulation.run(lambda: False, 3.0)
    simulation.unit.mark()
    simulation.expose(Job(run_id, "film", request(**changes)))


def exposure(simulation: Simulation) -> Exposure:
    found = simulation.core.bed.exposure
    assert isinstance(found, Exposure)
    return found


def until(simulation: Simulation, wanted: State, limit_s: float = 300.0) -> None:
    reached = simulation.run(lambda: exposure(simulation).state is wanted, limit_s)
    assert reached, f"{exposure(simulation).state} after {limit_s} s: {texts(simulation)[-8:]}"


def when(simulation: Simulation, condition: Callable[[Exposure], bool], limit_s: float) -> None:
    found = exposure(simulation)
    assert simulation.run(lambda: condition(found), limit_s), texts(simulation)[-8:]


def until_light(simulation: Simulation, seconds: float = 3.0) -> None:
    when(simulation, lambda e: e.light_s >= seconds, 120.0)


def texts(simulation: Simulation) -> list[str]:
    return [f"{o.name}: {o.text}" for o in simulation.outputs if isinstance(o, EventNoted)]


def dark_for(simulation: Simulation, seconds: float) -> None:
    """The lamp stays off, whatever the unit does."""
    end = simulation.now + seconds
    while simulation.now < end:
        simulation.step(end)
        assert not simulation.unit.lamp_on


def deaf_to(simulation: Simulation, *kinds: type) -> None:
    """The device gets none of these commands any more."""
    decoder, write = Decoder(keep=1), simulation.unit.write
    codes = {CODES[kind] for kind in kinds}

    def some(data: bytes) -> None:
        for piece in data.split(b"\0")[:-1]:
            frames = [f for f in decoder.feed(piece + b"\0") if isinstance(f, Frame)]
            if not any(frame.type in codes for frame in frames):
                write(piece + b"\0")

    simulation.unit.write = some  # type: ignore[method-assign]
