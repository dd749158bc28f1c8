"""Quantities as typed: spellings, refusals, formats."""

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platelink import units as u


@pytest.mark.parametrize(
    ("text", "mj_cm2"),
    [
        ("420 mJ/cm2", 420.0),
        ("420mJ/cm²", 420.0),
        (" 420 mJ/cm^2 ", 420.0),
        ("420 mj/cm2", 420.0),
        (".42 J/cm2", 0.42e3),
        ("4.2e-1 J/cm2", 420.0),
        ("4200 J/m2", 420.0),
        ("3 J/m²", 0.3),
    ],
)
def test_a_dose_as_people_type_it(text: str, mj_cm2: float) -> None:
    assert u.parse_dose(text) == mj_cm2


@pytest.mark.parametrize(
    ("text", "kpa"),
    [
        ("18 inHg", 60.954995526138),
        ("18 in Hg", 60.954995526138),
        ("18 in. Hg", 60.954995526138),
        ('18"Hg', 60.954995526138),
        ("500 mbar", 50.0),
        ("500 hPa", 50.0),
        ("-50.8 kPa", -50.8),
    ],
)
def test_a_pressure_as_people_type_it(text: str, kpa: float) -> None:
    assert u.parse_pressure(text) == kpa


@pytest.mark.parametrize("text", ["150 degF", "150 °F", "150 F", "150ºF", "150 °f"])
def test_a_temperature_as_people_type_it(text: str) -> None:
    assert u.parse_temperature(text) == 65.0 + 5.0 / 9.0


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("60 s", 60.0), ("2.5 min", 150.0), ("1 minute", 60.0), ("250 ms", 0.25), ("1 h", 3600.0)],
)
def test_a_duration_as_people_type_it(text: str, seconds: float) -> None:
    assert u.parse_duration(text) == seconds


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("420", "the unit is missing"),
        ("", "nothing was given"),
        ("mJ/cm2", "does not begin with a finite number"),
        ("nan mJ/cm2", "does not begin with a finite number"),
        ("inf mJ/cm2", "does not begin with a finite number"),
        ("1,200 mJ/cm2", "a comma may mean"),
        ("420 mJ", "unit 'mJ' is not known here"),
        ("420 MJ/cm2", "unit 'MJ/cm2' is not known here"),
        ("420 s", "unit 's' is not known here"),
        ("4 2 mJ/cm2", "is not known here"),
        ("1e400 mJ/cm2", "too large"),
    ],
)
def test_what_is_not_a_dose_is_told_and_why(text: str, why: str) -> None:
    with pytest.raises(u.UnitError) as caught:
        u.parse_dose(text)
    assert why in str(caught.value)
    if "large" not in why:
        assert "write a number and one of mJ/cm2, J/cm2, J/m2" in str(caught.value)


@pytest.mark.parametrize(
    ("parse", "text", "limit"),
    [
        (u.parse_dose, "0 mJ/cm2", "greater than 0 mJ/cm²"),
        (u.parse_dose, "-1 J/m2", "greater than 0 J/m²"),
        (u.parse_irradiance, "-0.1 mW/cm2", "at least 0 mW/cm²"),
        (u.parse_duration, "-1 s", "at least 0 s"),
        (u.parse_temperature, "-273.16 degC", "at least -273.15 °C"),
        (u.parse_temperature, "-459.68 degF", "at least -459.67 °F"),
    ],
)
def test_values_without_meaning_are_refused_with_the_limit(
    parse: Callable[[str], float], text: str, limit: str
) -> None:
    with pytest.raises(u.UnitError, match="must be") as caught:
        parse(text)
    assert limit in str(caught.value)


def test_the_limits_themselves_are_values() -> None:
    assert u.parse_irradiance("0 W/m2") == 0.0
    assert u.parse_duration("0 s") == 0.0
    assert u.parse_temperature("-459.67 degF") == -273.15


def test_formats() -> None:
    assert u.format_pressure(60.95499, "inHg") == "18.0 inHg"
    assert u.format_pressure(60.95499) == "61.0 kPa"
    assert u.format_pressure(60.95499, "mbar") == "610 mbar"
    assert u.format_temperature(65.5556, "degF") == "150.0 °F"
    assert u.format_dose(420.0, "J/cm2") == "0.420 J/cm²"
    assert u.format_dose(420.04) == "420.0 mJ/cm²"
    assert u.format_irradiance(9.876, decimals=1) == "9.9 mW/cm²"
    assert u.format_duration(90.0, "min") == "1.5 min"


def test_a_missing_value_is_a_dash_and_zero_has_no_sign() -> None:
    assert u.format_pressure(None) == "– kPa"
    assert u.format_dose(math.nan) == "– mJ/cm²"
    assert u.format_pressure(-0.01) == "0.0 kPa"


def test_an_unknown_unit_to_format_names_the_known_ones() -> None:
    with pytest.raises(u.UnitError, match="kPa, mbar, inHg"):
        u.format_pressure(1.0, "torr")


QUANTITIES = [u.DOSE, u.IRRADIANCE, u.PRESSURE, u.TEMPERATURE, u.DURATION]


@given(st.sampled_from(QUANTITIES), st.integers(0, 3), st.floats(1e-6, 1e6))
def test_what_is_formatted_can_be_typed(quantity: u.Quantity, index: int, value: float) -> None:
    unit = quantity.units[index % len(quantity.units)].symbol
    text = quantity.format(value, unit, decimals=15)
    assert quantity.parse(text) == pytest.approx(value, rel=1e-12, abs=1e-11)


@given(st.sampled_from(QUANTITIES), st.text(max_size=20))
def test_garbage_is_refused_in_one_way_only(quantity: u.Quantity, text: str) -> None:
    try:
        assert math.isfinite(quantity.parse(text))
    except u.UnitError as error:
        assert quantity.name in str(error)
