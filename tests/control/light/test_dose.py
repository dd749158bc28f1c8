"""Dose integration against closed forms, scipy, and under any loss of frames."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate

from platelink.control.light.dose import DoseMeter, DoseRule, Point
from platelink.sensing.light import LightChannel, LightSensors

TICK_S = 0.001
LIGHT = LightSensors((LightChannel(dark_counts=20.0, slope_mw_cm2_per_count=0.015),))


def points_of(irradiance, seconds: float, frame: int = 50, dark: float = 20.0) -> list[Point]:
    """Cumulative sums of an ideal converter without quantisation, one point a frame."""
    t = (np.arange(round(seconds / TICK_S)) + 0.5) * TICK_S  # mid-point of each tick
    scale = 2**20  # sums are integers: keep the fraction
    counts = np.rint((irradiance(t) / 0.015 + dark) * scale).astype(np.int64)
    sums = np.concatenate([[0], np.cumsum(counts)])
    # One 'count' of the device is `scale` here on both sum and number, so the mean is unchanged.
    return [
        Point(int(i), (int(sums[i]),), (int(i) * scale,), TICK_S, None)
        for i in range(0, len(sums), frame)
    ]


def dose_of(points: list[Point], p: float = 1.0, reference: float = 12.0) -> float:
    meter = DoseMeter(DoseRule(LIGHT, p, reference))
    for point in points:
        meter.add(point)
    return meter.dose_mj_cm2


def test_warm_up_against_its_closed_form() -> None:
    """12 (1 - exp(-t/8)) over 60 s: exactly 624.053096100 mJ/cm² (integral done by hand)."""
    exact = 12.0 * (60.0 - 8.0 * (1.0 - math.exp(-7.5)))
    assert exact == pytest.approx(624.0530961, abs=1e-6)
    points = points_of(lambda t: 12.0 * (1.0 - np.exp(-t / 8.0)), 60.0)
    assert dose_of(points) == pytest.approx(exact, rel=1e-6)


def test_error_of_the_sampling_falls_with_its_square() -> None:
    """Mid-point sums have order 2 like the trapezoid (DLMF 3.5(i), from memory)."""
    exact = 12.0 * (60.0 - 8.0 * (1.0 - math.exp(-7.5)))
    errors = []
    for n in (10, 100, 1000):
        t = np.linspace(0.0, 60.0, n + 1)
        y = 12.0 * (1.0 - np.exp(-t / 8.0))
        errors.append(integrate.trapezoid(y, t) - exact)
    assert errors[0] == pytest.approx(-4.456, abs=1e-3)  # scipy.integrate.trapezoid
    assert errors[0] / errors[1] == pytest.approx(100.0, rel=0.02)
    assert errors[1] / errors[2] == pytest.approx(100.0, rel=0.02)


@pytest.mark.parametrize("p", [0.5, 0.8, 0.9, 1.0, 1.2, 1.5])
def test_reciprocity_against_scipy(p: float) -> None:
    def light(t):
        return 12.0 * (1.0 - 0.6 * np.exp(-t / 5.0))

    truth, _ = integrate.quad(lambda t: 12.0 * (light(t) / 12.0) ** p, 0.0, 30.0)
    assert dose_of(points_of(light, 30.0), p) == pytest.approx(truth, rel=2e-5)


def test_ripple_counts_as_its_cycle_mean() -> None:
    def rippling(t):
        return 8.0 * (1.0 + 0.5 * np.sin(2.0 * np.pi * 100.0 * t))

    smooth = dose_of(points_of(lambda t: 8.0 + 0.0 * t, 20.0), 0.8)
    assert dose_of(points_of(rippling, 20.0), 0.8) == pytest.approx(smooth, rel=1e-5)
    sample_mean = integrate.quad(lambda x: (1.0 + 0.5 * math.sin(x)) ** 0.8, 0.0, 2.0 * math.pi)[0]
    assert sample_mean / (2.0 * math.pi) < 0.99  # the other definition would differ by over 1 %


@pytest.mark.parametrize("p", [0.5, 0.8, 1.5])
@pytest.mark.parametrize("start_ms", [0, 7, 25, 43])
def test_step_of_light_in_mid_window_is_counted_as_it_fell(start_ms: int, p: float) -> None:
    def step(t):
        return np.where(t < 1.0 + start_ms / 1000.0, 0.0, 9.0)

    truth = 12.0 * (9.0 / 12.0) ** p * (5.0 - 1.0 - start_ms / 1000.0)
    assert dose_of(points_of(step, 5.0), p) == pytest.approx(truth, rel=2e-4)


def test_half_the_irradiance_needs_twice_the_time_to_the_one_over_p() -> None:
    """Schwarzschild: time times 2^(1/p) (from memory); p = 0.8 gives 2.378414."""
    rule = DoseRule(LIGHT, 0.8, 12.0)
    assert rule.rate(10.0) / rule.rate(5.0) == pytest.approx(2.0**0.8, rel=1e-12)
    assert (rule.rate(10.0) / rule.rate(5.0)) ** (1 / 0.8**2) == pytest.approx(2.378414, rel=1e-6)


@given(
    st.lists(st.integers(0, 1023), min_size=60, max_size=200),
    st.sets(st.integers(1, 199)),
    st.sampled_from([0.8, 1.0]),
)
def test_dose_never_decreases_and_does_not_need_every_frame(counts, lost, p) -> None:
    sums = np.concatenate([[0], np.cumsum(counts)])
    points = [Point(i, (int(s),), (i,), TICK_S, None) for i, s in enumerate(sums)]
    meter = DoseMeter(DoseRule(LIGHT, p, 12.0))
    before = 0.0
    for point in points:
        meter.add(point)
        assert meter.dose_mj_cm2 >= before
        before = meter.dose_mj_cm2
    if p == 1.0 and min(counts) >= 20:  # no window is clipped at dark
        kept = [pt for i, pt in enumerate(points) if i not in lost or i == len(points) - 1]
        assert dose_of(kept) == pytest.approx(dose_of(points), rel=1e-9)


@given(st.integers(0, 2**63), st.integers(0, 2**32 - 1), st.integers(1, 10_000))
def test_counts_may_wrap(sum0: int, count0: int, n: int) -> None:
    a = Point(100, (sum0,), (count0,), TICK_S, None)
    b = Point(100 + n, (sum0 + 220 * n,), ((count0 + n) % 2**32,), TICK_S, None)
    assert dose_of([a, b]) == pytest.approx(200 * 0.015 * n * TICK_S, rel=1e-12)


def test_a_sum_that_goes_back_adds_nothing_and_the_next_window_spans_it() -> None:
    a, odd, b = (
        Point(ticks, (total,), (ticks,), TICK_S, None)
        for ticks, total in ((100, 22_000), (150, 21_999), (200, 44_000))
    )
    assert dose_of([a, odd]) == 0.0
    assert dose_of([a, odd, b]) == pytest.approx(dose_of([a, b]))
    assert dose_of([a, odd._replace(light_sum=(72_000,), whole=False), b]) == dose_of([a, b])


def test_a_repeated_or_older_point_changes_nothing() -> None:
    points = points_of(lambda t: 5.0 + 0.0 * t, 1.0)
    meter = DoseMeter(DoseRule(LIGHT))
    for point in points:
        meter.add(point)
    dose = meter.dose_mj_cm2
    meter.add(points[-1])
    meter.add(points[3])
    assert meter.dose_mj_cm2 == dose
