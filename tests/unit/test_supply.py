"""The converter's reference, as a device that measures it tells it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from platelink.control.light.request import ExposureRequest
from platelink.daemon.calibrated import Calibrated
from platelink.daemon.outside import outside
from platelink.link.messages import Supply
from platelink.sensing.supply import SupplyWatch
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import WARM_UNIT
from platelink.unit.job import Job
from platesim.sensors import Converter
from platesim.unit import SimulatedUnit, UnitParameters


def unit_with(converter: Converter) -> UnitParameters:
    sensors = replace(WARM_UNIT.plant.sensors, converter=converter)
    return replace(WARM_UNIT, plant=replace(WARM_UNIT.plant, sensors=sensors))


def running(parameters: UnitParameters) -> Simulation:
    made = Simulation(SimulatedUnit(parameters, 3), make_core(parameters, expected_mw_cm2=12.0))
    made.run(lambda: made.core.up, 5.0)
    made.run(lambda: False, 5.0)
    return made


def test_a_device_that_measures_it_is_asked_and_believed() -> None:
    core = running(unit_with(Converter(bandgap_v=1.1, reference_v=4.9))).core
    assert core.converter.supply.volts == pytest.approx(4.9, rel=2e-3)
    assert core.session.status().unanswered == 0


def test_a_device_without_is_never_asked_and_works() -> None:
    this = running(WARM_UNIT)
    assert not this.core.converter.supply.there and this.core.converter.supply.volts is None
    assert this.core.session.status().rejected == 0
    this.expose(Job("run-1", "film", ExposureRequest(60.0, None, max_light_s=300.0)))
    assert this.run(lambda: this.ended is not None, 100.0)
    assert str(this.ended.state) == "complete"  # type: ignore[union-attr]


def test_no_question_stands_before_an_order_while_an_exposure_goes_on() -> None:
    this = running(unit_with(Converter(bandgap_v=1.1)))
    asked: list[Any] = []
    send = this.core.session.send
    this.core.session.send = lambda command, *, now: (  # type: ignore[method-assign]
        asked.append(command), send(command, now=now),
    )[1]  # fmt: skip
    this.expose(Job("run-1", "film", ExposureRequest(60.0, None, max_light_s=300.0)))
    assert this.run(lambda: this.ended is not None, 100.0)
    assert "GetSupply" not in {type(command).__name__ for command in asked}
    this.run(lambda: False, 3.0)
    assert "GetSupply" in {type(command).__name__ for command in asked}


@pytest.mark.parametrize(
    ("total", "count"), [(0, 100), (225 * 49, 49), (100 * 100, 100), (1023 * 100, 100)]
)
def test_what_cannot_be_is_no_reading(total: int, count: int) -> None:
    watch = SupplyWatch(10)
    watch.device(True)
    watch.take(Supply(1, 225 * 100, 100))
    assert watch.volts == pytest.approx(1.1 * 1024 / 225)
    watch.take(Supply(2, total, count))
    assert watch.volts is None


def test_another_device_begins_anew() -> None:
    watch = SupplyWatch(10)
    assert not watch.due(now=0.0)
    watch.device(True)
    assert watch.due(now=0.0) and not watch.due(now=0.9) and watch.due(now=1.0)
    watch.take(Supply(1, 22500, 100))
    watch.device(False)
    assert watch.volts is None and not watch.due(now=99.0)


def drift(now_v: float | None, then_v: float | None) -> tuple[bool, float | None]:
    """The alarm's condition of a unit whose light was calibrated at another supply."""
    level = SimpleNamespace(counts=SimpleNamespace(supply_v=then_v))
    held = {"light 0": SimpleNamespace(levels=[level, level]), "vacuum": None}
    core = SimpleNamespace(converter=SimpleNamespace(supply=SimpleNamespace(volts=now_v)))
    pct = Calibrated.supply_pct(SimpleNamespace(held=held), core)  # type: ignore[arg-type]
    conditions = outside(0, False, (), None, "", damaged=False, supply_pct=pct)
    (found,) = (c for c in conditions if c.name == "supply drifted")
    return found.active, found.value


def test_a_supply_that_drifted_since_the_calibration_is_said() -> None:
    assert drift(5.0, 5.0) == (False, pytest.approx(0.0))
    assert drift(5.02, 5.0) == (False, pytest.approx(0.4))
    assert drift(5.03, 5.0) == (True, pytest.approx(0.6))
    assert drift(4.90, 5.0) == (True, pytest.approx(-2.0))
    # where either does not tell it, nothing is said
    assert drift(None, 5.0) == (False, None)
    assert drift(5.1, None) == (False, None)
