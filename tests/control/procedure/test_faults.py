"""What goes wrong while a plate is made: oven, door, sensor, link, interlock, stop button."""

from __future__ import annotations

import pytest

from control.procedure.by_hand import bake_of
from control.procedure.plate_bench import FILM_MJ_CM2, NAMES, Bench, short
from platelink.contract.words import PlateAct
from platelink.control.procedure.table import StepState
from platelink.control.states import State
from platelink.control.steps.unswitched import Temperatures
from platelink.unit.outputs import EventNoted
from platesim.faults import (
    DeviceResets,
    DoorOpens,
    InterlockOpens,
    RelayWelds,
    StopPressed,
    Unplugged,
)

LONG = short(in_band_s="120.0")


def baking(recipe=LONG) -> Bench:
    bench = Bench(recipe=recipe).make()
    bench.work_to("dry", StepState.RUNNING)
    bench.wait(30.0)
    return bench


def alarms(bench: Bench, name: str) -> list[EventNoted]:
    told = [o for o in bench.outputs(EventNoted) if o.name == "alarm"]
    return [o for o in told if o.data["alarm"] == name]


def read_instead(bench: Bench, oven_c) -> None:
    """The oven sensor gives this instead; None: it is broken."""
    in_flight = bench.core.plates.in_flight
    real, found = type(in_flight).temperatures, Temperatures(oven_c)
    in_flight.temperatures = lambda _, *, t, now: real(in_flight, found, t=t, now=now)


def test_a_plate_with_too_much_light_waits_for_a_persons_word() -> None:
    bench = Bench().make()
    bench.work_to("film", StepState.RUNNING)
    bench.unit.inject(RelayWelds())
    bench.run_until(lambda: alarms(bench, "light still on"))
    bench.wait(4.0)
    bench.unit.undo(RelayWelds())
    bench.run_until(lambda: bench.plate().present.state is StepState.HELD, 5.0)
    assert "judge the plate" in bench.plate().present.reason
    assert "restart refused" in bench.act(PlateAct.RESTART)
    assert bench.plate().present.state is StepState.HELD
    assert not bench.act(PlateAct.SKIP, reason="dark enough for a test print")
    bench.work()
    assert bench.facts("film")["dose_mj_cm2"] > 1.3 * FILM_MJ_CM2
    assert any("off its 60.0" in text for text in bench.ended().data["deviations"])


def test_an_open_door_stops_the_minutes_and_calls() -> None:
    bench = baking()
    bench.unit.inject(DoorOpens(), for_s=60.0)
    bench.run_until(lambda: bench.events("oven door open"), 60.0)
    bench.run_until(lambda: alarms(bench, "oven door open"), 60.0)
    assert alarms(bench, "oven door open")[0].data["to"] == "unacknowledged"
    bench.work()
    facts = bench.facts("dry")
    assert facts["door_openings"] == 1
    assert 120.0 <= facts["in_band_s"] < 121.0
    assert facts["elapsed_s"] > 150.0
    assert facts["min_c"] < 54.5
    assert bench.ended().state is State.COMPLETE
    bench.wait(6.0)
    assert alarms(bench, "oven door open")[-1].data["act"] == "cleared"


def test_over_temperature_holds_the_plate_until_the_oven_has_cooled() -> None:
    bench = baking()
    read_instead(bench, 73.0)
    bench.run_until(lambda: bench.plate().present.state is StepState.HELD, 20.0)
    assert bench.plate().present.reason == "over-temperature"
    assert "above its limit 68.0" in bench.act(PlateAct.RESTART)
    bench.wait(1.0)
    assert alarms(bench, "oven over-temperature")[0].data["priority"] == "high"
    del bench.core.plates.in_flight.temperatures
    bench.wait(1.0)
    assert not bench.act(PlateAct.RESTART)
    bench.work()
    assert bench.ended().state is State.COMPLETE
    assert 120.0 <= bench.facts("dry")["in_band_s"] < 121.0


def test_a_lost_sensor_counts_no_minute_and_ends_no_bake() -> None:
    bench = baking()
    read_instead(bench, None)
    bench.wait(200.0)
    assert bench.events("oven sensor lost")
    assert bench.plate().present.state is StepState.RUNNING
    assert bake_of(bench.plate()).in_band_s < 32.0
    bench.wait(1.0)
    assert alarms(bench, "oven sensor lost")
    del bench.core.plates.in_flight.temperatures
    bench.work()
    assert 120.0 <= bench.facts("dry")["in_band_s"] < 121.0


