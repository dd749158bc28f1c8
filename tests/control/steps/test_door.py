"""An oven's door, told from its own thermostat, with ovens of every thermal mass."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from platelink.control.states import Noted
from platelink.control.steps.bake import Bake
from platelink.control.steps.door import KEPT, LEARNED_FROM, ClosedFalls, DoorWatch, Fall
from platelink.control.steps.oven import BakeRequest
from platelink.events.steps import BakeEnded
from platelink.record.journal import Journal
from platelink.record.lessons import lessons_in
from platelink.runs import RunEvent, RunStart
from platesim.oven import HEAVY, LIGHT, OvenParameters, OvenState, stepped

MIDDLE = OvenParameters()
REQUEST = BakeRequest(low_c=57.0, high_c=63.0, in_band_s=1e5, over_c=80.0)
AT = datetime(2026, 3, 2, tzinfo=UTC)
OVENS = {"light": LIGHT, "middle": MIDDLE, "heavy": HEAVY}
CLOSED_C_PER_MIN = {"light": 8.88, "middle": 2.22, "heavy": 0.222}
"""60 s · 6 W/K · 37 K / heat capacity: of the closed oven at its setpoint."""


def baked(
    oven: OvenParameters, falls: ClosedFalls, minutes: float,
    opened_s: tuple[tuple[float, float], ...] = (), noise_c: float = 0.1, seed: int = 7,
) -> tuple[Bake, list[float], list[float]]:  # fmt: skip
    """A bake in a warm oven, readings twice a second: when its door was said to open, and shut."""
    state, noise = OvenState(oven.setpoint_c, True), np.random.default_rng(seed)
    bake = Bake(REQUEST, falls, now=0.0)
    bake.start(now=0.0)
    opened, shut = [], []
    for n in range(1, round(120 * minutes) + 1):
        t = 0.5 * n
        door = any(since <= t < until for since, until in opened_s)
        state = stepped(oven, state, 0.5, door_open=door)
        for o in bake.reading(state.temperature_c + noise_c * noise.standard_normal(), t=t, now=t):
            if isinstance(o, Noted) and o.name.startswith("oven door"):
                (opened if o.name == "oven door open" else shut).append(t)
    return bake, opened, shut


def taught(oven: OvenParameters) -> ClosedFalls:
    falls = ClosedFalls()
    baked(oven, falls, 60.0)
    return falls


@pytest.mark.parametrize("name", OVENS)
@pytest.mark.parametrize("noise_c", [0.02, 0.1, 0.25])
def test_a_thermostat_is_no_door_from_the_first_bake_on(name: str, noise_c: float) -> None:
    """Two bakes of an hour, of which the first knows nothing of its oven."""
    falls = ClosedFalls()
    for seed in (1, 2):
        _, opened, _ = baked(OVENS[name], falls, 60.0, noise_c=noise_c, seed=seed)
        assert opened == []


@pytest.mark.parametrize("name", OVENS)
def test_it_learns_how_fast_its_oven_falls_behind_the_closed_door(name: str) -> None:
    learned = taught(OVENS[name]).c_per_min
    assert learned == pytest.approx(CLOSED_C_PER_MIN[name], rel=0.15)


@pytest.mark.parametrize(("name", "within_s"), [("light", 10.0), ("middle", 20.0), ("heavy", 40.0)])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_door_left_open_is_seen_whatever_the_oven_weighs(
    name: str, within_s: float, seed: int
) -> None:
    oven = OVENS[name]
    _, opened, shut = baked(oven, taught(oven), 40.0, ((1200.0, 1320.0),), seed=seed)
    assert len(opened) == len(shut) == 1
    assert 1200.0 < opened[0] < 1200.0 + within_s
    assert 1320.0 < shut[0] < 1320.0 + 120.0


def test_the_first_bake_of_an_oven_sees_a_door_where_it_leaves_the_band() -> None:
    _, opened, _ = baked(LIGHT, ClosedFalls(), 5.0, ((20.0, 140.0),))
    assert len(opened) == 1 and 20.0 < opened[0] < 40.0


def test_a_set_point_turned_down_is_no_door() -> None:
    """The oven falls for long, and no faster than behind its closed door."""
    falls, noise = taught(LIGHT), np.random.default_rng(5)
    watch = DoorWatch(falls, low_c=57.0, unlearned_c_per_min=6.0)
    state, lower = OvenState(60.0, True), replace(LIGHT, setpoint_c=45.0)
    for n in range(1, 1200):
        state = stepped(LIGHT if n < 400 else lower, state, 0.5)
        watch.add(0.5 * n, state.temperature_c + 0.1 * noise.standard_normal())
        assert not watch.open
    assert state.temperature_c < 47.0


def test_one_opening_that_nobody_saw_does_not_teach() -> None:
    falls = ClosedFalls()
    baked(LIGHT, falls, 10.0, ((60.0, 62.0),))  # short: it stays above the band's lower end
    assert falls.c_per_min == pytest.approx(8.88, rel=0.15)


def test_an_opening_that_was_seen_is_none_of_the_closed_falls() -> None:
    bake, opened, _ = baked(MIDDLE, taught(MIDDLE), 40.0, ((1200.0, 1320.0),))
    assert len(opened) == 1
    assert max(fall.c_per_min for fall in bake._door.seen) < 3.0


def test_the_record_teaches_the_next_start() -> None:
    """As many falls as are kept; before there are three the rate is not known."""
    bake, _, _ = baked(LIGHT, ClosedFalls(), 20.0)
    (ended,) = (
        o.event for o in bake.stop("asked", now=1201.0)
        if isinstance(o, Noted) and isinstance(o.event, BakeEnded)
    )  # fmt: skip
    assert ended.closed_falls_c_per_min and len(ended.closed_falls_c_per_min) == KEPT
    told = [_told(ended)]
    assert ClosedFalls(told).c_per_min == pytest.approx(8.88, rel=0.15)
    few = replace(ended, closed_falls_c_per_min=(9.0, 8.8)[: LEARNED_FROM - 1])
    assert ClosedFalls([_told(few)]).c_per_min is None
    assert ClosedFalls([_told(replace(ended, closed_falls_c_per_min=None))]).c_per_min is None


def _told(ended: BakeEnded) -> RunEvent:
    return RunEvent(
        id="x-1", run_id="r1", unit="u", at_utc=AT,
        name=ended.name, data=ended.data(),
    )  # fmt: skip


def test_a_start_reads_what_the_oven_taught_out_of_the_journal(tmp_path: Path) -> None:
    """Of the plates that are complete; lessons of lamps that were dropped change nothing in it."""
    with Journal.open(tmp_path / "journal.sqlite", unit="u", new_uuid="u") as journal:
        for n, rate in enumerate((2.0, 2.2, 9.0, 2.4)):
            run = {"unit": "u", "at_utc": AT, "run_id": f"plate-{n}"}
            start = RunStart(id=journal.next_id(), step="plate", request={"kind": "plate"}, **run)
            journal.append(start)
            data = {"in_band_s": 60.0, "elapsed_s": 70.0, "gap_s": 0.0, "mean_c": 58.0,
                    "min_c": 57.0, "max_c": 59.0, "equivalent_s": None, "door_openings": 0,
                    "closed_falls_c_per_min": [rate]}  # fmt: skip
            journal.append(RunEvent(id=journal.next_id(), name="bake ended", data=data, **run))
            journal.end_run(f"plate-{n}", AT, "aborted" if rate == 9.0 else "complete", "over")
        told = lessons_in(journal.reader)
    assert ClosedFalls(told).c_per_min == pytest.approx(2.2)


def test_two_bakes_in_one_oven_tell_a_fall_once() -> None:
    falls = ClosedFalls()
    for t in (10.0, 10.4, 20.0, 20.1, 30.0):
        falls.add(Fall(t, t / 10.0))
    assert falls.c_per_min == 2.0


def test_the_slope_against_numpy() -> None:
    watch = DoorWatch(ClosedFalls(), low_c=60.0, unlearned_c_per_min=6.0)
    rng = np.random.default_rng(3)
    times = np.arange(0.0, 40.0, 1.0)
    values = 58.0 - 0.2 * times + 0.02 * rng.standard_normal(40)
    for t, c in zip(times, values, strict=True):
        watch.add(t, c)
    slope = np.polyfit(times[18:39], values[18:39], 1)[0]  # the newest second is not full yet
    assert watch.slope_c_per_min == pytest.approx(60.0 * slope, rel=1e-9)
    assert watch.open and math.isclose(watch.limit_c_per_min, 6.0)
