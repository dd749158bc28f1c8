"""Contact gate and watch against published CUSUM tables and in simulated time."""

import math

import pytest

from platelink.control.alarm_states import Condition
from platelink.control.contact import (
    ContactGate,
    ContactLimits,
    ContactWatch,
    FallingCusum,
    Verdict,
)

LIMITS = ContactLimits(low_kpa=50.8, high_kpa=90.0)  # about 15 inHg: common practice, no source

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
    reached = 4.0 * math.log(70.0 / (70.0 - 50.8))  # the pull-down curve inverted
    assert gate.pull_down_s == pytest.approx(reached, abs=0.051)
    assert t >= reached + LIMITS.hold_test_s


def test_gate_gives_up_at_its_limit_and_not_before() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    limit = LIMITS.pull_down_limit_s
    assert gate.add(40.0, now=limit - 0.001).verdict is Verdict.GOING_ON
    finding = gate.add(40.0, now=limit)
    assert finding.verdict is Verdict.LOST
    assert "40.0 kPa" in finding.text and "50.8 kPa" in finding.text
    assert finding.trouble == Condition("contact lost", True, 40.0, 50.8)


def test_gate_refuses_a_vacuum_that_falls_in_the_hold_test() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    finding, _ = pull(gate, lambda t: 70.0 - 0.2 * t, 90.0)  # 12 kPa/min
    assert finding.verdict is Verdict.LOST
    assert "falls" in finding.text or "not held" in finding.text


def test_gate_without_a_gauge_says_so() -> None:
    gate = ContactGate(LIMITS, now=0.0)
    assert "no gauge value" in gate.expired(now=60.0).text


def test_watch_debounces_then_reports_the_band() -> None:
    watch = ContactWatch(LIMITS, level_kpa=51.0, now=0.0)
    assert watch.add(50.6, now=1.0).verdict is Verdict.GOING_ON
    assert watch.add(50.6, now=1.0 + LIMITS.debounce_s - 0.001).verdict is Verdict.GOING_ON
    finding = watch.add(50.6, now=1.0 + LIMITS.debounce_s)
    assert finding.verdict is Verdict.LOST
    assert "50.6 kPa below its limit 50.8 kPa" in finding.text
    assert finding.trouble == Condition("contact lost", True, 50.6, LIMITS.low_kpa)


def test_watch_is_not_fooled_by_one_odd_value() -> None:
    watch = ContactWatch(LIMITS, level_kpa=60.0, now=0.0)
    for i in range(200):
        value = 0.0 if i % 50 == 25 else 60.0
        assert watch.add(value, now=0.05 * i).verdict is Verdict.GOING_ON


def test_watch_forgives_a_short_dip() -> None:
    watch = ContactWatch(LIMITS, level_kpa=51.5, now=0.0)
    for i in range(100):
        now = 0.1 * i
        assert watch.add(50.7 if i % 5 == 0 else 51.5, now=now).verdict is Verdict.GOING_ON


def test_watch_sees_a_slow_fall_inside_the_band() -> None:
    watch = ContactWatch(LIMITS, level_kpa=70.0, now=0.0)
    for i in range(400):
        finding = watch.add(70.0 - 0.01 * i, now=0.05 * i)
        if finding.verdict is Verdict.LOST:
            break
    assert finding.verdict is Verdict.LOST
    assert "drifts" in finding.text
    lost = finding.trouble
    assert lost.name == "contact lost" and lost.value < lost.limit < 70.0
    assert lost.value > LIMITS.low_kpa + 10.0  # long before the band's edge


def test_watch_does_not_trust_a_silent_gauge() -> None:
    watch = ContactWatch(LIMITS, level_kpa=60.0, now=0.0)
    assert watch.silence(now=LIMITS.gauge_silence_s).verdict is Verdict.GOING_ON
    finding = watch.add(None, now=LIMITS.gauge_silence_s + 0.01)
    assert finding.verdict is Verdict.LOST
    silence_s = pytest.approx(LIMITS.gauge_silence_s + 0.01)
    assert finding.trouble == Condition("gauge silent", True, silence_s, LIMITS.gauge_silence_s)
