"""Samples to readings: windows, wraps, restarts, quality."""

import math
from itertools import accumulate, pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.link.messages import Sample
from platelink.sensing.light import LightChannel, LightSensors
from platelink.sensing.readings import Converter, Quality, Sensors
from platelink.sensing.temperature import Amplifier, LinearSensor, ThermocoupleSensor
from platelink.sensing.thermoelectric import TYPE_K
from platelink.sensing.vacuum import VacuumSensor

AMPLIFIER = Amplifier(adc_bits=10, adc_reference_v=5.0)
HEAD = LinearSensor(AMPLIFIER, mv_per_c=10.0)


def unit(channels: int = 1, **rest: Any) -> Sensors:
    one = LightChannel(dark_counts=20.0, slope_mw_cm2_per_count=0.02, temp_coeff_per_c=-0.002)
    return Sensors(light=LightSensors((one,) * channels), adc_bits=10, **rest)


def sample(**fields: Any) -> Sample:
    base = Sample(
        tick=0, inputs=3, outputs=0, latched=0, order_state=0, close_reason=0, events=0, order=0,
        light_sum=(0, 0, 0, 0), light_count=(0, 0, 0, 0),
        light_min=(480, 480, 480, 480), light_max=(520, 520, 520, 520),
        vacuum_sum=0, vacuum_count=0, vacuum_min=0, vacuum_max=0,
        oven_sum=0, oven_count=0, head_sum=0, head_count=0,
        order_sum=0, order_target=0, rx_bad=0, rx_overrun=0,
    )  # fmt: skip
    return base._replace(**fields)


def lit(tick: int, total: int, n: int | None = None, **fields: Any) -> Sample:
    """A sample whose channels have all summed to ``total`` after ``n`` conversions."""
    n = tick if n is None else n
    return sample(
        tick=tick & 0xFFFF_FFFF,
        light_sum=(total & (2**64 - 1),) * 4,
        light_count=(n & (2**32 - 1),) * 4,
        **fields,
    )


# --- light ----------------------------------------------------------------------------------------


def test_water_is_the_mean_since_the_sample_before() -> None:
    converter = Converter(unit(water=HEAD))

    def read(ticks: int, total: int, n: int, **fields: Any) -> tuple[float | None, Quality]:
        light = {"light_sum": (0, 0, 0, total), "light_count": (ticks, 0, 0, n)}
        found = converter.read(sample(**light | fields), ticks, ticks * 1e-3)
        return found.water_c, found.quality & (Quality.WATER_MISSING | Quality.WATER_RANGE)

    assert read(50, 50 * 40, 50) == (None, Quality(0))  # no window yet
    # 51.2 of 1024 counts of 5 V at 10 mV/°C: 25 °C
    assert read(100, 50 * 40 + 2560, 100) == (pytest.approx(25.0), Quality(0))
    assert read(150, 50 * 40 + 2560, 150) == (None, Quality.WATER_RANGE)  # 0 counts: a broken wire
    assert read(200, 2000, 200) == (None, Quality.WATER_RANGE)  # a sum never goes back
    assert read(250, 2000 + 2560, 240) == (None, Quality.WATER_RANGE)  # not one count a tick
    assert read(300, 2000 + 2560, 240) == (None, Quality.WATER_MISSING)
    converter.has_water = False
    assert read(350, 2000 + 2 * 2560, 290) == (None, Quality.WATER_MISSING)


def test_the_first_sample_opens_the_window() -> None:
    converter = Converter(unit())
    first = converter.read(lit(50, 26_000), 50, 100.0)
    assert (first.irradiance_mw_cm2, first.channel_mw_cm2, first.dticks) == (None, (), 0)
    assert first.quality == Quality.FIRST
    second = converter.read(lit(100, 52_000), 100, 100.05)
    assert second.irradiance_mw_cm2 == pytest.approx(10.0)  # (520 - 20) · 0.02
    assert (second.t, second.ticks, second.dticks, second.lost) == (100.05, 100, 50, 0)
    assert second.quality == Quality(0)


