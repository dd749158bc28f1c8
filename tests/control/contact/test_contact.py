"""Contact gate and watch against published CUSUM tables and in simulated time."""

import math
import re
from dataclasses import replace
from functools import partial

import numpy as np
import pytest

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LEAKS, CONTACT_LOST, GAUGE_SILENT
from platelink.control.contact.contact import (
    ContactGate,
    ContactLimits,
    ContactWatch,
    FallingCusum,
)
from platelink.control.contact.finding import Finding, Verdict

LIMITS = ContactLimits(low_kpa=52.5, high_kpa=90.0)

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (data and S_lo as printed there;
# target 325, k = 0.3175, h = 4.1959). S_hi is S_lo of the mirrored series.
NIST = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
NIST_HIGH = [
    0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04,
]  # fmt: skip

# Montgomery, Introduction to Statistical Quality Control, example 9.1 (mu0 = 10, k = 0.5, h = 5).
MONTGOMERY = [
    9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40,
    10.08, 9.37, 10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62,
    11.31, 10.52,
]  # fmt: skip


def test_cusum_low_side_of_the_nist_table() -> None:
    cusum = FallingCusum(325.0, 0.3175, 4.1959)
    signals = []
    for x, printed in zip(NIST, NIST_LOW, strict=True):
        signals.append(cusum.add(x))
        assert cusum.sum == pytest.approx(printed, abs=0.0051)
    assert not any(signals)


def test_cusum_high_side_of_the_nist_table_signals_at_group_14() -> None:
    cusum = FallingCusum(-325.0, 0.3175, 4.1959)
    signals = []
    for x, printed in zip(NIST, NIST_HIGH, strict=True):
        signals.append(cusum.add(-x))
        assert cusum.sum == pytest.approx(printed, abs=0.0051)
    assert signals.index(True) + 1 == 14
    assert all(signals[13:])


def test_cusum_of_montgomery_signals_at_observation_29() -> None:
    cusum = FallingCusum(-10.0, 0.5, 5.0)
    signals = [cusum.add(-x) for x in MONTGOMERY]
    assert signals.index(True) + 1 == 29


def test_cusum_agrees_with_a_statistics_library() -> None:
    capstat_core = pytest.importorskip("capstat_core")
    chart = capstat_core.cusum_chart(NIST, target=325.0, sigma=0.635, k=0.5, h=4.1959 / 0.635)
    cusum = FallingCusum(-325.0, 0.3175, 4.1959)
    ours = [i for i, x in enumerate(NIST) if cusum.add(-x)]
    assert tuple(ours) == tuple(v if isinstance(v, int) else v.index for v in chart.violations)


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
    for kpa, where in ((1.0, "whether the pump runs, its hose"), (20.0, "blanket, seal")):
        finding, _ = pull(ContactGate(LIMITS, now=0.0), lambda t, kpa=kpa: kpa, 90.0)
        assert finding.verdict is Verdict.LOST and f"check {where}" in finding.text


def test_gate_without_a_gauge_says_so() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    assert "no gauge value" in gate.expired(now=60.0).text


def test_watch_debounces_then_reports_the_band() -> None:
    watch = ContactWatch(LIMITS, level_kpa=52.7, now=0.0)
    assert watch.add(52.3, now=1.0).verdict is Verdict.GOING_ON
    assert watch.add(52.3, now=1.0 + LIMITS.debounce_s - 0.001).verdict is Verdict.GOING_ON
    finding = watch.add(52.3, now=1.0 + LIMITS.debounce_s)
    assert finding.verdict is Verdict.LOST
    assert "52.3 kPa below its limit 52.5 kPa" in finding.text
    assert finding.trouble == Condition(CONTACT_LOST, True, 52.3, LIMITS.low_kpa)


def test_watch_is_not_fooled_by_one_odd_value() -> None:
    watch = ContactWatch(LIMITS, level_kpa=60.0, now=0.0)
    for i in range(200):
        value = 0.0 if i % 50 == 25 else 60.0
        assert watch.add(value, now=0.05 * i).verdict is Verdict.GOING_ON


def test_watch_forgives_a_short_dip() -> None:
    watch = ContactWatch(LIMITS, level_kpa=53.2, now=0.0)
    for i in range(100):
        now = 0.1 * i
        assert watch.add(52.4 if i % 5 == 0 else 53.2, now=now).verdict is Verdict.GOING_ON


def watched(
    pressure: object, left_s: float, *, noise_kpa: float = 0.0, until_s: float = 20.0
) -> tuple[list[tuple[float, Finding]], ContactWatch]:
    """Findings with their times, of a light that has so long to go at the beginning."""
    watch, rng, found = ContactWatch(LIMITS, level_kpa=70.0, now=0.0), np.random.default_rng(1), []
    for i in range(round(until_s / 0.05)):
        now = 0.05 * i
        value = pressure(now) + noise_kpa * rng.standard_normal()
        finding = watch.add(value, now=now, left_s=max(0.0, left_s - now))
        if finding.verdict is not Verdict.GOING_ON:
            found.append((now, finding))
        if finding.verdict is Verdict.LOST:
            break
    return found, watch


@pytest.mark.parametrize("noise_kpa", [0.0, 0.05])
def test_a_fall_that_leaves_the_band_before_the_light_ends_is_held_at_once(
    noise_kpa: float,
) -> None:
    found, _ = watched(lambda t: 70.0 - 0.4 * t, 60.0, noise_kpa=noise_kpa)  # 46 kPa at its end
    t, finding = found[-1]
    assert finding.verdict is Verdict.LOST
    assert t < 6.0 and finding.trouble.value > LIMITS.low_kpa + 10.0  # long before the band's edge
    assert "it would leave its band before the light ends" in finding.text
    figures = re.findall(r"[\d.]+(?= kPa)", finding.text)  # what was measured, and one limit
    lost = finding.trouble
    assert figures == [f"{lost.value:.1f}", str(lost.limit)]
    assert lost.name == "contact lost" and lost.value < lost.limit < 70.0


@pytest.mark.parametrize("noise_kpa", [0.0, 0.05, 0.3])
def test_a_fall_that_keeps_the_band_warns_once_and_goes_on(noise_kpa: float) -> None:
    found, watch = watched(lambda t: 70.0 - 0.4 * t, 20.0, noise_kpa=noise_kpa)  # 62 at its end
    assert [finding.verdict for _, finding in found] == [Verdict.LEAKS]
    finding = found[0][1]
    told = finding.event
    assert told.fall_kpa_per_min == pytest.approx(24.0, abs=3.0 + told.unsure_kpa_per_min)
    assert "it goes on while the band is kept" in finding.text and "seal" in finding.text
    assert watch.leak.alarm is CONTACT_LEAKS
    for i in range(40):
        watch.add(70.0, now=20.0 + 0.05 * i, left_s=5.0)
    assert watch.leak is None  # over


def test_a_leak_that_finds_its_balance_in_the_band_warns_and_goes_on() -> None:
    """Sudden, to 64 kPa with the pump against it; a straight line alone would go far below."""
    found, _ = watched(lambda t: 64.0 + 6.0 * math.exp(-t / 2.0), 4.0)
    assert [finding.verdict for _, finding in found] == [Verdict.LEAKS]
    assert "blanket's edge" in found[0][1].text


@pytest.mark.parametrize(("kpa_per_s", "within_s"), [(0.7, 1.8), (1.5, 1.0), (4.0, 0.7)])
def test_a_fall_is_told_ahead_by_itself_not_by_what_was_before(
    kpa_per_s: float, within_s: float
) -> None:
    falling = lambda t: 70.0 - kpa_per_s * max(0.0, t - 10.0)  # noqa: E731
    found, _ = watched(falling, 60.0, noise_kpa=0.02, until_s=30.0)
    assert [finding.verdict for _, finding in found] == [Verdict.LOST]
    assert 10.0 < found[0][0] <= 10.0 + within_s


def test_a_fall_is_lost_where_nobody_knows_how_long_the_light_lasts() -> None:
    watch = ContactWatch(LIMITS, level_kpa=70.0, now=0.0)
    last = [watch.add(70.0 - 0.05 * i, now=0.05 * i) for i in range(60)]
    assert Verdict.LOST in [finding.verdict for finding in last]


def test_the_band_stays_what_holds_though_a_fall_cannot_be_told_ahead() -> None:
    found, _ = watched(lambda t: 70.0 - 3.0 * max(0.0, t - 2.0), 7.0)
    assert found[-1][1].verdict is Verdict.LOST
    assert found[-1][0] <= 2.0 + (70.0 - LIMITS.low_kpa) / 3.0 + LIMITS.debounce_s + 0.1


def test_watch_does_not_trust_a_silent_gauge() -> None:
    watch = ContactWatch(LIMITS, level_kpa=60.0, now=0.0)
    assert watch.silence(now=LIMITS.gauge_silence_s).verdict is Verdict.GOING_ON
    finding = watch.add(None, now=LIMITS.gauge_silence_s + 0.01)
    assert finding.verdict is Verdict.LOST
    silence_s = pytest.approx(LIMITS.gauge_silence_s + 0.01)
    assert finding.trouble == Condition(GAUGE_SILENT, True, silence_s, LIMITS.gauge_silence_s)
