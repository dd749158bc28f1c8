"""What the end of a run tells of the lamps, against the simulated lamps themselves."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from platelink.control.states import State
from platelink.finding.happened import text_of
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import RunEnded
from platesim.faults import TubeFails
from platesim.scenarios import SCENARIOS
from unit.unit_core import FADED, simulate, start, until, until_light


def lamps_of(simulation: Simulation) -> dict[str, Any]:
    (ended,) = [o for o in simulation.outputs if isinstance(o, RunEnded)]
    assert ended.lamps is not None
    return ended.lamps


def test_level_course_and_start_of_one_exposure() -> None:
    cold = replace(FADED, lamps=replace(FADED.lamps, rest_s=1e9, noise_fraction=0.0))
    simulation = simulate(cold)
    start(simulation, target_dose_mj_cm2=160.0)
    until(simulation, State.COMPLETE)
    told = lamps_of(simulation)
    assert told["starts"] == 1
    # The last whole second before the close, on the sensor, which sees the mean of the bed.
    lamps = simulation.unit.lamps
    full = lamps.parameters.irradiance_mw_cm2 * lamps.output_fraction
    share = told["irradiance_mw_cm2"] / full
    assert 0.9 < share < 1.0
    assert told["channels_mw_cm2"] == pytest.approx([told["irradiance_mw_cm2"]], rel=1e-4)
    times, levels = zip(*told["course"], strict=True)
    assert list(levels) == sorted(levels) and levels[0] < 0.85 * levels[-1]
    assert times[0] == pytest.approx(0.5, abs=0.06) and times[-1] < told["level_at_s"]
    expected = (
        1.0 - 0.2 * 2.718281828 ** (-times[2] / 5.0) - 0.12 * 2.718281828 ** (-times[2] / 45.0)
    )
    assert levels[2] / full == pytest.approx(expected, rel=0.02)


def test_a_restart_is_another_start_and_the_course_stays_the_first_ones() -> None:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=120.0)
    until_light(simulation, 6.0)
    simulation.command("hold", "asked")
    until(simulation, State.HELD)
    simulation.command("restart", "asked")
    until(simulation, State.COMPLETE)
    told = lamps_of(simulation)
    assert told["starts"] == 2
    assert [t for t, _ in told["course"]] == pytest.approx([0.5, 1.5, 3.5], abs=0.1)


def test_a_light_too_short_for_a_level_leaves_that_of_the_light_before() -> None:
    simulation = simulate()
    start(simulation, target_dose_mj_cm2=120.0)
    until_light(simulation, 6.0)
    simulation.command("hold", "asked")
    until(simulation, State.HELD)
    simulation.command("restart", "asked")
    until_light(simulation, 6.5)
    simulation.command("stop", "asked")
    until(simulation, State.STOPPED)
    told = lamps_of(simulation)
    assert told["starts"] == 2
    assert 5.0 < told["level_at_s"] <= 6.1
    assert told["irradiance_mw_cm2"] == pytest.approx(told["course"][-1][1], rel=0.05)


def test_a_tube_that_is_out_is_in_the_level() -> None:
    levels = []
    for fails in (False, True):
        simulation = simulate()
        if fails:
            simulation.unit.inject(TubeFails(2))
        start(simulation)
        until(simulation, State.COMPLETE)
        levels.append(lamps_of(simulation)["irradiance_mw_cm2"])
    assert levels[1] / levels[0] == pytest.approx(5.0 / 6.0, rel=0.03)


def test_four_channels_tell_near_which_of_them_a_tube_is_out() -> None:
    """Tubes that aged unequally, mains that wander: the channel over the dead tube fell most."""
    levels = []
    for fails in (False, True):
        simulation = simulate(SCENARIOS["unequal-tubes"].parameters)
        if fails:
            simulation.unit.inject(TubeFails(5))
        start(simulation)
        until(simulation, State.COMPLETE)
        levels.append([math.log(one) for one in lamps_of(simulation)["channels_mw_cm2"]])
    change = [after - before for before, after in zip(*levels, strict=True)]
    assert min(change) == change[3] < -0.15 and change == sorted(change, reverse=True)
    text = text_of(change, ("a", "b", "c", "d"), None)
    assert "fell unequally" in text and "d most: a tube near it is out" in text


def test_no_light_tells_nothing() -> None:
    simulation = simulate()
    start(simulation)
    simulation.command("abort", "not now")
    (ended,) = [o for o in simulation.outputs if isinstance(o, RunEnded)]
    assert ended.lamps is None
