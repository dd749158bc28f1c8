"""Plates on a unit that switches its own lamps: the person sets its timer as advised."""

from __future__ import annotations

from dataclasses import replace

import pytest

from control.procedure.plate_bench import SHORT, Bench
from platelink.contract.words import PlateAct
from platelink.control.procedure.table import StepState
from platelink.control.states import State
from platelink.recipe.load import loads
from platelink.simulated.plates import WARM_UNIT

OWN = replace(WARM_UNIT, own_timer=True)
LONGER = SHORT.replace("dose_mj_cm2 = 60.0", "dose_mj_cm2 = 240.0")
RECIPE = loads(LONGER.replace("dose_mj_cm2 = 36.0", "dose_mj_cm2 = 180.0"))
BARE = RECIPE.model_copy(
    update={"step": tuple(s.model_copy(update={"contact": None, "tolerance_pct": 6.0})
                          if s.kind == "expose" else s for s in RECIPE.step)}
)  # fmt: skip


def set_timer(bench: Bench, run: str) -> None:
    (advice,) = [e for e in bench.events("timer advice", run) if e.run_id == run]
    bench.unit.start_own_timer(float(str(advice.data["timer_s"])))


def exposed(bench: Bench, step: str) -> int:
    """Set the timer as advised until the step is done; how often."""
    bench.work_to(step, StepState.RUNNING)
    times = 0
    while bench.plate().step.name == step:
        bench.wait(2.0)  # a dark reading comes first
        set_timer(bench, bench.plate().present.runs[-1])
        times += 1
        bench.run_until(lambda: bench.plate().present.state is not StepState.RUNNING)
        if bench.plate().present.state is StepState.HELD:
            assert "restart for the remaining dose" in bench.plate().present.reason
            assert not bench.act(PlateAct.RESTART)
            bench.run_until(lambda: bench.plate().present.state is StepState.RUNNING)
    return times


def watched_otherwise(bench: Bench) -> Bench:
    """The lamps are the unit's: what we see of light is not what we switch."""
    bench.simulation.checks.clear()
    bench._no_light_without_its_step = lambda: None
    bench.simulation.checks.append(bench._look)
    return bench


def test_a_plate_is_led_with_the_unit_s_own_timer() -> None:
    bench = watched_otherwise(Bench(OWN, recipe=BARE)).make()
    assert exposed(bench, "film") > 1, "cold lamps give less than expected"
    exposed(bench, "back")
    bench.work()
    assert bench.ended().state is State.COMPLETE
    told = bench.facts("film")["dose_mj_cm2"] + bench.facts("back")["dose_mj_cm2"]
    assert told == pytest.approx(bench.unit.true_dose_mj_cm2(), rel=0.01)
    assert told == pytest.approx(240.0 + 180.0, rel=0.06)


def test_what_is_not_ours_to_switch_cannot_be_held() -> None:
    bench = watched_otherwise(Bench(OWN, recipe=BARE)).make()
    bench.work_to("film", StepState.RUNNING)
    assert bench.plate().acts() == (PlateAct.STOP, PlateAct.ABORT)
    refused = bench.act(PlateAct.HOLD)
    assert refused == "p-1: hold is not possible while film is running; possible: stop, abort"
    bench.wait(2.0)
    bench.unit.start_own_timer(4.0)
    bench.wait(2.0)
    assert not bench.act(PlateAct.STOP, reason="wrong film")
    assert bench.ended().state is State.STOPPED
    assert 5.0 < bench.facts("film")["dose_mj_cm2"] < 30.0


def test_light_of_the_unit_s_own_that_is_cut_short_is_given_again_as_a_remainder() -> None:
    bench = watched_otherwise(Bench(OWN, recipe=BARE)).make()
    bench.work_to("film", StepState.RUNNING)
    bench.wait(2.0)
    bench.unit.start_own_timer(2.0)
    bench.wait(1.5)
    bench.crash(down_s=1.0)
    bench.run_until(lambda: bench.ask_device() or not bench.plate().cut)
    assert bench.plate().present.state is StepState.HELD
    assert "restart for the remaining dose" in bench.plate().present.reason
    bench.wait(2.0)
    assert not bench.act(PlateAct.RESTART)
    exposed(bench, "film")
    assert bench.unit.true_dose_mj_cm2() == pytest.approx(240.0, rel=0.06)
