"""The daemon's own core, unchanged, drives whole exposures on each board in simulated time.

The dose is compared with the plant's own integral of the light, which neither board nor core sees.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest

from contract.conftest import AVR, AVR_4, Kind
from platelink.control.contact.contact import ContactLimits
from platelink.control.light.exposure import Exposure
from platelink.control.light.request import ExposureRequest, Reciprocity
from platelink.control.states import Learned, State
from platelink.events.light import Held
from platelink.link.messages import ResetCause
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.job import Job
from platelink.unit.outputs import EventNoted
from platesim.faults import DeviceResets, InterlockOpens, Unplugged, WireParameters
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

CONTACT = ContactLimits(low_kpa=52.5, high_kpa=96.0, pull_down_limit_s=40.0)
FADED = UnitParameters(lamps=LampParameters(burn_hours=1400.0, starts=900, rest_s=60.0))
WITHIN_PCT = 0.10
BAD_WIRE = WireParameters(
    jitter_s=0.02, loss=0.1, corruption=0.01, garbage=0.01, stall_every_s=10.0
)


class Shop:
    """A unit with one of the boards, and a core that knows it well."""

    def __init__(self, kind: Kind, parameters: UnitParameters, seed: int, p: float = 1.0) -> None:
        parameters = replace(parameters, light_channels=kind.light_channels)
        self.unit = SimulatedUnit(parameters, seed, board=kind.make)
        core = make_core(parameters, expected_mw_cm2=7.0, learned=Learned(afterglow_s=0.005))
        self.simulation = Simulation(self.unit, core)
        self.p = p
        assert self.simulation.run(lambda: core.up, 10.0)
        self.simulation.run(lambda: False, 3.0)
        self.runs = 0

    def expose(self, dose: float) -> None:
        self.unit.mark()
        self.runs += 1
        law = Reciprocity(self.p)
        request = ExposureRequest(dose, CONTACT, max_light_s=300.0, reciprocity=law)
        self.simulation.expose(Job(f"run-{self.runs}", "film", request))

    @property
    def state(self) -> State:
        assert self.simulation.core.bed.exposure is not None
        return self.simulation.core.bed.exposure.state

    def until(self, *states: State, limit_s: float = 200.0) -> None:
        told = [o.text for o in self.simulation.outputs if isinstance(o, EventNoted)]
        assert self.simulation.run(lambda: self.state in states, limit_s), (self.state, told[-6:])

    def until_light(self, seconds: float) -> None:
        exposure = self.simulation.core.bed.exposure
        assert isinstance(exposure, Exposure)
        assert self.simulation.run(lambda: exposure.light_s >= seconds, 100.0)

    def off_pct(self, dose: float) -> float:
        return 100.0 * (self.unit.true_dose_mj_cm2(self.p, 10.0) / dose - 1.0)


@pytest.fixture
def shop(kind: Kind) -> Iterator[Callable[..., Shop]]:
    made: list[Shop] = []

    def make(parameters: UnitParameters = FADED, seed: int = 3, **more: Any) -> Shop:
        made.append(Shop(kind, parameters, seed, **more))
        return made[-1]

    yield make
    for one in made:
        one.unit.board.close()


CASES = {
    "quiet line": (FADED, 1.0),
    "p below 1": (FADED, 0.85),
    "a slow resonator": (replace(FADED, clock_error_ppm=4000.0), 1.0),
    "a fast resonator, p below 1": (replace(FADED, clock_error_ppm=-4000.0), 0.9),
    "a bad line": (replace(FADED, wire=BAD_WIRE), 1.0),
    "a bad line, p below 1": (replace(FADED, wire=BAD_WIRE), 0.85),
}


@pytest.mark.parametrize("case", CASES)
def test_exposure_after_exposure_ends_at_its_dose(
    kind: Kind, shop: Callable[..., Shop], case: str
) -> None:
    parameters, p = CASES[case]
    seed = 11 + list(CASES).index(case)
    this, rng = shop(parameters, seed, p=p), random.Random(seed)
    off = []
    began, before_s = time.perf_counter(), this.unit.time_s
    for _ in range(1 if kind is AVR_4 else 4):
        dose = rng.uniform(30.0, 70.0)
        this.expose(dose)
        this.until(State.COMPLETE)
        off.append(this.off_pct(dose))
    speed = (this.unit.time_s - before_s) / (time.perf_counter() - began)
    print(
        f"{kind.name}, {case}: off by {', '.join(f'{x:+.3f}' for x in off)} %, "
        f"{speed:.0f} times real time"
    )
    assert max(map(abs, off)) < WITHIN_PCT


def test_a_lid_opened_in_light_is_dark_held_and_made_up_for(shop: Callable[..., Shop]) -> None:
    this = shop()
    this.expose(50.0)
    this.until_light(3.0)
    this.unit.inject(InterlockOpens(), for_s=2.0)
    this.simulation.run(lambda: False, 0.01)
    assert not this.unit.lamp_on
    this.until(State.HELD)
    this.simulation.run(lambda: False, 3.0)
    assert not this.unit.lamp_on
    this.simulation.command("restart")
    this.until(State.COMPLETE)
    assert abs(this.off_pct(50.0)) < 0.5
    assert len(this.unit.stretches) == 2


def test_unplugged_in_light_ends_at_the_dose(shop: Callable[..., Shop]) -> None:
    this = shop()
    this.expose(50.0)
    this.until_light(3.0)
    this.unit.inject(Unplugged(), for_s=10.0)
    this.until(State.COMPLETE)
    assert abs(this.off_pct(50.0)) < 0.5


@pytest.mark.parametrize("cause", [ResetCause.BROWN_OUT, ResetCause.EXTERNAL])
def test_a_reset_in_light_is_held_and_made_up_for(
    shop: Callable[..., Shop], cause: ResetCause
) -> None:
    this = shop()
    this.expose(50.0)
    this.until_light(3.0)
    this.unit.inject(DeviceResets(cause))
    this.until(State.HELD)
    assert not this.unit.lamp_on
    this.simulation.command("restart")
    this.until(State.COMPLETE)
    assert abs(this.off_pct(50.0)) < 2.0  # the light since the last Sample is not known


@pytest.mark.parametrize("kind", [AVR], ids=lambda kind: kind.name)
def test_a_hung_main_loop_in_light_is_dark_and_made_up_for(shop: Callable[..., Shop]) -> None:
    """The device counts on until its watchdog makes it dark, and keeps its sums over the reset:
    what is not known is little enough for so small a dose."""
    this = shop()
    this.expose(50.0)
    this.until_light(3.0)
    exposure = this.simulation.core.bed.exposure
    assert isinstance(exposure, Exposure)
    known = exposure.dose_mj_cm2
    this.unit.board.hang()
    this.simulation.run(lambda: False, 0.08)  # the watchdog's 64 ms, and a moment
    assert not this.unit.lamp_on
    this.until(State.HELD)
    (held,) = [
        o.event for o in this.simulation.outputs
        if isinstance(o, EventNoted) and isinstance(o.event, Held)
    ]  # fmt: skip
    true = this.unit.true_dose_mj_cm2()
    assert known < exposure.dose_mj_cm2 - 0.2  # counted while it hung
    assert exposure.dose_mj_cm2 <= true + 0.02
    assert true <= exposure.dose_mj_cm2 + (held.uncertain_mj_cm2 or 0.0)
    assert (held.uncertain_mj_cm2 or 0.0) < 0.01 * 50.0
    this.simulation.command("restart")
    this.until(State.COMPLETE)
    assert abs(this.off_pct(50.0)) < 1.0
