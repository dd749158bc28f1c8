"""The device's own limits of light, told before it refuses and told from weak lamps. The boards are
built with small ones; what they accept and end is the truth here."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial

import pytest

from platelink.control.states import State
from platelink.link import messages as m
from platelink.simulated.harness import Simulation, make_core
from platesim.board import HostBoard, LightLimits
from platesim.faults import SensorDimmed
from platesim.unit import SimulatedUnit
from unit.unit_core import DOSE, FADED, deaf_to, exposure, start, texts, until, until_light

ORDER, LIT, HOUR = 20_000, 30_000, 120_000
Make = Callable[..., Simulation]


@pytest.fixture
def make(monkeypatch: pytest.MonkeyPatch) -> Make:
    """A device with these limits, and a host that knows them unless told otherwise."""

    def one(order: int = ORDER, *, known: bool = True, lit: int = LIT) -> Simulation:
        if known:
            monkeypatch.setattr(m, "MAX_GUARD_TICKS", order)
            monkeypatch.setattr(m, "HOUR_LIT_TICKS", lit)
            monkeypatch.setattr("platelink.control.light.hour.KEPT_TICKS", HOUR + HOUR // 12)
        board = partial(HostBoard, limits=LightLimits(order, lit, HOUR))
        unit = SimulatedUnit(FADED, 3, board=board)
        return Simulation(unit, make_core(FADED, expected_mw_cm2=7.0))

    return one


def reason(simulation: Simulation) -> str:
    return exposure(simulation).status().reason


def test_what_the_hour_leaves_is_known_before_the_device_refuses(make: Make) -> None:
    """Each dose needs some 9 s; the third is not asked for before the time that was told."""
    simulation = make()
    start(simulation)
    until_light(simulation, 0.1)
    first_s = simulation.now
    until(simulation, State.COMPLETE)
    start(simulation, "run-2")
    until(simulation, State.COMPLETE)
    start(simulation, "run-3", target_dose_mj_cm2=90.0)
    until(simulation, State.HELD)
    assert not any("refused" in text for text in texts(simulation))
    told = re.search(
        r"about (\d+) s of light .* has (\d+) s left; .* in (\d+) min", reason(simulation)
    )
    assert told is not None, reason(simulation)
    needed_s, left_s = int(told[1]), int(told[2])
    assert told[3] == "2"
    assert needed_s > left_s and simulation.unit.light_on_truth_s == 0.0
    while exposure(simulation).state is State.HELD:
        simulation.run(lambda: False, 2.0)
        simulation.command("restart")
        simulation.run(lambda: exposure(simulation).state is State.HELD, 2.0)
    since_first_s = simulation.now - first_s
    assert (HOUR - 10_000) / 1e3 < since_first_s < (HOUR + HOUR / 12) / 1e3 + 15.0
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(90.0, rel=0.01)
    assert not any("refused" in text for text in texts(simulation))


def test_a_restart_of_the_device_begins_its_hour_anew(make: Make) -> None:
    simulation = make()
    for run in ("run-1", "run-2"):
        start(simulation, run)
        until(simulation, State.COMPLETE)
    simulation.unit.reset_device(m.ResetCause.POWER_ON)
    start(simulation, "run-3", target_dose_mj_cm2=90.0)
    until(simulation, State.COMPLETE)


def test_another_daemon_knows_the_newest_order_of_the_hour(make: Make) -> None:
    simulation = make(lit=20_000)
    start(simulation, target_dose_mj_cm2=90.0)
    until(simulation, State.COMPLETE)
    again = Simulation(simulation.unit, make_core(FADED, expected_mw_cm2=7.0))
    start(again, "run-2")
    until(again, State.HELD)
    assert "allows 45 min of light in an hour" in reason(again)


def test_light_of_an_order_whose_account_never_came_counts(make: Make) -> None:
    simulation = make(lit=20_000)
    deaf_to(simulation, m.GetOrder)
    start(simulation, target_dose_mj_cm2=90.0)
    until(simulation, State.COMPLETE)
    start(simulation, "run-2")
    until(simulation, State.HELD)
    assert "allows 45 min of light in an hour" in reason(simulation)


def test_a_close_by_the_device_s_limit_is_told_from_weak_lamps(make: Make) -> None:
    """The order asks for the most that the device gives, and that is not enough."""
    simulation = make(order=6_000)
    start(simulation)
    until(simulation, State.HELD)
    assert "at its own limit" in reason(simulation)
    assert exposure(simulation).conditions() == ()
    assert 5.9 < simulation.unit.light_on_truth_s < 6.1
    simulation.command("restart")
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)


def test_a_guard_that_ends_sooner_than_asked_was_the_device_s_own(make: Make) -> None:
    """As failing memory in it might, or a limit that nobody told us of."""
    simulation = make()
    start(simulation)
    until_light(simulation, 2.0)
    simulation.unit.board.spoil_guard(4_000)  # type: ignore[attr-defined]
    until(simulation, State.HELD)
    assert "at its own limit" in reason(simulation)


def test_weak_lamps_are_still_called_weak(make: Make) -> None:
    simulation = make()
    start(simulation, guard_factor=1.1)
    until_light(simulation, 2.0)
    simulation.unit.inject(SensorDimmed(transmission=0.5))
    until(simulation, State.HELD)
    assert "guard time ran out" in reason(simulation) or "the light seen fell" in reason(simulation)


def test_a_device_built_for_less_has_the_last_word(make: Make) -> None:
    simulation = make(order=6_000, known=False)
    start(simulation)
    until(simulation, State.HELD)
    assert "the device refused the order" in reason(simulation)
    assert simulation.unit.light_on_truth_s == 0.0


def test_no_order_asks_for_more_than_a_device_gives() -> None:
    """However much a recipe wants: the device checks it too."""
    unit = SimulatedUnit(FADED, 3)
    simulation = Simulation(unit, make_core(FADED, expected_mw_cm2=7.0))
    start(simulation, target_dose_mj_cm2=13_000.0, max_light_s=7200.0)
    until_light(simulation, 1.0)
    assert exposure(simulation).state is State.RUNNING
    armed = next(o for o in simulation.outputs if getattr(o, "name", "") == "armed")
    assert armed.data["guard_s"] == pytest.approx(1810.0, rel=1e-3)
