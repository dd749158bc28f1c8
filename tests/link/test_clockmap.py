"""The clock map against simulated lines whose true clock is known; unwrapping of ticks."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from link_wire import make_sample

from platelink.link.clockmap import RATE_PRIOR, ClockMap, unwrap
from platelink.link.devicetime import DeviceTime

FRAME_TICKS = 50
NOMINAL_HZ = 1000.0

Floats = np.ndarray[tuple[int], np.dtype[np.float64]]


def delays(kind: str, rng: np.random.Generator, t: Floats) -> Floats:
    """Seconds from a tick to the arrival of its frame; invented, but of the kinds that occur."""
    if kind == "jitter":  # a busy computer: anything up to 20 ms
        return rng.uniform(0.0, 0.020, len(t))
    if kind == "queue":
        return 0.001 + rng.exponential(0.003, len(t))
    if kind == "poll":  # USB full speed: handed over at the next millisecond
        return (-t) % 0.001 + rng.exponential(2e-4, len(t))
    if kind == "latency timer":  # a USB bridge that hands over every 16 ms
        return (rng.uniform(0.0, 0.016) - t) % 0.016 + rng.exponential(2e-4, len(t))
    assert kind == "rarely quick"
    return rng.gamma(2.0, 0.004, len(t))


class Trial:
    """One seeded line: resonator up to 0.5 % off, a tenth of the frames lost, 500 ms stalls."""

    def __init__(
        self,
        kind: str,
        seed: int,
        seconds: float,
        drift_per_s: float = 0.0,
        every: int = FRAME_TICKS,
    ) -> None:
        rng = np.random.default_rng(seed)
        self.rate = 1.0 + rng.uniform(-RATE_PRIOR, RATE_PRIOR)
        self.drift_per_s = drift_per_s
        n = int(seconds * NOMINAL_HZ / FRAME_TICKS)
        self.ticks = np.arange(n) * FRAME_TICKS + int(rng.integers(0, 2**40))
        device_s = (self.ticks - self.ticks[0]) / NOMINAL_HZ
        self.true = 5.0 + device_s * self.rate + drift_per_s * device_s**2 / 2
        arrival = self.true + delays(kind, rng, self.true)
        for stall in rng.uniform(5.0, 5.0 + seconds, max(1, round(seconds / 5))):
            arrival[(arrival > stall) & (arrival < stall + 0.5)] = stall + 0.5
        self.arrival = np.maximum.accumulate(arrival)  # frames do not overtake each other
        self.kept = rng.random(n) > 0.1
        self.clock = ClockMap(NOMINAL_HZ)
        self._fed = 0

    def run_to(self, seconds: float) -> tuple[float, float]:
        """Feed frames up to that device time; (relative error of the rate, uncertainty)."""
        end = int(seconds * NOMINAL_HZ / FRAME_TICKS)
        for i in range(self._fed, end):
            if self.kept[i]:
                self.clock.add(int(self.ticks[i]), float(self.arrival[i]))
        self._fed = end
        true_tick_s = (self.rate + self.drift_per_s * seconds) / NOMINAL_HZ
        return self.clock.tick_s / true_tick_s - 1.0, self.clock.rel_uncertainty

    def t_error_s(self) -> float:
        """Error of the mapped time of the newest frame."""
        return self.clock.t_of(int(self.ticks[self._fed - 1])) - float(self.true[self._fed - 1])


KINDS = ["jitter", "queue", "poll", "latency timer", "rarely quick"]
MARKS = (4.0, 8.0, 10.0, 15.0, 30.0)


@pytest.mark.parametrize("kind", KINDS)
def test_rate_is_found_and_its_uncertainty_is_honest(kind: str) -> None:
    trials = [Trial(kind, seed, 31.0) for seed in range(40)]
    within, errors = 0, {}
    for mark in MARKS:
        pairs = [trial.run_to(mark) for trial in trials]
        within += sum(abs(error) <= uncertainty for error, uncertainty in pairs)
        errors[mark] = [abs(error) for error, _ in pairs]
    assert within >= 0.95 * len(trials) * len(MARKS)
    assert np.median(errors[10.0]) < 1e-4
    assert np.quantile(errors[10.0], 0.95) < 4e-4
    assert np.quantile(errors[30.0], 0.95) < 1e-4
    assert max(trial.clock.rel_uncertainty for trial in trials) < 3e-4


@pytest.mark.parametrize("kind", ["jitter", "poll"])
def test_uncertainty_falls_with_the_span(kind: str) -> None:
    trial = Trial(kind, 3, 301.0)
    seen = [trial.run_to(mark)[1] for mark in (1.0, 10.0, 30.0, 100.0, 300.0)]
    assert seen == sorted(seen, reverse=True)
    assert seen[-1] < 1e-5
    assert trial.clock.span_s == pytest.approx(300.0, rel=0.01)
    assert abs(trial.t_error_s()) < 1e-3


@pytest.mark.parametrize("kind", KINDS)
def test_a_warming_resonator_is_followed(kind: str) -> None:
    """30 ppm a minute: the rate has moved by 3e-4 after ten minutes."""
    within = []
    for seed in range(6):
        trial = Trial(kind, seed, 601.0, drift_per_s=5e-7)
        for mark in (150.0, 300.0, 450.0, 600.0):
            error, uncertainty = trial.run_to(mark)
            assert abs(error) < 1e-4
            assert abs(trial.t_error_s()) < 0.010
            within.append(abs(error) < uncertainty)
    assert np.mean(within) >= 0.95


def test_before_and_after_the_first_frame() -> None:
    clock = ClockMap(NOMINAL_HZ)
    assert (clock.rel_uncertainty, clock.span_s, clock.tick_s) == (1.0, 0.0, 0.001)
    clock.add(5000, 100.0)
    assert clock.rel_uncertainty == RATE_PRIOR
    assert clock.t_of(5000) == 100.0
    assert clock.t_of(6000) == pytest.approx(101.0)
    clock.add(5000, 101.0)  # a duplicate says nothing
    clock.add(4000, 101.0)
    assert clock.t_of(5000) == 100.0
    clock.reset()
    assert clock.rel_uncertainty == 1.0


def test_late_frames_do_not_move_the_map() -> None:
    """The first frame came half a second late: the next prompt one corrects the map at once."""
    clock = ClockMap(NOMINAL_HZ)
    clock.add(0, 10.5)
    for i in range(1, 10):
        clock.add(50 * i, 10.5)
    clock.add(600, 10.6)
    assert clock.t_of(600) == pytest.approx(10.6)
    clock.add(650, 11.4)
    assert clock.t_of(650) == pytest.approx(10.65)


def test_sample_times_never_run_backwards() -> None:
    """A fit that moves the map back makes the times wait, not turn round."""
    device = DeviceTime()
    device.start(0, 1000, 5.0)
    assert device.sample(make_sample(50), 5.05) == pytest.approx(5.05)
    device.clock.add(90, 4.99)  # a map 100 ms earlier than before
    assert device.sample(make_sample(100), 5.1) == pytest.approx(5.05)
    assert device.sample(make_sample(200), 5.2) == pytest.approx(5.1)


def test_adding_is_cheap() -> None:
    """Aim: 3 microseconds; the bound leaves room for a busy machine."""
    trial = Trial("jitter", 1, 600.0)
    pairs = list(zip(trial.ticks.tolist(), trial.arrival.tolist(), strict=True))
    started = time.process_time()
    for ticks, arrival in pairs:
        trial.clock.add(ticks, arrival)
    assert (time.process_time() - started) / len(pairs) < 30e-6
    assert sum(len(block.hull) for block in trial.clock._blocks) < 1000


@given(st.integers(0, 2**62), st.integers(-(2**31) + 1, 2**31 - 1))
def test_unwrap_finds_the_value_again(near: int, away: int) -> None:
    value = near + away
    if value < 0:
        value = 0
    assert unwrap(value & 0xFFFF_FFFF, near) == value


@given(st.integers(0, 0xFFFF_FFFF), st.integers(0, 2**62))
def test_unwrap_is_congruent_and_near(tick: int, near: int) -> None:
    value = unwrap(tick, near)
    assert value & 0xFFFF_FFFF == tick
    assert value >= 0
    assert abs(value - near) <= 2**31 or near < 2**31


@given(st.lists(st.integers(1, 2**31 - 1), min_size=1, max_size=50), st.integers(0, 0xFFFF_FFFF))
def test_a_chain_of_ticks_never_runs_backwards(steps: list[int], start: int) -> None:
    true = seen = start
    for step in steps:
        true += step
        seen = unwrap(true & 0xFFFF_FFFF, seen)
        assert seen == true