@given(
    st.lists(st.tuples(st.integers(1, 200), st.integers(0, 1023)), min_size=2, max_size=30),
    st.data(),
)
def test_lost_messages_lose_no_light(windows: list[tuple[int, int]], data: st.DataObject) -> None:
    """Irradiance · ticks summed over any subset of the samples is the same."""
    ticks = [0, *accumulate(n for n, _ in windows)]
    sums = [0, *accumulate(n * counts for n, counts in windows)]
    inner = range(1, len(ticks) - 1)
    kept = [0, *(i for i in inner if data.draw(st.booleans())), len(ticks) - 1]
    converter = Converter(unit())
    total = 0.0
    for i in kept:
        reading = converter.read(lit(ticks[i], sums[i]), ticks[i], 0.0)
        total += (reading.irradiance_mw_cm2 or 0.0) * reading.dticks
    assert total == pytest.approx(0.02 * (sums[-1] - 20.0 * ticks[-1]), rel=1e-9, abs=1e-6)


@pytest.mark.parametrize("before", [2**32 - 25, 2**32 - 1, 2**32 - 50])
def test_the_u32_count_may_wrap_in_the_window(before: int) -> None:
    converter = Converter(unit())
    converter.read(lit(before, 520 * before), before, 0.0)
    after = before + 50
    reading = converter.read(lit(after, 520 * after), after, 0.05)
    assert reading.irradiance_mw_cm2 == pytest.approx(10.0)
    assert reading.quality == Quality(0)


@pytest.mark.parametrize("bit", range(20, 64))
def test_a_flipped_bit_of_a_sum_is_refused_and_the_next_window_spans_both(bit: int) -> None:
    for total in (520 * 2000, 2**63 + 2**62 + 520 * 2000):
        converter = Converter(unit())
        converter.read(lit(2000, total), 2000, 0.0)
        odd = converter.read(lit(2050, (total + 520 * 50) ^ 1 << bit), 2050, 0.05)
        assert (odd.irradiance_mw_cm2, odd.quality) == (None, Quality.LIGHT_REFUSED)
        assert (converter.refused, converter.refused_in_a_row) == (1, 1)
        good = converter.read(lit(2100, total + 520 * 50 + 620 * 50), 2100, 0.1)
        assert good.irradiance_mw_cm2 == pytest.approx(11.0)  # (570 - 20) · 0.02, over both
        assert (converter.refused, converter.refused_in_a_row) == (1, 0)


@pytest.mark.parametrize(
    ("ticks", "n", "total"),
    [
        (100, 99, 52_000),  # a count less than ticks
        (100, 101, 52_000),
        (1124, 100, 52_000),  # a bit of the tick flipped
        (100, 100, 26_000 - 1),  # a sum that goes back
        (100, 100, 26_000 + 50 * 1023 + 1),  # one count more than the converter gives
        (100, 50, 26_001),  # a sum without a conversion
    ],
)
def test_steps_that_cannot_be_are_refused(ticks: int, n: int, total: int) -> None:
    converter = Converter(unit())
    converter.read(lit(50, 26_000), 50, 0.0)
    assert converter.read(lit(ticks, total, n), ticks, 0.05).quality == Quality.LIGHT_REFUSED


def test_the_most_and_the_least_that_a_converter_gives_are_taken() -> None:
    converter = Converter(unit())
    converter.read(lit(50, 26_000), 50, 0.0)
    assert converter.read(lit(100, 26_000), 100, 0.05).quality == Quality(0)
    assert converter.read(lit(150, 26_000 + 50 * 1023), 150, 0.1).quality == Quality(0)


def test_a_window_without_conversions_is_carried_into_the_next() -> None:
    converter = Converter(unit())
    converter.read(lit(0, 0), 0, 0.0)
    none = converter.read(lit(50, 0, n=0), 50, 0.05)
    assert (none.irradiance_mw_cm2, none.quality) == (None, Quality.LIGHT_MISSING)
    late = converter.read(lit(100, 100 * 520), 100, 0.1)
    assert late.irradiance_mw_cm2 == pytest.approx(10.0)
    assert late.dticks == 50


def test_a_restart_seen_in_the_ticks_gives_no_light_of_two_lives() -> None:
    converter = Converter(unit())
    converter.read(lit(5000, 520 * 5000), 5000, 0.0)
    reading = converter.read(lit(50, 520 * 50), 50, 1.0)
    assert (reading.irradiance_mw_cm2, reading.dticks) == (None, 0)
    assert reading.quality == Quality.RESTARTED
    after = converter.read(lit(100, 520 * 100), 100, 1.05)
    assert after.irradiance_mw_cm2 == pytest.approx(10.0)


