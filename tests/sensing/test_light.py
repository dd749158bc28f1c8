"""Counts to irradiance, dark readings, and the integer weights of a standing order."""

import math
from dataclasses import replace
from datetime import date
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.sensing.light import (
    DARK_FLOOR_COUNTS,
    MAX_SPREAD,
    LightChannel,
    LightSensors,
    OrderScale,
)


def channel(dark: float = 20.0, slope: float = 0.02, **rest: float) -> LightChannel:
    return LightChannel(dark_counts=dark, slope_mw_cm2_per_count=slope, **rest)


def sensors(*channels: LightChannel) -> LightSensors:
    return LightSensors(channels)


# --- irradiance -------------------------------------------------------------------------------


def test_irradiance_is_slope_times_counts_above_dark() -> None:
    assert sensors(channel()).irradiance_mw_cm2([520.0], None) == pytest.approx(10.0, rel=1e-15)


def test_counts_below_dark_come_out_negative_so_that_noise_averages_to_zero() -> None:
    assert sensors(channel()).irradiance_mw_cm2([19.0], None) == pytest.approx(-0.02)


def test_weights_are_shares_whatever_their_scale() -> None:
    for scale in (1.0, 250.0):
        unit = sensors(channel(weight=3.0 * scale), channel(slope=0.04, weight=1.0 * scale))
        assert [c.weight for c in unit.channels] == [0.75, 0.25]
        # 0.75 · 0.02 · 100 + 0.25 · 0.04 · 300
        total, each = unit.irradiances_mw_cm2([120.0, 320.0], None)
        assert total == pytest.approx(4.5)
        assert each == pytest.approx((2.0, 12.0))


def test_temperature_changes_the_response_about_the_reference() -> None:
    unit = sensors(channel(temp_coeff_per_c=-0.002, reference_temp_c=25.0))
    warm = unit.irradiance_mw_cm2([520.0], 45.0)
    assert warm == pytest.approx(10.0 / 0.96)  # 4 % less response: the same counts are more light
    assert unit.irradiance_mw_cm2([520.0], 25.0) == pytest.approx(10.0)
    assert unit.irradiance_mw_cm2([520.0], None) == pytest.approx(10.0)
    assert unit.channels[0].slope_at(45.0) == pytest.approx(0.02 / 0.96)


# --- limits of the converter --------------------------------------------------------------------


def test_saturation_counts_only_channels_that_weigh() -> None:
    unit = sensors(channel(), channel(weight=0.0))
    assert unit.saturated((1023, 0, 0, 0), 1023)
    assert not unit.saturated((1022, 1023, 1023, 1023), 1023)


def problem(
    unit: LightSensors, *dark: float, expected: float = 10.0, tolerance: float = 1.0
) -> str:
    return unit.dark_problem(dark, expected_mw_cm2=expected, tolerance_pct=tolerance)


@pytest.mark.parametrize("dark", [0.0, DARK_FLOOR_COUNTS - 0.001, math.nan])
def test_a_clipped_pedestal_cannot_be_subtracted(dark: float) -> None:
    unit = sensors(channel())
    assert "dark reading of light 0" in problem(unit, dark)


@pytest.mark.parametrize("weight", [1.0, 0.0])
def test_a_dark_reading_that_no_converter_gives_is_refused(weight: float) -> None:
    unit = replace(sensors(channel(), channel(weight=weight)), max_dark_rise_mw_cm2=math.inf)
    assert "no converter" in problem(unit, 20.0, 5e9)
    assert problem(unit, 20.0, 65_535.0, expected=math.inf) == ""
    with pytest.raises(ValueError, match="dark_counts"):
        channel(dark=5e9)


