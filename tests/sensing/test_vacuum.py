"""Vacuum transmitters: counts to kPa below atmosphere, faults, what can be reached."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink.sensing.vacuum import GaugeFault, GaugeKind, Signal, VacuumSensor
from platelink.units import PRESSURE

GAUGE = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10)
ABSOLUTE = VacuumSensor(
    kpa_low=0.0, kpa_high=115.0, adc_bits=12, kind=GaugeKind.ABSOLUTE, barometer_kpa=81.2
)
LOOP = VacuumSensor(
    kpa_low=0.0, kpa_high=-100.0, adc_bits=12, signal=Signal.CURRENT, shunt_ohm=200.0
)


def counts(volts: float, bits: int) -> float:
    return volts / 5.0 * 2**bits


@pytest.mark.parametrize(("volts", "kpa"), [(0.5, 0.0), (2.5, 50.0), (4.5, 100.0), (0.46, -1.0)])
def test_a_gauge_over_its_span(volts: float, kpa: float) -> None:
    assert GAUGE.vacuum_kpa(counts(volts, 10)) == pytest.approx(kpa)


def test_a_gauge_reads_the_same_at_any_altitude_but_the_absolute_pressure_differs() -> None:
    high_up = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10, barometer_kpa=81.2)
    for gauge, kpa_abs in ((GAUGE, 51.325), (high_up, 31.2)):
        vacuum = gauge.vacuum_kpa(512.0)
        assert vacuum == pytest.approx(50.0)
        assert gauge.kpa_abs(float(vacuum)) == pytest.approx(kpa_abs)


def test_an_absolute_transmitter_needs_the_barometer() -> None:
    at_air = counts(0.5 + 4.0 * 81.2 / 115.0, 12)
    assert ABSOLUTE.vacuum_kpa(at_air) == pytest.approx(0.0, abs=1e-9)
    assert ABSOLUTE.vacuum_kpa(counts(0.5, 12)) == pytest.approx(81.2)
    wrong = VacuumSensor(kpa_low=0.0, kpa_high=115.0, adc_bits=12, kind=GaugeKind.ABSOLUTE)
    assert wrong.vacuum_kpa(at_air) == pytest.approx(101.325 - 81.2)


def test_a_ratiometric_gauge_does_not_see_its_supply() -> None:
    """The transmitter's output and the converter's reference move together."""
    true_supply = 4.87
    signal_v = true_supply * (0.1 + 0.8 * 0.6)  # 60 kPa of 100
    assert GAUGE.vacuum_kpa(signal_v / true_supply * 1024) == pytest.approx(60.0)


@pytest.mark.parametrize(("ma", "kpa"), [(4.0, 0.0), (12.0, 50.0), (20.0, 100.0), (3.8, -1.25)])
def test_a_current_loop_over_its_span(ma: float, kpa: float) -> None:
    assert LOOP.vacuum_kpa(counts(ma * 0.2, 12)) == pytest.approx(kpa)


@pytest.mark.parametrize(
    ("sensor", "inside", "outside"),
    [
        (LOOP, counts(3.6 * 0.2, 12), counts(3.59 * 0.2, 12)),  # open loop
        (LOOP, counts(20.3 * 0.2, 12), counts(21.01 * 0.2, 12)),  # shorted
        (GAUGE, counts(0.3, 10), counts(0.299, 10)),  # wire off
        (GAUGE, counts(4.55, 10), counts(4.701, 10)),
    ],
)
def test_a_broken_wire_is_a_fault_not_a_number(
    sensor: VacuumSensor, inside: float, outside: float
) -> None:
    assert isinstance(sensor.vacuum_kpa(inside), float)
    assert sensor.vacuum_kpa(outside) is GaugeFault.RANGE


def test_a_converter_at_its_last_count_shows_nothing() -> None:
    full = VacuumSensor(
        kpa_low=0.0, kpa_high=-100.0, adc_bits=10, signal=Signal.CURRENT, shunt_ohm=250.0
    )
    assert isinstance(full.vacuum_kpa(1022.0), float)
    assert full.vacuum_kpa(1023.0) is GaugeFault.RANGE


def test_a_live_zero_near_the_bottom_still_tells_a_broken_wire() -> None:
    near = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10, volts_low=0.1, volts_high=4.5)
    assert isinstance(near.vacuum_kpa(1.0), float)
    assert near.vacuum_kpa(0.0) is GaugeFault.RANGE
    dead_zero = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10, volts_low=0.0)
    assert dead_zero.vacuum_kpa(0.0) == pytest.approx(0.0)


def test_less_than_nothing_is_implausible() -> None:
    high_up = VacuumSensor(kpa_low=0.0, kpa_high=-100.0, adc_bits=10, barometer_kpa=81.2)
    assert isinstance(high_up.vacuum_kpa(counts(0.5 + 4.0 * 0.831, 10)), float)
    assert high_up.vacuum_kpa(counts(0.5 + 4.0 * 0.833, 10)) is GaugeFault.IMPLAUSIBLE


def test_what_can_be_reached() -> None:
    assert GAUGE.highest_vacuum_kpa() == 100.0
    assert ABSOLUTE.highest_vacuum_kpa() == 81.2
    assert ABSOLUTE.reach_problem(81.1) == ""
    assert "more than the air pressure of 81.2 kPa" in ABSOLUTE.reach_problem(81.2)
    small = VacuumSensor(kpa_low=0.0, kpa_high=-60.0, adc_bits=10)
    assert small.reach_problem(60.0) == ""
    assert "beyond the gauge's 60.0 kPa" in small.reach_problem(PRESSURE.parse("18 inHg"))


@given(st.floats(0.0, 99.0), st.sampled_from([GAUGE, LOOP]))
def test_pressure_to_counts_and_back(kpa: float, sensor: VacuumSensor) -> None:
    bits = sensor.adc_bits
    if sensor.signal is Signal.VOLTAGE:
        n = counts(0.5 + 4.0 * kpa / 100.0, bits)
    else:
        n = counts(0.2 * (4.0 + 16.0 * kpa / 100.0), bits)
    assert sensor.vacuum_kpa(n) == pytest.approx(kpa, abs=1e-9)


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"kpa_high": 0.0}, "no span"),
        ({"barometer_kpa": 0.0}, "greater than 0"),
        ({"volts_high": 5.1}, "within 0 and the converter's 5 V"),
        ({"volts_low": 4.6}, "must rise"),
        ({"signal": Signal.CURRENT, "shunt_ohm": 251.0}, "within 0 and the converter's 5 V"),
    ],
)
def test_a_senseless_transmitter_is_refused(wrong: dict[str, object], text: str) -> None:
    fields = {"kpa_low": 0.0, "kpa_high": -100.0, "adc_bits": 10} | wrong
    with pytest.raises(ValueError, match=text):
        VacuumSensor(**fields)  # type: ignore[arg-type]
