"""From levels to a line: what it finds, how sure it is, and what it refuses."""

import math
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest

from platelink.sensing.calibrate import Comparison, judged
from platelink.sensing.calibration import (
    CalibratedTemperature,
    Calibration,
    Cause,
    Counts,
    Instrument,
    Level,
    Line,
    Quantity,
    calibrated_gauge,
    calibrated_light,
)
from platelink.sensing.light import LightChannel
from platelink.sensing.temperature import Amplifier, LinearSensor
from platelink.sensing.vacuum import GaugeKind, VacuumSensor

TODAY = date(2026, 3, 2)
METER = Instrument(
    name="hand meter (invented)", certificate="EX-117", due_on=date(2026, 9, 1), u_rel=0.07,
    resolution=0.01,
)  # fmt: skip
DARK = Counts(mean=21.3, rms=0.6, u_mean=0.02, n=6000, low=19, high=24)


def counts(mean: float, **other: float) -> Counts:
    return Counts(mean=mean, rms=0.6, u_mean=0.02, n=6000, low=int(mean) - 2, high=int(mean) + 3,
                  **other)  # fmt: skip


def light_level(reference: float, mean: float, **other: float) -> Level:
    return Level(reference=reference, x=mean - DARK.mean, counts=counts(mean, **other))


def light(
    slope: float = 0.0149, at: tuple[float, ...] = (4.0, 7.0, 9.5, 12.0), bow: float = 0.0
) -> Comparison:
    """Readings of a meter with a last digit of 0.01, rounded as it shows them."""
    levels = tuple(
        light_level(round(e, 2), DARK.mean + e / slope + bow * e * (max(at) - e)) for e in at
    )
    return Comparison(quantity=Quantity.LIGHT, instrument=METER, levels=levels, dark=DARK)


def line_of(of: Comparison) -> Line:
    found = judged(of, today=TODAY)
    assert isinstance(found, Line), found
    return found


def refused(of: Comparison, today: date = TODAY) -> str:
    found = judged(of, today=today)
    assert isinstance(found, tuple), found
    return "\n".join(found)


# --- what it finds ----------------------------------------------------------------------------


def test_light_is_a_line_through_the_dark() -> None:
    line = line_of(light())
    assert line.offset == 0.0
    assert line.gain == pytest.approx(0.0149, rel=1e-3)
    assert len(line.residuals) == 4 and line.dof == 3
    assert (line.x_low, line.x_high) == pytest.approx((4.0 / 0.0149, 12.0 / 0.0149))


def test_the_stated_uncertainty_of_the_slope_is_how_slopes_scatter() -> None:
    rng = np.random.default_rng(7)
    gains, stated = [], []
    for _ in range(400):
        truth = [e + rng.uniform(-0.05, 0.05) for e in (3.0, 5.0, 7.0, 9.0, 11.0, 12.5)]
        levels = tuple(
            light_level(round(e, 2), DARK.mean + e / 0.0149 + rng.normal(0.0, 0.02)) for e in truth
        )
        line = line_of(replace(light(), levels=levels))
        gains.append(line.gain)
        stated.append(math.sqrt(line.covariance[1][1]))
    assert float(np.std(gains)) == pytest.approx(float(np.mean(stated)), rel=0.15)


def test_a_warm_head_is_taken_off_the_slope() -> None:
    # 2 % less response for each 10 °C: the same counts stand for more light
    of = light()
    warm = tuple(
        light_level(level.reference, DARK.mean + level.x * 0.98, head_c=35.0) for level in of.levels
    )
    line = line_of(replace(of, levels=warm, temp_coeff_per_c=-0.002, reference_temp_c=25.0))
    assert line.gain == pytest.approx(0.0149, rel=1e-3)


def test_the_references_error_is_common_and_goes_in_whole() -> None:
    of = light()
    made = calibration(line_of(of))
    top = made.line.value(made.line.x_high)
    # U of 7 % (k = 2) stays 7 % however many levels were read
    assert made.expanded_u() / top == pytest.approx(0.07, rel=0.02)
    many = line_of(light(at=tuple(np.linspace(3.0, 12.0, 30))))
    assert calibration(many).expanded_u() / top == pytest.approx(0.07, rel=0.02)