def test_sums_that_began_anew_untold_give_no_light() -> None:
    converter = Converter(unit())
    converter.read(lit(5000, 520 * 5000), 5000, 0.0)
    for ticks in (50, 100):
        reading = converter.read(lit(5000 + ticks, 520 * ticks, n=ticks), 5000 + ticks, 1.0)
        assert reading.irradiance_mw_cm2 is None
        assert reading.quality == Quality.LIGHT_REFUSED
    converter.restart()
    assert converter.read(lit(5150, 520 * 150, n=150), 5150, 1.1).quality == Quality.FIRST
    after = converter.read(lit(5200, 520 * 200, n=200), 5200, 1.15)
    assert after.irradiance_mw_cm2 == pytest.approx(10.0)


def test_a_restart_told_is_like_a_beginning() -> None:
    converter = Converter(unit())
    converter.read(lit(50, 26_000), 50, 0.0)
    converter.restart()
    assert converter.read(lit(100, 52_000), 100, 0.05).quality == Quality.FIRST


def test_four_channels_and_the_temperature_of_the_head() -> None:
    converter = Converter(unit(4, head=HEAD))
    head = {"head_sum": 50 * 92, "head_count": 50}  # 92 / 1024 · 5 V = 449.2 mV = 44.92 °C
    converter.read(lit(0, 0, **head), 0, 0.0)
    now = lit(50, 0, **head)._replace(light_sum=(26_000, 13_500, 1_000, 38_500))
    reading = converter.read(now, 50, 0.05)
    assert reading.head_c == pytest.approx(44.921875)
    response = 1.0 - 0.002 * (44.921875 - 25.0)
    each = [10.0 / response, 5.0 / response, 0.0, 15.0 / response]
    assert reading.channel_mw_cm2 == pytest.approx(each)
    assert reading.irradiance_mw_cm2 == pytest.approx(7.5 / response)


def test_a_head_at_which_the_sensor_would_answer_to_no_light_is_out_of_range() -> None:
    steep = LightChannel(dark_counts=20.0, slope_mw_cm2_per_count=0.02, temp_coeff_per_c=-0.01)
    converter = Converter(Sensors(light=LightSensors((steep,)), adc_bits=10, head=HEAD))
    head = {"head_sum": 256, "head_count": 1}  # 256 / 1024 · 5 V = 1.25 V = 125 °C
    converter.read(lit(0, 0, **head), 0, 0.0)
    reading = converter.read(lit(50, 26_000, **head), 50, 0.05)
    assert (reading.head_c, reading.quality) == (None, Quality.HEAD_RANGE)
    assert reading.irradiance_mw_cm2 == pytest.approx(10.0)


def test_flags_of_the_light_channels() -> None:
    converter = Converter(unit())
    converter.read(lit(0, 0), 0, 0.0)
    top = lit(50, 26_000)._replace(light_max=(1023, 0, 0, 0))
    reading = converter.read(top, 50, 0.05, lost=2)
    assert reading.quality == Quality.LIGHT_SATURATED | Quality.GAP
    assert reading.lost == 2
    floor = lit(100, 52_000)._replace(light_min=(0, 9, 9, 9))
    assert converter.read(floor, 100, 0.1).quality == Quality.LIGHT_AT_FLOOR


def test_a_channel_that_is_only_watched_spoils_no_dose() -> None:
    heads = [
        LightChannel(dark_counts=20.0, slope_mw_cm2_per_count=0.02, weight=w) for w in (1.0, 0.0)
    ]
    converter = Converter(Sensors(light=LightSensors(tuple(heads)), adc_bits=10))
    converter.read(lit(0, 0), 0, 0.0)
    clipped = lit(50, 26_000)._replace(light_max=(520, 1023, 0, 0), light_min=(480, 0, 0, 0))
    reading = converter.read(clipped, 50, 0.05)
    assert reading.irradiance_mw_cm2 is not None
    assert not reading.quality & Quality.LIGHT_SATURATED


# --- the other inputs -----------------------------------------------------------------------------


