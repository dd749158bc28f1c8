"""Light that steps: a sensor that jumps up is held at once, a small step that may be the sensor's
is a doubt that a person judges, and a tube that dies costs nothing."""

from __future__ import annotations

import pytest

from platelink.control.light.dose import Window
from platelink.control.light.jump import StepWatch
from platelink.control.states import Ended, State
from platelink.simulated.harness import Simulation
from platesim.faults import (
    GaugeShifts,
    GaugeStuck,
    HostStalls,
    InterlockOpens,
    SensorDimmed,
    TubeFails,
)
from unit.unit_core import exposure, simulate, start, texts, until, until_light

SMALL, LARGE = GaugeShifts(0, counts=40.0), GaugeShifts(0, counts=400.0)
SLACK_MJ_CM2 = 0.6


def lit(seconds: float = 3.0, target: float = 100.0) -> Simulation:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=target, tolerance_pct=2.0)
    until_light(simulation)
    simulation.run(lambda: False, seconds)
    return simulation


def stopped(simulation: Simulation) -> Ended:
    simulation.command("stop", "judged")
    assert simulation.ended is not None
    return simulation.ended


def holds(simulation: Simulation, ended: Ended) -> bool:
    least = ended.dose_mj_cm2 - ended.doubtful_mj_cm2 - SLACK_MJ_CM2
    most = ended.dose_mj_cm2 + ended.uncertain_mj_cm2 + SLACK_MJ_CM2
    return least <= simulation.unit.true_dose_mj_cm2() <= most


def test_a_sensor_that_jumps_up_is_held_at_once() -> None:
    simulation = lit()
    simulation.unit.inject(LARGE)
    assert simulation.run(lambda: not simulation.unit.lamp_on, 0.3)
    assert "rose from" in exposure(simulation).status().reason
    simulation.unit.undo(LARGE)
    until(simulation, State.HELD, 5.0)
    assert not exposure(simulation).status().asks_what_fell  # nobody can see how strong lamps are
    ended = stopped(simulation)
    assert 0.5 < ended.doubtful_mj_cm2 < 3.0 and holds(simulation, ended)


def test_lamps_that_are_a_third_stronger_after_a_hold_are_not_believed() -> None:
    simulation = lit()
    simulation.command("hold", "")
    until(simulation, State.HELD, 5.0)
    simulation.command("restart", "")
    simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    simulation.unit.inject(LARGE)
    assert simulation.run(lambda: exposure(simulation).state is State.HOLDING, 2.0)
    assert "rose from" in exposure(simulation).status().reason


@pytest.mark.parametrize("early", [True, False])
def test_a_step_that_comes_and_goes_is_judged_by_a_person(early: bool) -> None:
    """Lamps or sensor: nobody knows. The bounds hold both."""
    simulation = lit()
    simulation.unit.inject(SMALL)
    if early:
        simulation.run(lambda: False, 4.0)
        simulation.unit.undo(SMALL)
    simulation.run(lambda: exposure(simulation).state is State.HOLDING, 60.0)
    simulation.unit.undo(SMALL)
    until(simulation, State.HELD, 60.0)
    reason = exposure(simulation).status().reason
    assert "of it may not have been given" in reason or "more may have been given" in reason
    ended = stopped(simulation)
    assert ended.doubtful_mj_cm2 > 1.5 and holds(simulation, ended)
    assert ended.learned is None


def test_the_remainder_of_a_step_goes_by_the_middle() -> None:
    simulation = lit()
    simulation.unit.inject(SMALL, for_s=4.5)
    until(simulation, State.HELD, 60.0)
    simulation.command("restart", "")
    until(simulation, State.COMPLETE, 60.0)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(100.0, rel=0.02)


def test_a_sensor_that_comes_back_after_the_close_was_off_in_the_light() -> None:
    """0.3 s after the lamps went off, and before the dark by which steps are judged."""
    simulation = lit()
    simulation.unit.inject(SMALL)
    simulation.run(lambda: not simulation.unit.lamp_on, 60.0)
    simulation.run(lambda: False, 0.3)
    simulation.unit.undo(SMALL)
    until(simulation, State.HELD, 5.0)
    ended = stopped(simulation)
    assert ended.doubtful_mj_cm2 > 2.0 and holds(simulation, ended)


def test_a_tube_that_dies_leaves_no_doubt() -> None:
    """The dark after it is the dark before it: the sensor did not shift."""
    simulation = lit()
    simulation.unit.inject(TubeFails(3))
    until(simulation, State.COMPLETE, 60.0)
    ended = simulation.ended
    assert ended is not None and ended.doubtful_mj_cm2 == ended.uncertain_mj_cm2 == 0.0
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(100.0, rel=0.005)
    assert any("may have been given than is counted" in text for text in texts(simulation))


def test_a_sensor_that_is_dark_while_nobody_hears_it_leaves_a_doubt() -> None:
    simulation = lit()
    simulation.unit.inject(HostStalls(4.0))
    simulation.run(lambda: False, 0.5)
    simulation.unit.inject(SensorDimmed(transmission=0.0), for_s=2.0)
    until(simulation, State.HELD, 60.0)
    ended = stopped(simulation)
    assert ended.uncertain_mj_cm2 > 8.0 and holds(simulation, ended)