@pytest.mark.parametrize("head_c", [125.0, 125.000001, 1000.0, 75.1])
def test_a_head_too_hot_to_be_is_not_corrected_for(head_c: float) -> None:
    """At 125 °C this channel would respond to no light at all."""
    unit = sensors(channel(temp_coeff_per_c=-0.01))
    assert not unit.can_correct(head_c)
    assert unit.irradiance_mw_cm2([520.0], head_c) == pytest.approx(10.0)
    assert unit.order_weights(head_c) == unit.order_weights(None)
    assert unit.can_correct(74.9)
    assert unit.irradiance_mw_cm2([520.0], 74.9) == pytest.approx(10.0 / 0.501)


def test_a_good_dark_reading_has_no_problem() -> None:
    unit = sensors(channel(), channel(weight=0.0))
    assert problem(unit, DARK_FLOOR_COUNTS, 0.0) == ""


def test_stray_light_is_told_from_drift_by_its_size() -> None:
    unit = LightSensors((channel(dark=20.0, slope=0.02),), max_dark_rise_mw_cm2=0.5)
    assert problem(unit, 45.0, expected=101.0) == ""  # 25 counts · 0.02 = the limit
    assert "stray light" in problem(unit, 45.1, expected=101.0)


@pytest.mark.parametrize(("expected", "tolerance"), [(10.0, 2.0), (5.0, 4.0), (2.0, 10.0)])
def test_stray_light_that_would_spoil_the_dose_is_no_drift(
    expected: float, tolerance: float
) -> None:
    """Half of what the dose may be off: 0.1 mW/cm² are 5 counts."""
    unit = LightSensors((channel(dark=20.0, slope=0.02),), max_dark_rise_mw_cm2=0.5)
    assert problem(unit, 24.99, expected=expected, tolerance=tolerance) == ""
    told = problem(unit, 25.01, expected=expected, tolerance=tolerance)
    assert "stray light" in told
    assert "(limit 0.1 mW/cm²)" in told


def test_with_dark_changes_nothing_else() -> None:
    unit = LightSensors((channel(temp_coeff_per_c=0.001),), max_dark_rise_mw_cm2=0.5)
    again = unit.with_dark([33.25])
    assert again.irradiance_mw_cm2([533.25], None) == pytest.approx(10.0)
    assert again.with_dark([20.0]) == unit


# --- standing order -------------------------------------------------------------------------------


def test_one_channel_gets_the_largest_weight_and_loses_nothing() -> None:
    scale = sensors(channel(dark=20.0, slope=0.02)).order_weights(None)
    assert scale.weight == (65535, 0, 0, 0)
    assert scale.bias == 20 * 65535
    assert scale.rounding == 0.0
    # worked by hand: 10 mW/cm² are 500 counts above dark for each 1 ms tick; 340 mJ/cm² are 34 s
    tick_sum = 65535 * 520 - scale.bias
    assert round(340.0 * scale.counts_per_mj_cm2(0.001)) == 34_000 * tick_sum
    assert scale.dose_for(34_000 * tick_sum, 0.001) == pytest.approx(340.0, rel=1e-12)


def test_a_large_bias_brings_the_scale_down_instead_of_overflowing() -> None:
    unit = sensors(*[channel(dark=40_000.0, slope=0.001) for _ in range(4)])
    scale = unit.order_weights(None)
    assert 0.9 * 2**31 < scale.bias < 2**31
    assert max(scale.weight) < 65535
    assert scale.rounding < 1e-4


counts_st = st.floats(0.0, 1023.0)
channel_st = st.builds(
    channel,
    dark=st.floats(0.0, 60.0),
    slope=st.floats(0.005, 0.1),
    weight=st.floats(0.2, 5.0),
    temp_coeff_per_c=st.floats(-0.005, 0.005),
)


