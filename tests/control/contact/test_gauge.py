"""When a vacuum gauge is called frozen, and when never: noise of many kinds, at every level."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from platelink.control.alarm.unit import GAUGE_OFF_ZERO, GAUGE_STUCK
from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.finding import Verdict
from platelink.control.contact.gauge import CHANCE, LEAST_SHARE, GaugeNature, off_zero

STEP_KPA = 1.0 / 9.0
PER_MESSAGE = 50
VALUE_S = 0.05


class Gauge:
    """A gauge whose conversions are rounded to whole steps, told in messages."""

    def __init__(self, noise_steps: float, seed: int = 1) -> None:
        self.nature = GaugeNature()
        self.now = 0.0
        self.pumping = False
        self._noise, self._rng = noise_steps, np.random.default_rng(seed)

    def show(self, levels: np.ndarray) -> float | None:
        """One message at each level, in steps; seconds until it was called frozen."""
        begun = self.now
        for level in levels:
            noise = self._noise * self._rng.standard_normal(PER_MESSAGE)
            counts = np.rint(level + noise).astype(int)
            self.tell(counts)
            if self.nature.finding() is not None:
                return self.now - begun
        return None

    def tell(self, counts: np.ndarray) -> None:
        self.now += VALUE_S
        kpa = STEP_KPA * (int(counts.sum()) / len(counts))
        span = int(counts.max() - counts.min())
        self.nature.add(kpa, span, pumping=self.pumping, now=self.now)

    def stand(self, count: int, values: int) -> float | None:
        """The converter stands at one count."""
        begun = self.now
        for _ in range(values):
            self.tell(np.full(PER_MESSAGE, count))
            if self.nature.finding() is not None:
                return self.now - begun
        return None


def test_least_share_covers_the_worst_level_in_a_step() -> None:
    """Two means of 50 conversions with 0.3 steps rms agree most often with the level in the middle
    of a step; each conversion is then a step down, none, or a step up."""
    aside = stats.norm.sf(0.5 / 0.3)
    one = np.array([aside, 1.0 - 2.0 * aside, aside])
    total = np.array([1.0])
    for _ in range(PER_MESSAGE):
        total = np.convolve(total, one)
    assert LEAST_SHARE > float((total**2).sum()) > 0.12


@pytest.mark.parametrize("noise", [0.5, 0.6, 1.0, 3.0])
def test_a_gauge_with_noise_that_freezes_is_called_within_its_time(noise: float) -> None:
    gauge = Gauge(noise)
    assert gauge.show(np.full(100, 600.3)) is None
    called_s = gauge.stand(600, 40)
    assert called_s is not None and 0.3 <= called_s <= 0.7
    finding = gauge.nature.finding()
    assert finding is not None and finding.verdict is Verdict.LOST
    assert finding.trouble is not None and finding.trouble.alarm is GAUGE_STUCK
    assert "is stuck at 66.67 kPa" in finding.text


def test_the_number_of_alike_values_follows_from_the_chance() -> None:
    gauge = Gauge(0.6)
    gauge.show(np.full(100, 600.3))
    called_s = gauge.stand(600, 40)
    neighbours = math.ceil(math.log(CHANCE) / math.log(gauge.nature.alike_share))
    assert called_s == pytest.approx(VALUE_S * (neighbours + 1))


@pytest.mark.parametrize("noise", [0.0, 0.05, 0.1, 0.2, 0.25, 0.3, 0.35, 0.4, 0.6])
def test_no_gauge_is_called_frozen_that_works(noise: float) -> None:
    """Some minutes: still, on every part of a step; slowly through all of them; with a jump."""
    gauge = Gauge(noise)
    assert gauge.show(np.full(200, 41.0)) is None
    gauge.pumping = True
    pull_down = 41.0 + 700.0 * (1.0 - np.exp(-np.arange(400) / 80.0))
    assert gauge.show(pull_down) is None
    for part in np.linspace(740.0, 741.0, 11):
        assert gauge.show(np.full(200, part)) is None
    assert gauge.show(np.linspace(741.0, 737.0, 4000)) is None
    assert gauge.show(np.full(400, 700.0)) is None


def test_a_pumps_beat_on_a_gauge_without_noise_is_not_its_noise() -> None:
    """The beat stops where the pump rests; a gauge that was quiet while it was off may be so."""
    gauge = Gauge(0.0)
    gauge.show(np.full(100, 41.0))
    gauge.pumping = True
    for i in range(400):
        beat = 3.0 * np.sin(2.0 * np.pi * 23.0 * (i * VALUE_S + np.arange(PER_MESSAGE) * 0.001))
        gauge.tell(np.rint(700.2 + beat).astype(int))
    assert not gauge.nature.known
    assert gauge.stand(700, 2000) is None


@pytest.mark.parametrize("noise", [0.1, 0.15, 0.2])
def test_little_noise_seen_on_the_edge_of_a_step_does_not_count(noise: float) -> None:
    """There it moves the last count, in the middle of the step it vanishes."""
    gauge = Gauge(noise)
    assert gauge.show(np.full(200, 600.5)) is None
    assert gauge.show(np.full(2000, 600.0)) is None


def test_a_pull_down_is_no_noise() -> None:
    gauge = Gauge(0.0)
    gauge.pumping = True
    for start in np.arange(41.0, 700.0, 3.0):
        gauge.tell(np.rint(np.linspace(start, start + 3.0, PER_MESSAGE)).astype(int))
    assert gauge.stand(700, 200) is None


def test_noise_that_comes_in_lumps_needs_longer() -> None:
    """Where alike values come together, it is the share of those after an alike one that counts:
    of 20 values 12 are new and 8 the same, of 7 alike ones 6 follow another."""
    nature, rng, now = GaugeNature(), np.random.default_rng(2), 0.0
    for _ in range(40):
        for value in [*rng.standard_normal(12), *[0.0] * 8]:
            now += VALUE_S
            nature.add(60.0 + float(value), 3, pumping=False, now=now)
    assert nature.alike_share == pytest.approx(6.0 / 7.0, abs=0.01)


def test_a_gauge_never_seen_with_noise_is_not_judged_and_a_silent_one_begins_anew() -> None:
    nature = GaugeNature()
    for i in range(1000):
        nature.add(60.0, 0, pumping=True, now=VALUE_S * i)
    assert not nature.known and nature.finding() is None
    gauge = Gauge(0.6)
    gauge.show(np.full(100, 600.0))
    gauge.stand(600, 8)
    gauge.nature.add(None, 0, pumping=False, now=gauge.now)
    assert gauge.stand(600, 8) is None


def at_rest(*, pumping_until: float, gap_at: float = math.inf) -> GaugeNature:
    """0.4 kPa of a frame that is pumped out until then, one value each 0.2 s until 20 s."""
    nature = GaugeNature()
    for i in range(101):
        now = 0.2 * i
        if not gap_at <= now < gap_at + 3.0:
            nature.add(0.4, 2, pumping=now < pumping_until, now=now)
    return nature


def test_a_vented_frame_is_known_by_the_vacuum_output_alone() -> None:
    assert at_rest(pumping_until=5.0).vented_kpa(10.0, now=20.0) == 0.4
    assert at_rest(pumping_until=5.0).vented_kpa(15.0, now=20.0) is None  # not so long
    assert at_rest(pumping_until=30.0).vented_kpa(1.0, now=20.0) is None
    assert at_rest(pumping_until=5.0, gap_at=10.0).vented_kpa(10.0, now=20.0) is None  # unseen
    assert at_rest(pumping_until=5.0).vented_kpa(10.0, now=23.0) is None  # silent since
    assert GaugeNature().vented_kpa(1.0, now=20.0) is None


def test_a_gauge_off_zero_says_by_how_much() -> None:
    assert off_zero(2.9, 3.0) is None and off_zero(-3.0, 3.0) is None
    for kpa in (3.1, -6.0):
        wrong = off_zero(kpa, 3.0)
        assert wrong is not None and f"{kpa:.1f} kPa with the frame open" in wrong.text
        assert wrong.trouble is not None and wrong.trouble.alarm is GAUGE_OFF_ZERO


# --- an instrument on the bus: values seldom, and no span of conversions --------------------------

ON_BUS_S = 0.2


def on_bus(
    noise_kpa: float, digit_kpa: float, seed: int = 1, values: int = 300
) -> tuple[GaugeNature, float, bool]:
    """What an instrument of this last digit has shown; time, and whether it was called stuck."""
    nature, rng, now, called = GaugeNature(ON_BUS_S, 1.0), np.random.default_rng(seed), 0.0, False
    for _ in range(values):
        now += ON_BUS_S
        kpa = digit_kpa * round((70.0 + noise_kpa * rng.standard_normal()) / digit_kpa)
        nature.add(kpa, 0, pumping=False, now=now)
        called = called or nature.finding() is not None
    return nature, now, called


@pytest.mark.parametrize("noise_kpa", [0.05, 0.2])
def test_an_instrument_with_noise_of_several_digits_that_stands_still_is_told(
    noise_kpa: float,
) -> None:
    nature, now, called = on_bus(noise_kpa, 0.01)
    assert nature.known and not called
    begun = now
    while nature.finding() is None:
        now += ON_BUS_S
        nature.add(71.0, 0, pumping=False, now=now)
    assert now - begun <= 12.01 * ON_BUS_S  # chance at most 0.15 each, and 1e-8 in all


@pytest.mark.parametrize("digit_kpa", [0.1, 1.0])
def test_one_whose_last_digit_rests_is_never_judged(digit_kpa: float) -> None:
    nature, now, called = on_bus(0.05, digit_kpa, values=3000)
    assert not nature.known and not called
    for _ in range(1000):
        now += ON_BUS_S
        nature.add(71.0, 0, pumping=False, now=now)
    assert nature.finding() is None


def test_limits_are_as_they_can_be_kept_with_it() -> None:
    limits = ContactLimits(low_kpa=60.0, high_kpa=90.0, hold_test_s=1.0, gauge_silence_s=0.5)
    fitted = GaugeNature(ON_BUS_S, 1.0).fitted(limits)
    assert fitted is not None
    assert (fitted.hold_test_s, fitted.gauge_silence_s) == (pytest.approx(1.6), 1.0)
    assert GaugeNature().fitted(limits) == limits and GaugeNature().fitted(None) is None
    patient = replace(limits, gauge_silence_s=3.0, hold_test_s=5.0)
    assert GaugeNature(ON_BUS_S, 1.0).fitted(patient) == patient