def test_vacuum_oven_and_head_are_means_of_their_own_window() -> None:
    vacuum = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10)
    oven = LinearSensor(Amplifier(adc_bits=10, adc_reference_v=5.0), mv_per_c=10.0)
    converter = Converter(unit(vacuum=vacuum, oven=oven, head=HEAD))
    reading = converter.read(
        sample(
            vacuum_sum=25_600, vacuum_count=50,  # 512 counts = 2.5 V: half way
            oven_sum=5_990, oven_count=50,  # 119.8 counts = 584.96 mV
            head_sum=2_560, head_count=50,  # 51.2 counts = 250 mV
            inputs=1,
        ),
        0,
        0.0,
    )  # fmt: skip
    assert reading.vacuum_kpa == pytest.approx(50.0)
    assert reading.oven_c == pytest.approx(58.49609375)
    assert reading.head_c == pytest.approx(25.0)
    assert reading.inputs == 1
    assert reading.quality == Quality.FIRST


def test_a_sensor_the_unit_does_not_have_is_none_without_a_flag() -> None:
    reading = Converter(unit()).read(sample(), 0, 0.0)
    assert (reading.vacuum_kpa, reading.oven_c, reading.head_c) == (None, None, None)
    assert reading.quality == Quality.FIRST


def test_a_sensor_without_values_or_out_of_range_says_so() -> None:
    vacuum = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10)
    oven = LinearSensor(AMPLIFIER, mv_per_c=10.0)
    converter = Converter(unit(vacuum=vacuum, oven=oven, head=HEAD))
    missing = converter.read(sample(), 0, 0.0)
    wanted = Quality.VACUUM_MISSING | Quality.OVEN_MISSING | Quality.HEAD_MISSING
    assert missing.quality == Quality.FIRST | wanted
    broken = converter.read(
        sample(vacuum_sum=0, vacuum_count=50, oven_sum=1023, oven_count=1, head_count=1), 50, 0.05
    )
    assert (broken.vacuum_kpa, broken.oven_c, broken.head_c) == (None, None, None)
    wanted = Quality.VACUUM_RANGE | Quality.OVEN_RANGE | Quality.HEAD_RANGE
    assert broken.quality == wanted | Quality.LIGHT_MISSING


def test_a_pressure_below_absolute_zero_is_not_a_number() -> None:
    vacuum = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10, barometer_kpa=81.2)
    converter = Converter(unit(vacuum=vacuum))
    reading = converter.read(sample(vacuum_sum=880, vacuum_count=1), 0, 0.0)  # 94.9 kPa
    assert reading.vacuum_kpa is None
    assert reading.quality & Quality.VACUUM_IMPLAUSIBLE


def test_a_thermocouple_takes_its_cold_junction_from_the_head() -> None:
    oven = ThermocoupleSensor(Amplifier(adc_bits=16, gain=1000.0, adc_reference_v=5.0), TYPE_K)
    converter = Converter(unit(oven=oven, head=HEAD))
    # 1.353416 mV · 1000 of 5 V in 2^16 counts; REF: NIST Monograph 175, 58 °C against 25 °C
    counts = round(1.353416 / 5.0 * 65536)
    warm = sample(oven_sum=counts, oven_count=1, head_sum=512, head_count=10)
    assert converter.read(warm, 0, 0.0).oven_c == pytest.approx(58.0, abs=0.002)
    cold = converter.read(sample(oven_sum=counts, oven_count=1), 50, 0.05)
    assert cold.oven_c is None
    assert cold.quality & Quality.OVEN_RANGE


anything = st.builds(
    lambda s, n, v, vn: sample(
        light_sum=(s,) * 4, light_count=(n,) * 4, vacuum_sum=v, vacuum_count=vn, oven_sum=v,
        oven_count=vn, head_sum=v, head_count=vn,
    ),
    st.integers(0, 2**64 - 1),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**32 - 1),
    st.integers(0, 2**16 - 1),
)  # fmt: skip


@given(st.lists(st.tuples(anything, st.integers(0, 2**40)), max_size=8))
def test_whatever_a_device_sends_a_reading_is_finite_or_none(
    samples: list[tuple[Sample, int]],
) -> None:
    vacuum = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10)
    oven = ThermocoupleSensor(Amplifier(adc_bits=10, gain=100.0), TYPE_K)
    converter = Converter(unit(2, vacuum=vacuum, oven=oven, head=HEAD))
    readings = [converter.read(s, ticks, 0.0) for s, ticks in samples]
    for reading in readings:
        for value in (reading.irradiance_mw_cm2, reading.vacuum_kpa, reading.oven_c):
            assert value is None or math.isfinite(value)
    assert all(b.dticks >= 0 for _, b in pairwise(readings))