def test_vacuum_and_oven_have_offset_and_gain() -> None:
    gauge = Instrument(
        name="gauge (invented)", certificate="EX-9", due_on=date(2027, 1, 1), u_abs=0.3,
        resolution=0.1,
    )  # fmt: skip
    levels = tuple(
        Level(reference=round(1.2 + 1.015 * x, 1), x=x, counts=counts(102.4 + 8.192 * x))
        for x in (0.2, 21.0, 44.0, 63.0, 87.0)
    )
    line = line_of(Comparison(quantity=Quantity.VACUUM, instrument=gauge, levels=levels))
    assert line.gain == pytest.approx(1.015, abs=2e-3)
    assert line.offset == pytest.approx(1.2, abs=0.1)
    assert line.dof == 3


# --- what it refuses --------------------------------------------------------------------------


def test_no_dark() -> None:
    assert "no dark reading" in refused(replace(light(), dark=None))
    assert "noise is cut off" in refused(replace(light(), dark=replace(DARK, mean=0.8)))


def test_too_few_levels_or_the_same_again() -> None:
    assert "too few levels: 2" in refused(light(at=(4.0, 12.0)))
    assert "too few levels: 2" in refused(light(at=(4.0, 4.05, 11.9, 12.0)))
    assert "no levels" in refused(replace(light(), levels=()))


def test_too_narrow_a_range() -> None:
    assert "too narrow a range: the lowest level is 75%" in refused(
        light(at=(9.0, 10.0, 11.0, 12.0))
    )


def test_a_reference_that_knows_too_little_or_is_due() -> None:
    of = light()
    assert "U (k = 2) is 20.0%" in refused(replace(of, instrument=replace(METER, u_rel=0.2)))
    assert "U (k = 2) is 0.0%" in refused(replace(of, instrument=replace(METER, u_rel=0.0)))
    assert "due for its own calibration on 2026-09-01" in refused(of, date(2026, 9, 2))
    assert isinstance(judged(of, today=date(2026, 9, 1)), Line)


def test_a_converter_too_quiet_to_average() -> None:
    of = light()
    frozen = replace(of.levels[2].counts, rms=0.0, low=612, high=612)
    levels = (*of.levels[:2], replace(of.levels[2], counts=frozen), of.levels[3])
    assert "too quiet (level 3" in refused(replace(of, levels=levels))
    two_codes = replace(DARK, rms=0.5, low=21, high=22)
    assert "too quiet (the dark" in refused(replace(of, dark=two_codes))
    unknown = replace(DARK, rms=0.1, low=None, high=None)
    assert "too quiet (the dark" in refused(replace(of, dark=unknown))


def test_levels_that_bend() -> None:
    assert "the levels are curved" in refused(light(at=(3.0, 5.0, 7.0, 9.0, 11.0, 12.0), bow=0.5))
    # half a count of bow in the converter, as data sheets allow, is carried as uncertainty
    line = line_of(light(at=(3.0, 5.0, 7.0, 9.0, 11.0, 12.0), bow=0.5 / 36.0))
    assert 0.3 * 0.5 * 0.0149 < line.bow < 3.0 * 0.5 * 0.0149


def test_one_level_off_the_others_is_named() -> None:
    of = light(at=(3.0, 5.0, 7.0, 9.0, 11.0, 12.0))
    levels = list(of.levels)
    levels[3] = replace(levels[3], reference=9.6)
    text = refused(replace(of, levels=tuple(levels)))
    assert "level 4 is +0.6" in text and "bend" not in text


def test_stray_light_in_the_dark_reading() -> None:
    of = light(at=(3.0, 5.0, 7.0, 9.0, 11.0, 12.0))
    stray = 25.0  # counts of light that fell on the covered sensor
    levels = tuple(replace(level, x=level.x - stray) for level in of.levels)
    dark = replace(DARK, mean=DARK.mean + stray)
    assert "misses the dark" in refused(replace(of, levels=levels, dark=dark))


