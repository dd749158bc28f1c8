"""Registers of instruments as kPa and °C, against pymodbus's own conversion and printed factors."""

from __future__ import annotations

import math
import struct
from dataclasses import replace
from datetime import UTC, date, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.client.mixin import ModbusClientMixin

from platelink.config.instruments import InstrumentSection
from platelink.sensing.calibration import Calibration, Cause, Instrument, Line, Quantity
from platelink.sensing.registers import BusInstrument, Form, number, size
from platelink.sensing.vacuum import GaugeFault, GaugeKind

GAUGE = BusInstrument(
    name="gauge-1", quantity=Quantity.VACUUM, slave=5, register=10, scale=0.1, low=-101.0, high=5.0,
    poll_s=0.2, stale_after_s=1.0,
)  # fmt: skip
ABSOLUTE = replace(
    GAUGE, kind=GaugeKind.ABSOLUTE, barometer_kpa=98.0, low=0.0, high=120.0
)  # fmt: skip
WORDS = st.integers(0, 0xFFFF)


@given(form=st.sampled_from(list(Form)), high=WORDS, low=WORDS, low_first=st.booleans())
def test_a_number_is_what_the_library_makes_of_its_registers(
    form: Form, high: int, low: int, low_first: bool
) -> None:
    registers = (high, low)[: size(form)]
    ours = number(registers, form, low_word_first=low_first)
    theirs = ModbusClientMixin.convert_from_registers(
        list(registers), ModbusClientMixin.DATATYPE[form.name],
        word_order="little" if low_first else "big",
    )  # fmt: skip
    assert isinstance(theirs, int | float)
    assert ours == theirs or (math.isnan(ours) and math.isnan(theirs))


@pytest.mark.parametrize("registers", [(), (1,), (1, 2, 3), (-1, 0), (0x10000, 0)])
def test_what_is_no_number_of_two_registers_is_refused(registers: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="is not in registers"):
        number(registers, Form.INT32)


@pytest.mark.parametrize(
    ("unit", "value", "kpa"),
    [  # NIST SP 811 (2008), B.8: conventional inch and millimetre of mercury, mbar
        ("kPa", -60.0, 60.0), ("Pa", -60_000.0, 60.0), ("hPa", -600.0, 60.0),
        ("mbar", -600.0, 60.0), ("mmHg", -450.0, 450 * 0.1333224), ("inHg", -18.0, 18 * 3.386389),
    ],
)  # fmt: skip
def test_every_unit_of_pressure(unit: str, value: float, kpa: float) -> None:
    one = InstrumentSection(
        name="g",
        slave=1,
        measures="vacuum",
        first_register=0,
        unit=unit,
        low=-1e6,
        high=1e6,  # type: ignore[arg-type]
    ).build()
    assert one.vacuum_kpa(value) == pytest.approx(kpa, rel=1e-6)


@pytest.mark.parametrize(("unit", "value"), [("degC", 60.0), ("degF", 140.0)])
def test_every_unit_of_temperature(unit: str, value: float) -> None:
    one = InstrumentSection(
        name="o",
        slave=1,
        measures="oven",
        first_register=0,
        unit=unit,
        low=0,
        high=400,  # type: ignore[arg-type]
    ).build()
    assert one.temperature_c(value, None) == pytest.approx(60.0)


def test_gauge_absolute_and_one_that_shows_vacuum_as_positive() -> None:
    assert GAUGE.vacuum_kpa(-724.0) == pytest.approx(72.4)
    assert ABSOLUTE.vacuum_kpa(256.0) == pytest.approx(98.0 - 25.6)
    assert ABSOLUTE.kpa_abs(72.4) == pytest.approx(25.6)
    assert replace(GAUGE, scale=-0.1).vacuum_kpa(724.0) == pytest.approx(72.4)


def test_what_cannot_be_is_no_value() -> None:
    assert GAUGE.vacuum_kpa(-1010.1) is GaugeFault.RANGE
    assert GAUGE.vacuum_kpa(50.1) is GaugeFault.RANGE
    assert GAUGE.vacuum_kpa(math.nan) is GaugeFault.RANGE
    high_up = replace(GAUGE, barometer_kpa=70.0)
    assert high_up.vacuum_kpa(-719.0) == pytest.approx(71.9)  # a gauge's own error
    assert high_up.vacuum_kpa(-721.0) is GaugeFault.IMPLAUSIBLE
    oven = replace(GAUGE, quantity=Quantity.OVEN, low=0.0, high=150.0)
    assert oven.temperature_c(1500.0, None) == 150.0
    assert oven.temperature_c(1501.0, None) is None and oven.temperature_c(math.nan, None) is None


@pytest.mark.parametrize("one", [
    replace(GAUGE, form=Form.FLOAT32, scale=1.0),
    replace(GAUGE, form=Form.FLOAT32, scale=1.0, quantity=Quantity.OVEN, low=0.0, high=150.0),
])  # fmt: skip
def test_a_float_of_exchanged_registers_is_no_value_near_nought(one: BusInstrument) -> None:
    """Of a number with few digits the other order gives one of next to nothing, which can be."""
    for tenths in range(1, 1001):
        value = tenths / 10 if one.quantity is Quantity.OVEN else -tenths / 10
        high, low = struct.unpack(">HH", struct.pack(">f", value))
        right, turned = number((high, low), one.form), number((low, high), one.form)
        assert one.value(right) is not None
        assert one.value(turned) is None, (value, turned)
    assert one.value(0.0) == 0.0 and one.value(7.6e-6) is not None  # a float's own last digit


def test_it_says_what_vacuum_it_can_show() -> None:
    assert GAUGE.reach_problem(99.0) == ""
    assert "beyond the gauge's 101.0 kPa" in GAUGE.reach_problem(101.2)
    assert "beyond the gauge's 40.0 kPa" in replace(GAUGE, low=-40.0).reach_problem(50.0)
    assert "more than the air pressure of 98.0" in ABSOLUTE.reach_problem(98.5)


@pytest.mark.parametrize("one", [GAUGE, ABSOLUTE])
def test_a_calibrations_line_stands_behind_its_own(one: BusInstrument) -> None:
    """The line is of vacuum for a gauge, of absolute pressure for an absolute one."""
    line = Line(
        offset=0.5, gain=1.02, covariance=((0.0, 0.0), (0.0, 0.0)), dof=2, residuals=(),
        residual_sd=0.0, bow=0.0, x_low=0.0, x_high=80.0,
    )  # fmt: skip
    by = Calibration(
        sensor="vacuum", revision=1, cause=Cause.ROUTINE, dark=None, levels=(), line=line,
        instrument=Instrument(name="hand gauge", certificate="EX-1", due_on=date(2027, 1, 1)),
        made_by="example-operator", made_at_utc=datetime(2026, 1, 1, tzinfo=UTC),
        due_on=date(2027, 1, 1), settings={},
    )  # fmt: skip
    raw = -600.0 if one is GAUGE else 400.0
    before, after = one.vacuum_kpa(raw), one.calibrated(by).vacuum_kpa(raw)
    assert isinstance(before, float) and isinstance(after, float)
    if one is GAUGE:
        assert after == pytest.approx(line.value(before))
    else:
        assert one.kpa_abs(after) == pytest.approx(line.value(one.kpa_abs(before)))


def test_what_makes_no_instrument_is_refused() -> None:
    for wrong in ({"scale": 0.0}, {"scale": math.nan}, {"low": 5.0}, {"offset": math.inf}):
        with pytest.raises(ValueError, match="must be"):
            replace(GAUGE, **wrong)  # type: ignore[arg-type]
