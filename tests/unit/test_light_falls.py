"""A sensor that goes dark in mid-light: held at once, and what fell unseen has a bound."""

from __future__ import annotations

import pytest

from platelink.control.states import State
from platelink.events.light import Held
from platelink.simulated.harness import Simulation
from platelink.unit.outputs import EventNoted
from platesim.faults import SensorDimmed, TubeFails
from unit.unit_core import DOSE, exposure, simulate, start, texts, until, until_light

WORDS = ("lamps on", "lamps off", "not known")


def struck(share: float = 0.0, **changes: object) -> Simulation:
    simulation = simulate()
    start(simulation, **changes)
    until_light(simulation)
    simulation.unit.inject(SensorDimmed(transmission=share))
    return simulation


def uncertain(simulation: Simulation) -> float:
    found = exposure(simulation)._tally.unknown_mj_cm2
    return float(found)


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_a_sensor_that_goes_dark_holds_at_once_with_a_bound(share: float) -> None:
    simulation = struck(share)
    assert simulation.run(lambda: not simulation.unit.lamp_on, 0.3)
    until(simulation, State.HELD, 5.0)
    assert "fell from" in exposure(simulation).status().reason
    counted, true = exposure(simulation).dose_mj_cm2, simulation.unit.true_dose_mj_cm2()
    assert counted < true <= counted + uncertain(simulation)
    assert uncertain(simulation) < 8.0


def test_a_restart_wants_a_persons_word() -> None:
    simulation = struck()
    until(simulation, State.HELD, 5.0)
    simulation.unit.undo(SensorDimmed())
    simulation.command("restart", "looks well")
    assert exposure(simulation).state is State.HELD
    assert exposure(simulation).status().asks_what_fell
    refused = next(text for text in reversed(texts(simulation)) if "restart refused" in text)
    assert all(word in refused for word in WORDS)


@pytest.mark.parametrize(("word", "share"), [("lamps on", 1.0), ("lamps off", 0.0)])
def test_the_word_is_counted(word: str, share: float) -> None:
    simulation = struck()
    until(simulation, State.HELD, 5.0)
    simulation.unit.undo(SensorDimmed())
    unsure, counted = uncertain(simulation), exposure(simulation).dose_mj_cm2
    simulation.command("restart", word)
    assert exposure(simulation).dose_mj_cm2 == pytest.approx(counted + share * unsure)
    assert not exposure(simulation).status().asks_what_fell
    until(simulation, State.COMPLETE)
    assert simulation.ended is not None
    assert simulation.ended.uncertain_mj_cm2 == 0.0


def test_a_word_that_leaves_no_restart_is_noted() -> None:
    """The lamps were on, and gave more than the plate may have: a crash must not ask again."""
    simulation = struck(target_dose_mj_cm2=16.0)
    until(simulation, State.HELD, 60.0)
    simulation.unit.undo(SensorDimmed())
    simulation.command("restart", "lamps on")
    assert exposure(simulation).state is State.HELD
    noted = [o.event for o in simulation.outputs if isinstance(o, EventNoted)]
    held = [event for event in noted if isinstance(event, Held)]
    assert held[-2].uncertain_mj_cm2 > 0.0
    assert (held[-1].uncertain_mj_cm2, held[-1].remaining_mj_cm2) == (0.0, 0.0)


def test_what_nobody_knows_is_not_complete() -> None:
    simulation = struck(tolerance_pct=0.5)
    until(simulation, State.HELD, 5.0)
    simulation.unit.undo(SensorDimmed())
    simulation.command("restart", "not known")
    simulation.run(lambda: exposure(simulation).state is State.HELD, 60.0)
    assert "more may have been given" in exposure(simulation).status().reason
    simulation.command("stop", "judged")
    ended = simulation.ended
    assert ended is not None
    true = simulation.unit.true_dose_mj_cm2()
    assert ended.dose_mj_cm2 - 0.1 < true < ended.dose_mj_cm2 + ended.uncertain_mj_cm2


def test_lamps_whose_sensor_is_dark_from_the_start_have_a_bound() -> None:
    simulation = simulate()
    start(simulation)
    simulation.unit.inject(SensorDimmed(transmission=0.0))
    until(simulation, State.HELD, 60.0)
    assert simulation.unit.true_dose_mj_cm2() <= uncertain(simulation)


def test_one_dead_tube_of_six_is_made_up_for() -> None:
    simulation = simulate()
    start(simulation)
    until_light(simulation)
    simulation.unit.inject(TubeFails(3))
    until(simulation, State.COMPLETE)
    assert simulation.unit.true_dose_mj_cm2() == pytest.approx(DOSE, rel=0.01)
