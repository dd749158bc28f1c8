"""The washout's water: told by the probe, else by a person; not known or out of its band, the step
waits and says for what."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from control.procedure.plate_bench import SHORT, Bench
from platelink.contract.words import PlateAct
from platelink.control.procedure.kinds import cannot_make
from platelink.control.procedure.plan import StepDefaults
from platelink.control.procedure.table import StepState
from platelink.recipe.load import loads
from platelink.sensing.readings import Quality
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import WARM_UNIT, WHO
from platesim.board import ALL_CAPABILITIES, HostBoard
from platesim.sensors import LinearSensor, SensorParameters
from platesim.unit import SimulatedUnit

WASH = 'kind = "wash"\n'
RECIPE = loads(SHORT.replace(WASH, f'{WASH}water_low_c = 22\nwater_high_c = "77 degF"\n'))
PROBE = LinearSensor(zero_counts=40.0, counts_per_unit=12.0)
PROBED = replace(
    WARM_UNIT, plant=replace(WARM_UNIT.plant, sensors=SensorParameters(water=PROBE), water_c=23.5)
)


def at_washout(unit: Any = WARM_UNIT) -> Bench:
    bench = Bench(unit, recipe=RECIPE).make("p-1")
    bench.work_to("washout")
    bench.wait(1.0)
    return bench


def waits_for(bench: Bench) -> str:
    return bench.plate().work.status().waiting_for


def test_without_a_probe_the_washout_waits_until_a_person_has_measured() -> None:
    bench = at_washout()
    assert "the water temperature (band 22.0 to 25.0 °C)" in waits_for(bench)
    refused = bench.act(PlateAct.BEGIN)
    assert "it waits for the water temperature" in refused and "measure" in refused
    for values in ({}, {"water_c": "23"}, {"water_c": True}, {"water_c": float("nan")},
                   {"water_c": 100.5}, {"water_c": -0.5}):  # fmt: skip
        assert bench.act(PlateAct.MEASURE, values=values)
        assert PlateAct.BEGIN not in bench.plate().acts()
    assert not bench.act(PlateAct.MEASURE, values={"water_c": 25.1})
    assert waits_for(bench).startswith("the water: 25.1 °C, band 22.0 to 25.0 °C; correct it")
    assert bench.act(PlateAct.BEGIN)
    assert not bench.act(PlateAct.MEASURE, values={"water_c": 24.5})
    assert waits_for(bench) == ""
    bench.work()
    typed = bench.events("water typed")
    assert [(e.data["water_c"], e.data["who"]) for e in typed] == [(25.1, WHO), (24.5, WHO)]
    assert {s["water_mean_c"] for s in bench.facts("washout")["stages"]} == {24.5}
    assert not bench.ended().data["deviations"]


def test_a_bath_typed_long_ago_is_asked_for_again() -> None:
    bench = at_washout()
    assert not bench.act(PlateAct.MEASURE, values={"water_c": 24.0})
    bench.wait(1790.0)
    assert PlateAct.BEGIN in bench.plate().acts()
    bench.wait(20.0)
    assert "measure it" in waits_for(bench)
    assert PlateAct.BEGIN not in bench.plate().acts()


def test_what_a_person_typed_lives_through_a_crash_while_stages_run() -> None:
    bench = at_washout()
    bench.act(PlateAct.MEASURE, values={"water_c": 24.0})
    bench.act(PlateAct.BEGIN)
    bench.wait(2.0)
    bench.crash(down_s=1.0)
    water = bench.plate().work.status().water
    assert water is not None and (water.water_c, water.by) == (24.0, WHO)


def test_a_probe_tells_it_and_nobody_is_asked() -> None:
    bench = at_washout(PROBED)
    assert bench.core.reading.water_c == pytest.approx(23.5, abs=0.1)
    assert PlateAct.MEASURE not in bench.plate().acts()
    assert "possible" in bench.act(PlateAct.MEASURE, values={"water_c": 24.0})
    bench.work()
    stages = bench.facts("washout")["stages"]
    assert all(s["water_mean_c"] == pytest.approx(23.5, abs=0.1) for s in stages)
    assert not bench.ended().data["deviations"]


def test_water_that_leaves_its_band_is_told_and_stands_in_the_plates_deviations() -> None:
    bench = at_washout(PROBED)
    bench.unit.set_water(29.0)
    bench.wait(1.0)
    assert "29." in waits_for(bench) and bench.act(PlateAct.BEGIN)
    bench.unit.set_water(23.0)
    bench.wait(1.0)
    assert not bench.act(PlateAct.BEGIN)
    bench.unit.set_water(27.0)
    bench.run_until(lambda: bool(bench.events("water out of band")), 8.0)
    bench.unit.set_water(23.0)
    bench.work()
    deviations = [d for d in bench.ended().data["deviations"] if "water" in d]
    assert len(deviations) >= 1 and "to 27." in deviations[0]
    assert "band 22.0 to 25.0 °C" in deviations[0]


def test_a_probe_that_breaks_is_said_and_a_person_may_measure_instead() -> None:
    bench = at_washout(PROBED)
    assert not bench.act(PlateAct.BEGIN)
    bench.wait(0.5)
    bench.unit.plant.changed()
    bench.unit.plant.stuck[3] = 0
    bench.run_until(lambda: PlateAct.MEASURE in bench.plate().acts(), 8.0)
    assert bench.core.reading.quality & Quality.WATER_RANGE
    while bench.plate().step.name == "washout":
        bench.wait(1.0)
        if PlateAct.DONE in bench.plate().acts() and bench.plate().work.status().stage.due:
            assert not bench.act(PlateAct.DONE)
    bench.work()
    assert any("water not measured at its end" in d for d in bench.ended().data["deviations"])


def test_a_device_without_the_probe_is_not_believed_though_one_is_configured() -> None:
    """On an older device the fourth channel may be light."""

    def older(**options: Any) -> HostBoard:
        return HostBoard(**options | {"capabilities": ALL_CAPABILITIES, "light_channels": 4})

    for board, told in ((HostBoard, True), (older, False)):
        simulation = Simulation(
            SimulatedUnit(PROBED, 3, board=board), make_core(PROBED, expected_mw_cm2=12.0)
        )
        simulation.run(lambda: False, 3.0)
        reading = simulation.core.reading
        assert reading is not None and reading.irradiance_mw_cm2 is not None
        assert (reading.water_c is not None) is told
        assert bool(reading.quality & Quality.WATER_MISSING) is not told


def test_limits_that_nothing_can_measure_are_refused_before_the_plate_is_taken_up() -> None:
    """SHORT's bake goes up to 68 °C, its vacuum to 92 kPa, RECIPE's water from 22 to 25 °C."""
    all_of_it = StepDefaults(
        has_vacuum=True, has_oven=True, oven_reach_c=(-40.0, 68.0), water_reach_c=(22.0, 25.0)
    )
    assert list(cannot_make(RECIPE, all_of_it)) == []
    cold = replace(all_of_it, oven_reach_c=(-40.0, 67.9))
    assert ["has limits of 68 °C" in text for text in cannot_make(RECIPE, cold)] == [True]
    narrow = replace(all_of_it, water_reach_c=(22.5, 24.0))
    (text,) = cannot_make(RECIPE, narrow)
    assert text.startswith("step washout has limits of 22 °C and 25 °C, and the sensor reads 22.5")
    blind = replace(all_of_it, vacuum_problem=lambda low, high: f"{low:g} to {high:g} not read")
    assert "step film: " in next(iter(cannot_make(RECIPE, blind)))


def test_the_step_is_ready_meanwhile_and_can_be_left_out() -> None:
    bench = at_washout()
    assert bench.plate().present.state is StepState.READY
    assert not bench.act(PlateAct.SKIP, reason="washed elsewhere")