def test_a_band_that_is_never_reached_is_told() -> None:
    hot = short(low_c="70.0", nominal_c="72.0", high_c="74.0", limit_c="79.0")
    bench = Bench(recipe=hot).make()
    bench.work_to("dry", StepState.RUNNING)
    bench.wait(70.0)
    assert bench.events("band never reached")
    assert alarms(bench, "oven band never reached")
    assert not bench.act(PlateAct.STOP, reason="oven is set wrong")
    assert bench.ended().state is State.STOPPED
    assert bench.ended().reason == "oven is set wrong"


def test_the_link_lost_in_an_exposure_costs_no_dose() -> None:
    bench = Bench().make()
    bench.work_to("film", StepState.RUNNING)
    bench.run_until(lambda: bench.unit.lamp_on)
    bench.wait(1.0)
    bench.unit.inject(Unplugged(), for_s=3.0)
    bench.work()
    assert bench.ended().state is State.COMPLETE
    assert bench.facts("film")["dose_mj_cm2"] == pytest.approx(FILM_MJ_CM2, rel=5e-3)
    assert bench.ended().data["deviations"] == []


def test_the_link_lost_before_light_holds_the_plate() -> None:
    bench = Bench().make()
    bench.work_to("film", StepState.RUNNING)
    bench.unit.inject(Unplugged(), for_s=8.0)
    bench.run_until(lambda: bench.plate().present.state is StepState.HELD)
    assert "link lost" in bench.plate().present.reason
    assert "no link" in bench.act(PlateAct.RESTART)
    assert bench.plate().present.state is StepState.HELD
    bench.run_until(lambda: bench.core.up)
    bench.work()
    assert bench.ended().state is State.COMPLETE


def test_no_exposure_begins_without_a_link() -> None:
    bench = Bench().make()
    bench.work_to("film")
    bench.unit.inject(Unplugged())
    bench.run_until(lambda: not bench.core.up)
    assert "no link" in bench.act(PlateAct.BEGIN)
    assert bench.plate().present.state is StepState.READY
    assert "film" not in {o.facts["step"] for o in bench.outputs(type(bench.outputs(object)[0]))
                          if hasattr(o, "facts")}  # fmt: skip


@pytest.mark.parametrize("step", ["washout", "blow-off"])
def test_work_by_hand_goes_on_without_a_link(step: str) -> None:
    bench = Bench().make()
    bench.work_to(step, StepState.RUNNING)
    bench.unit.inject(Unplugged(), for_s=30.0)
    bench.run_until(lambda: bench.plate().step.name != step or bench._lead("p-1"), 40.0)
    assert bench.plate().steps[NAMES.index(step)].state is StepState.COMPLETE
    assert not bench.core.up
    bench.run_until(lambda: bench.core.up, 40.0)
    bench.work()
    assert bench.ended().state is State.COMPLETE


def test_oven_minutes_without_a_link_are_a_gap() -> None:
    bench = baking()
    bench.unit.inject(Unplugged(), for_s=40.0)
    bench.work()
    facts = bench.facts("dry")
    assert 120.0 <= facts["in_band_s"] < 121.0
    assert facts["elapsed_s"] > 155.0
    (gap,) = bench.events("oven gap")
    assert float(gap.data["gap_s"]) > 38.0


def test_an_open_lid_holds_and_the_stop_button_stops_the_plate() -> None:
    bench = Bench().make("p-1", "p-2")
    bench.work_to("film", StepState.RUNNING)
    bench.run_until(lambda: bench.unit.lamp_on)
    bench.unit.inject(InterlockOpens(), for_s=2.0)
    bench.run_until(lambda: bench.plate().present.state is StepState.HELD)
    assert "interlock" in bench.plate().present.reason
    bench.wait(3.0)
    assert not bench.act(PlateAct.RESTART)
    bench.run_until(lambda: bench.unit.lamp_on)
    bench.unit.inject(StopPressed(), for_s=2.0)
    bench.run_until(lambda: "p-1" not in bench.core.plates.in_flight.plates)
    assert bench.ended().state is State.STOPPED
    assert "stop button" in bench.ended().reason
    bench.wait(3.0)
    bench.work()
    assert bench.ended("p-2").state is State.COMPLETE


def test_a_device_that_restarts_in_the_light_holds_the_plate_with_what_is_known() -> None:
    bench = Bench().make()
    bench.work_to("film", StepState.RUNNING)
    bench.run_until(lambda: bench.unit.lamp_on)
    bench.wait(1.0)
    bench.unit.inject(DeviceResets())
    bench.run_until(lambda: bench.plate().present.state is StepState.HELD)
    bench.wait(3.0)
    bench.work()
    assert bench.ended().state is State.COMPLETE
    assert bench.unit.true_dose_mj_cm2() == pytest.approx(96.0, rel=0.02)