def test_a_host_that_only_stalls_leaves_no_doubt() -> None:
    simulation = lit()
    simulation.unit.inject(HostStalls(4.0))
    until(simulation, State.COMPLETE, 60.0)
    ended = simulation.ended
    assert ended is not None and ended.doubtful_mj_cm2 == ended.uncertain_mj_cm2 == 0.0


def test_light_that_ends_before_it_was_seen_has_a_bound() -> None:
    """Longer than lamps take to strike, and no light: lamps or sensor."""
    simulation = simulate()
    start(simulation)
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    simulation.run(lambda: False, 3.0)
    simulation.unit.inject(InterlockOpens(), for_s=0.5)
    until(simulation, State.HELD, 10.0)
    assert exposure(simulation).status().asks_what_fell
    simulation.unit.undo(SensorDimmed(transmission=0.0))
    assert holds(simulation, stopped(simulation))


def test_a_light_that_never_rests_is_thought_of_in_bounded_time() -> None:
    """Of 200 steps only the largest are thought of together; the others count both ways."""
    watch = StepWatch()
    for second in range(200):
        for _ in range(20):
            watch.add(Window(10.0 if second % 2 else 9.0, 0.05))
    assert len(watch.steps) > 150
    more, less = watch.doubt(None)
    assert more > 0.0 and less > 0.0
    assert watch.doubt(0.0)[1] <= less


@pytest.mark.parametrize("size", [0.025, 0.035, 0.06, 0.08, 0.15, -0.035, -0.08])
@pytest.mark.parametrize("frames", range(6))
def test_a_step_counts_as_a_whole_wherever_in_a_block_it_begins(size: float, frames: int) -> None:
    """The sensor is off for 6 s in the middle of the light, and its dark tells nothing of it."""
    watch = StepWatch()
    for seconds, off in ((4.0 + 0.05 * frames, 0.0), (6.0, size), (4.0, 0.0)):
        for _ in range(round(seconds / 0.05)):
            watch.add(Window(8.0 * (1.0 + off), 0.05))
    more, less = watch.doubt(0.0)
    off_mj_cm2 = 6.0 * 8.0 * size
    assert (less if size > 0.0 else more) == pytest.approx(abs(off_mj_cm2), rel=0.1)
    assert len(watch.steps) == 2


def test_light_that_falls_soon_after_it_was_seen_may_have_been_less_before() -> None:
    """The sensor told too much while lamps struck; that it did, nothing but its fall tells."""
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=100.0, tolerance_pct=2.0)
    simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    simulation.run(lambda: exposure(simulation)._tally.irradiance_mw_cm2 > 1.0, 5.0)
    simulation.unit.inject(LARGE)
    simulation.run(lambda: False, 0.3)
    simulation.unit.undo(LARGE)
    until(simulation, State.HELD, 10.0)
    assert "at once" in exposure(simulation).status().reason
    ended = stopped(simulation)
    assert ended.doubtful_mj_cm2 > 1.0 and holds(simulation, ended)


def test_a_sensor_that_stands_still_at_the_close_tells_no_after_glow() -> None:
    simulation = lit()
    simulation.run(lambda: exposure(simulation).status().remaining_s < 0.4, 60.0)
    simulation.unit.inject(GaugeStuck(0), for_s=0.8)
    simulation.run(lambda: exposure(simulation).state is not State.RUNNING, 60.0)
    simulation.run(lambda: False, 3.0)
    ended = simulation.ended or stopped(simulation)
    assert ended.dose_mj_cm2 > 101.0 and holds(simulation, ended)


def test_a_dark_that_becomes_lighter_while_it_is_read_is_no_dark() -> None:
    """Half of it would be subtracted, and nobody would know when it is gone again."""
    simulation = simulate()
    start(simulation)
    simulation.run(lambda: False, 0.6)
    simulation.unit.inject(SMALL)
    simulation.run(lambda: False, 0.7)
    assert not simulation.unit.lamp_on
    simulation.unit.undo(SMALL)
    until(simulation, State.COMPLETE, 60.0)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.01)


@pytest.mark.parametrize("strikes_in", [True, False])
def test_light_that_rises_before_its_level_is_known_is_doubted_from_before(
    strikes_in: bool,
) -> None:
    """An offset that was there before the lamps struck, or one that came just after."""
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=100.0, tolerance_pct=2.0)
    simulation.run(lambda: simulation.unit.lamp_on, 60.0)
    if not strikes_in:
        simulation.run(lambda: exposure(simulation)._tally.irradiance_mw_cm2 > 1.0, 5.0)
        simulation.run(lambda: False, 0.8)
    simulation.unit.inject(LARGE)
    simulation.run(lambda: exposure(simulation).state is not State.RUNNING, 5.0)
    simulation.unit.undo(LARGE)
    simulation.run(lambda: False, 3.0)
    assert holds(simulation, simulation.ended or stopped(simulation))
