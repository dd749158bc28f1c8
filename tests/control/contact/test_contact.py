"""The contact gate in simulated time."""

import math
import re
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LOST
from platelink.control.contact.contact import ContactGate, ContactLimits
from platelink.control.contact.finding import Verdict

LIMITS = ContactLimits(low_kpa=52.5, high_kpa=90.0)


def pull(gate: ContactGate, pressure, until_s: float, dt: float = 0.05):
    """Feed a gauge function of time until a verdict."""
    t = 0.0
    while t <= until_s:
        finding = gate.add(pressure(t), now=t)
        if finding.verdict is not Verdict.GOING_ON:
            return finding, t
        t += dt
    return None, t


def test_gate_opens_after_pull_down_and_hold_test() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    finding, t = pull(gate, lambda t: 70.0 * (1.0 - math.exp(-t / 4.0)), 60.0)
    assert finding.verdict is Verdict.HELD
    reached = 4.0 * math.log(70.0 / (70.0 - 52.5))  # the pull-down curve inverted
    assert gate.pull_down_s == pytest.approx(reached, abs=0.051)
    assert t >= reached + LIMITS.hold_test_s


def test_gate_gives_up_at_its_limit_and_not_before() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    limit = LIMITS.pull_down_limit_s
    assert gate.add(40.0, now=limit - 0.001).verdict is Verdict.GOING_ON
    finding = gate.add(40.0, now=limit)
    assert finding.verdict is Verdict.LOST
    assert "40.0 kPa" in finding.text and "52.5 kPa" in finding.text
    assert finding.trouble == Condition(CONTACT_LOST, True, 40.0, 52.5)


@pytest.mark.parametrize(("slope_kpa_per_s", "word"), [(-0.2, "falls 12.0"), (0.2, "rises 12.0")])
def test_gate_refuses_a_vacuum_that_moves_in_the_hold_test(
    slope_kpa_per_s: float, word: str
) -> None:
    limits = replace(LIMITS, pull_down_limit_s=30.0)
    finding, t = pull(ContactGate(limits, now=0.0), lambda t: 70.0 + slope_kpa_per_s * t, 90.0)
    assert finding.verdict is Verdict.LOST and t == pytest.approx(30.0, abs=0.06)
    assert f"{word} kPa/min" in finding.text and "limit 6.0 kPa/min" in finding.text


def test_gate_waits_until_the_pump_has_settled() -> None:
    """By the curve of a pull-down: its slope at the middle of the hold test is within the limit."""
    gate = ContactGate(LIMITS, now=0.0)
    finding, t = pull(gate, lambda t: 70.0 * (1.0 - math.exp(-t / 4.0)), 60.0)
    assert finding.verdict is Verdict.HELD
    middle_s = t - LIMITS.hold_test_s / 2.0
    slope = 60.0 * 70.0 / 4.0 * math.exp(-middle_s / 4.0)
    limit = LIMITS.fall_limit_kpa_per_min
    assert 0.7 * limit < slope <= limit  # the curve itself makes the line less sure


@pytest.mark.parametrize(
    ("name", "pressure"),
    [
        ("flutter", lambda t, rng: 70.0 + 2.0 * math.sin(2.0 * math.pi * 0.7 * t)),
        ("slow flutter", lambda t, rng: 70.0 + 2.0 * math.sin(2.0 * math.pi * 0.13 * t)),
        ("white", lambda t, rng: 70.0 + 3.0 * rng.standard_normal()),
    ],
)
def test_gate_finds_a_vacuum_too_unsteady_to_tell(name: str, pressure: object) -> None:
    for seed in range(5):
        noisy = partial(pressure, rng=np.random.default_rng(seed))
        finding, _ = pull(ContactGate(LIMITS, now=0.0), noisy, 90.0)
        assert finding.verdict is Verdict.LOST, name
        told = re.search(r"unsteady by|falls|rises", finding.text)
        assert told, finding.text
        if name != "slow flutter":
            assert "look for a leak or a loose hose" in finding.text


@pytest.mark.parametrize("sd_kpa", [0.0, 0.02, 0.15, 0.4])
def test_gate_takes_a_steady_vacuum_with_the_noise_of_its_gauge(sd_kpa: float) -> None:
    """More noise needs a longer hold test, and no more than four of them."""
    rng = np.random.default_rng(1)
    gate = ContactGate(LIMITS, now=0.0)
    finding, t = pull(gate, lambda t: 70.0 + sd_kpa * rng.standard_normal(), 60.0)
    assert finding.verdict is Verdict.HELD
    assert t <= (LIMITS.hold_test_s + 0.3 if sd_kpa < 0.2 else 60.0)
    assert gate.line.sd_kpa == pytest.approx(sd_kpa, rel=0.3)


def test_gate_passes_what_moves_faster_than_its_limit_seldom() -> None:
    """An interval of three standard errors, looked at five times a second: at one and a half times
    the limit, none of a hundred whole pull-downs."""
    passed = 0
    for seed in range(100):
        rng, limits = np.random.default_rng(seed), replace(LIMITS, pull_down_limit_s=12.0)
        noisy = lambda t, rng=rng: 70.0 - 0.15 * t + 0.05 * rng.standard_normal()  # noqa: E731
        finding, _ = pull(ContactGate(limits, now=0.0), noisy, 20.0)
        passed += finding.verdict is Verdict.HELD
    assert passed == 0


def test_gate_draws_for_the_least_time_that_is_asked() -> None:
    gate = ContactGate(replace(LIMITS, draw_down_s=20.0), now=0.0)
    finding, t = pull(gate, lambda t: 70.0, 60.0)
    assert finding.verdict is Verdict.HELD
    assert 20.0 <= t <= 20.3


def test_a_least_time_beyond_the_limit_moves_the_limit() -> None:
    gate = ContactGate(replace(LIMITS, draw_down_s=70.0), now=0.0)
    assert gate.deadline() == 73.0
    finding, t = pull(gate, lambda t: 70.0, 100.0)
    assert finding.verdict is Verdict.HELD and t < 70.3


def test_gate_that_nothing_draws_at_asks_for_the_pump() -> None:
    pump, seal = "check whether the pump runs, its hose", "check blanket, seal"
    for kpa, said in ((1.0, pump), (20.0, seal), (-0.03, "best 0.0 kPa")):
        finding, _ = pull(ContactGate(LIMITS, now=0.0), lambda t, kpa=kpa: kpa, 90.0)
        assert finding.verdict is Verdict.LOST and said in finding.text


def test_gate_without_a_gauge_says_so() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    assert "no gauge value" in gate.expired(now=60.0).text