@given(
    st.lists(st.tuples(channel_st, st.integers(0, 1023)), min_size=1, max_size=4),
    st.floats(5.0, 70.0),
)
def test_the_device_sum_is_the_irradiance_within_the_stated_rounding(
    pairs: list[tuple[LightChannel, int]], head_c: float
) -> None:
    unit = sensors(*[c for c, _ in pairs])
    counts = [n for _, n in pairs]
    scale = unit.order_weights(head_c)
    assert 32768 <= max(scale.weight) <= 65535
    assert -(2**31) <= scale.bias < 2**31
    tick_sum = sum(w * n for w, n in zip(scale.weight, counts, strict=False)) - scale.bias
    each = unit.irradiances_mw_cm2([float(n) for n in counts], head_c)[1]
    gross = sum(c.weight * abs(e) for c, e in zip(unit.channels, each, strict=True))
    bound = scale.rounding * gross + 0.5 / scale.counts_per_mw_tick
    exact = unit.irradiance_mw_cm2([float(n) for n in counts], head_c)
    assert abs(tick_sum / scale.counts_per_mw_tick - exact) <= bound + 1e-9


@given(st.lists(channel_st, min_size=1, max_size=4), st.floats(0.1, 20.0))
def test_equal_light_on_all_channels_is_exact(unit: list[LightChannel], e: float) -> None:
    light = sensors(*unit)
    scale = light.order_weights(None)
    total = Fraction(0)
    for w, c in zip(scale.weight, light.channels, strict=False):
        total += w * (Fraction(e) / Fraction(c.slope_mw_cm2_per_count) + Fraction(c.dark_counts))
    measured = float(total - scale.bias) / scale.counts_per_mw_tick
    assert abs(measured - e) <= 0.5 / scale.counts_per_mw_tick * (1 + 1e-9) + 1e-12 * e


@given(st.floats(1e-3, 1e6), st.floats(9.9e-4, 1.01e-3))
def test_target_and_dose_are_inverse(dose: float, tick_s: float) -> None:
    scale = sensors(channel()).order_weights(None)
    target = round(dose * scale.counts_per_mj_cm2(tick_s))
    assert 0 < target < 2**63
    assert scale.dose_for(target, tick_s) == pytest.approx(dose, rel=1e-9, abs=1e-9)


def test_order_scale_is_linear_in_the_tick() -> None:
    scale = OrderScale((65535, 0, 0, 0), 0, 1000.0, 0.0)
    assert scale.counts_per_mj_cm2(0.001) == 1e6
    assert scale.dose_for(1_000_000, 0.001) == 1.0


# --- calibration dates ----------------------------------------------------------------------------


def test_a_calibration_is_good_on_its_last_day_and_due_the_day_after() -> None:
    due_on = date(2026, 3, 31)
    unit = sensors(
        LightChannel(
            dark_counts=20.0, slope_mw_cm2_per_count=0.02, due_on=due_on, name="left head"
        ),
        channel(),
    )
    assert unit.calibration_due(date(2026, 3, 31)) == ()
    (due,) = unit.calibration_due(date(2026, 4, 1))
    assert (due.channel, due.name, due.days_over) == (0, "left head", 1)
    assert "left head was due on 2026-03-31, 1 day ago" in due.text


# --- programmer errors ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    "wrong",
    [
        {"slope_mw_cm2_per_count": 0.0},
        {"slope_mw_cm2_per_count": math.inf},
        {"dark_counts": -1.0},
        {"dark_counts": math.nan},
        {"weight": -0.1},
        {"temp_coeff_per_c": 0.011},
        {"rel_uncertainty": -0.1},
    ],
)
def test_a_senseless_channel_is_refused(wrong: dict[str, float]) -> None:
    with pytest.raises(ValueError, match=r"must|finite"):
        LightChannel(**{"dark_counts": 20.0, "slope_mw_cm2_per_count": 0.02} | wrong)


def test_senseless_sets_of_channels_are_refused() -> None:
    for channels, text in [
        ([], "1 to 4"),
        ([channel()] * 5, "1 to 4"),
        ([channel(weight=0.0)], "weight 0"),
        ([channel(slope=0.02), channel(slope=0.02 / (MAX_SPREAD * 1.01))], "leave the weakest out"),
    ]:
        with pytest.raises(ValueError, match=text):
            sensors(*channels)
