"""Linear sensors, thermocouples and Pt100 behind their amplifiers, and the inverses themselves."""

import math
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.sensing.temperature import (
    Amplifier,
    LinearSensor,
    Pt100Sensor,
    TemperatureSensor,
    ThermocoupleSensor,
)
from platelink.sensing.thermoelectric import (
    TYPE_K,
    TYPE_T,
    Thermocouple,
    pt100_c,
    pt100_ohm,
)


def counts(mv: float, amplifier: Amplifier) -> float:
    """What the converter shows for this sensor signal."""
    volts = (mv * amplifier.gain + amplifier.offset_mv) / 1000.0
    return volts / amplifier.adc_reference_v * 2**amplifier.adc_bits


def test_a_linear_sensor() -> None:
    amplifier = Amplifier(adc_bits=10, adc_reference_v=5.0)
    centigrade = LinearSensor(amplifier, mv_per_c=10.0)
    assert centigrade.temperature_c(counts(585.0, amplifier), None) == pytest.approx(58.5)
    with_offset = LinearSensor(amplifier, mv_per_c=10.0, mv_at_0c=500.0)
    assert with_offset.temperature_c(counts(250.0, amplifier), None) == pytest.approx(-25.0)
    falling = LinearSensor(amplifier, mv_per_c=-2.0, mv_at_0c=600.0)
    assert falling.temperature_c(counts(540.0, amplifier), None) == pytest.approx(30.0)


THERMOCOUPLE_AMPLIFIER = Amplifier(
    adc_bits=12, adc_reference_v=5.0, gain=150.0, offset_mv=500.0, high_c=250.0
)


def test_a_thermocouple_with_fixed_and_with_measured_terminals() -> None:
    amplifier = THERMOCOUPLE_AMPLIFIER
    n = counts(TYPE_K.emf_mv(120.0) - TYPE_K.emf_mv(31.0), amplifier)
    fixed = ThermocoupleSensor(amplifier, TYPE_K, cold_junction_c=31.0)
    measured = ThermocoupleSensor(amplifier, TYPE_K)
    assert fixed.temperature_c(n, None) == pytest.approx(120.0, abs=1e-6)
    assert fixed.temperature_c(n, 99.0) == pytest.approx(120.0, abs=1e-6)  # fixed wins
    assert measured.temperature_c(n, 31.0) == pytest.approx(120.0, abs=1e-6)
    assert measured.temperature_c(n, None) is None


def test_a_pt100_with_its_leads() -> None:
    amplifier = Amplifier(adc_bits=12, adc_reference_v=5.0, gain=20.0)
    sensor = Pt100Sensor(amplifier, current_ma=1.0, lead_ohm=0.4)
    n = counts((pt100_ohm(58.0) + 0.4) * 1.0, amplifier)
    assert sensor.temperature_c(n, None) == pytest.approx(58.0, abs=1e-9)


@pytest.mark.parametrize(
    "sensor",
    [
        LinearSensor(Amplifier(adc_bits=10), 10.0),
        ThermocoupleSensor(Amplifier(adc_bits=10, gain=100.0, high_c=1300.0), TYPE_K, 25.0),
        Pt100Sensor(Amplifier(adc_bits=10, gain=10.0, high_c=800.0), 1.0),
    ],
)
@pytest.mark.parametrize("rail", [0.0, -1.0, 1023.0, 1024.0, math.nan])
def test_either_end_of_the_converter_is_a_broken_wire(
    sensor: TemperatureSensor, rail: float
) -> None:
    assert sensor.temperature_c(rail, 25.0) is None


def test_the_band_that_is_believed_includes_its_limits() -> None:
    amplifier = Amplifier(adc_bits=10, low_c=0.0, high_c=100.0)
    sensor = LinearSensor(amplifier, mv_per_c=40.0)
    assert sensor.temperature_c(counts(4000.0, amplifier), None) == pytest.approx(100.0)
    assert sensor.temperature_c(counts(4001.0, amplifier), None) is None
    below = LinearSensor(amplifier, mv_per_c=40.0, mv_at_0c=100.0)
    assert below.temperature_c(counts(100.0, amplifier), None) == pytest.approx(0.0)
    assert below.temperature_c(counts(99.0, amplifier), None) is None


# --- inverses -------------------------------------------------------------------------------------


@given(st.sampled_from([TYPE_K, TYPE_T]), st.floats(0.0, 1.0), st.floats(-40.0, 90.0))
def test_the_inverse_returns_what_went_in(
    couple: Thermocouple, share: float, cold_c: float
) -> None:
    t = couple.low_c + share * (couple.high_c - couple.low_c)
    measured = couple.emf_mv(t) - couple.emf_mv(cold_c)
    back = couple.temperature_c(measured, cold_c)
    # at the very ends rounding may step over the limit
    at_end = min(t - couple.low_c, couple.high_c - t) < 1e-9
    assert back == pytest.approx(t, abs=1e-6) or (back is None and at_end)


@given(st.floats(-200.0, 850.0))
def test_the_pt100_inverse_returns_what_went_in(t: float) -> None:
    back = pt100_c(pt100_ohm(t))
    # at the very ends rounding may step over the limit
    assert back == pytest.approx(t, abs=1e-7) or (back is None and min(t + 200, 850 - t) < 1e-9)


@pytest.mark.parametrize("couple", [TYPE_K, TYPE_T])
def test_reference_functions_rise_all_the_way(couple: Thermocouple) -> None:
    span = couple.high_c - couple.low_c
    forces = [couple.emf_mv(couple.low_c + span * i / 2000.0) for i in range(2001)]
    assert all(a < b for a, b in pairwise(forces))


@pytest.mark.parametrize("couple", [TYPE_K, TYPE_T])
@pytest.mark.parametrize("t", [-150.0, -1.0, 1.0, 58.0, 127.0, 390.0])
def test_the_slope_is_the_derivative(couple: Thermocouple, t: float) -> None:
    step = 1e-3
    numeric = (couple.emf_mv(t + step) - couple.emf_mv(t - step)) / (2.0 * step)
    assert couple.emf_and_slope(t)[1] == pytest.approx(numeric, rel=1e-6)


def test_outside_the_reference_functions_there_is_no_temperature() -> None:
    assert TYPE_K.temperature_c(80.0) is None
    assert TYPE_K.temperature_c(-7.0) is None
    assert TYPE_K.temperature_c(1.0, 2000.0) is None
    assert TYPE_K.temperature_c(math.nan) is None
    assert pt100_c(18.0) is None
    assert pt100_c(400.0) is None
    assert pt100_c(math.nan) is None


@pytest.mark.parametrize(
    "make",
    [
        lambda: Amplifier(adc_bits=10, gain=0.0),
        lambda: Amplifier(adc_bits=10, low_c=50.0, high_c=50.0),
        lambda: LinearSensor(Amplifier(adc_bits=10), 0.0),
        lambda: Pt100Sensor(Amplifier(adc_bits=10), 0.0),
        lambda: ThermocoupleSensor(Amplifier(adc_bits=10), TYPE_T, 500.0),
    ],
)
def test_senseless_sensors_are_refused(make: object) -> None:
    with pytest.raises(ValueError, match="must"):
        make()  # type: ignore[operator]