def test_the_top_of_the_converter_and_a_sensor_the_wrong_way_round() -> None:
    of = light()
    clipped = replace(of.levels[3].counts, high=1023)
    levels = (*of.levels[:3], replace(of.levels[3], counts=clipped))
    assert "level 4 touches the end" in refused(replace(of, levels=levels))
    turned = tuple(replace(level, reference=16.0 - level.reference) for level in of.levels)
    assert "falls where the reference rises" in refused(
        Comparison(
            quantity=Quantity.OVEN, levels=tuple(replace(v, x=v.x / 10.0) for v in turned),
            instrument=replace(METER, u_rel=0.0, u_abs=0.5),
        )
    )  # fmt: skip


# --- what it is used for ----------------------------------------------------------------------


def calibration(line: Line, sensor: str = "light 0") -> Calibration:
    return Calibration(
        sensor=sensor, revision=3, cause=Cause.ROUTINE, instrument=METER, dark=DARK, levels=(),
        line=line, made_by="anna", made_at_utc=datetime(2026, 3, 2, 9, tzinfo=UTC),
        due_on=date(2027, 3, 1), settings={},
    )  # fmt: skip


def straight(offset: float, gain: float) -> Line:
    return Line(
        offset=offset, gain=gain, covariance=((0.0, 0.0), (0.0, 0.0)), dof=2, residuals=(),
        residual_sd=0.0, bow=0.0, x_low=0.0, x_high=100.0,
    )  # fmt: skip


def test_a_channel_takes_slope_dark_date_and_uncertainty() -> None:
    made = calibration(line_of(light()))
    channel = calibrated_light(LightChannel(dark_counts=18.4, slope_mw_cm2_per_count=0.02), made)
    assert channel.slope_mw_cm2_per_count == made.line.gain
    assert channel.dark_counts == 21.3
    assert channel.due_on == date(2027, 3, 1)
    assert channel.rel_uncertainty == pytest.approx(0.035, rel=0.02)  # k = 1
    traced = channel.traced
    assert traced is not None and traced.certificate == METER.certificate
    parts = math.hypot(traced.reference_pct, traced.fit_pct, traced.bow_pct / math.sqrt(3.0))
    assert parts == pytest.approx(100.0 * channel.rel_uncertainty, rel=1e-9)
    assert traced.fit_dof == made.line.dof


@pytest.mark.parametrize("kind", GaugeKind)
def test_a_gauge_reads_as_its_calibration_says(kind: GaugeKind) -> None:
    low, high = (0.0, -100.0) if kind is GaugeKind.GAUGE else (0.0, 110.0)
    gauge = VacuumSensor(kpa_low=low, kpa_high=high, adc_bits=10, kind=kind, barometer_kpa=98.0)
    after = calibrated_gauge(gauge, calibration(straight(0.4, 1.02), "vacuum"))
    for at in (300.0, 500.0, 700.0):
        before, now = gauge.vacuum_kpa(at), after.vacuum_kpa(at)
        assert isinstance(before, float) and isinstance(now, float)
        if kind is GaugeKind.GAUGE:
            assert now == pytest.approx(0.4 + 1.02 * before)
        else:  # the line is that of the absolute pressure
            assert 98.0 - now == pytest.approx(0.4 + 1.02 * (98.0 - before))


def test_a_thermometer_reads_as_its_calibration_says() -> None:
    sensor = LinearSensor(Amplifier(adc_bits=10), mv_per_c=10.0)
    after = CalibratedTemperature(sensor, straight(-1.5, 1.01))
    before, now = sensor.temperature_c(150.0, None), after.temperature_c(150.0, None)
    assert before is not None
    assert now == pytest.approx(-1.5 + 1.01 * before)
    assert after.temperature_c(0.0, None) is None


def test_a_line_is_trusted_only_where_it_was_looked_at() -> None:
    made = calibration(line_of(light()))
    assert made.covers(0.5) and made.covers(11.9)
    assert not made.covers(13.0)
