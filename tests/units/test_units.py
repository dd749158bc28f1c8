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
        ("340 mJ/cm2", 340.0),
        ("340mJ/cm²", 340.0),
        (" 340 mJ/cm^2 ", 340.0),
        ("340 mj/cm2", 340.0),
        (".34 J/cm2", 0.34e3),
        ("3.4e-1 J/cm2", 340.0),
        ("3400 J/m2", 340.0),
        ("3 J/m²", 0.3),
    ],
)
def test_a_dose_as_people_type_it(text: str, mj_cm2: float) -> None:
    assert u.DOSE.parse(text) == mj_cm2


@pytest.mark.parametrize(
    ("text", "kpa"),
    [
        ("18 inHg", 60.954995526138),
        ("18 in Hg", 60.954995526138),
        ("18 in. Hg", 60.954995526138),
        ('18"Hg', 60.954995526138),
        ("500 mbar", 50.0),
        ("500 hPa", 50.0),
        ("-52.6 kPa", -52.6),
    ],
)
def test_a_pressure_as_people_type_it(text: str, kpa: float) -> None:
    assert u.PRESSURE.parse(text) == kpa


@pytest.mark.parametrize("text", ["140 degF", "140 °F", "140 F", "140ºF", "140 °f"])
def test_a_temperature_as_people_type_it(text: str) -> None:
    assert u.TEMPERATURE.parse(text) == 60.0


@pytest.mark.parametrize(
    ("text", "seconds"),
    [("60 s", 60.0), ("2.5 min", 150.0), ("1 minute", 60.0), ("250 ms", 0.25), ("1 h", 3600.0)],
)
def test_a_duration_as_people_type_it(text: str, seconds: float) -> None:
    assert u.DURATION.parse(text) == seconds


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("340", "the unit is missing"),
        ("", "nothing was given"),
        ("mJ/cm2", "does not begin with a finite number"),
        ("nan mJ/cm2", "does not begin with a finite number"),
        ("inf mJ/cm2", "does not begin with a finite number"),
        ("1,200 mJ/cm2", "a comma may mean"),
        ("340 mJ", "unit 'mJ' is not known here"),
        ("340 MJ/cm2", "unit 'MJ/cm2' is not known here"),
        ("340 s", "unit 's' is not known here"),
        ("4 2 mJ/cm2", "is not known here"),
        ("1e400 mJ/cm2", "too large"),
    ],
)
def test_what_is_not_a_dose_is_told_and_why(text: str, why: str) -> None:
    with pytest.raises(u.UnitError) as caught:
        u.DOSE.parse(text)
    assert why in str(caught.value)
    if "large" not in why:
        assert "write a number and one of mJ/cm2, J/cm2, J/m2" in str(caught.value)


@pytest.mark.parametrize(
    ("parse", "text", "limit"),
    [
        (u.DOSE.parse, "0 mJ/cm2", "greater than 0 mJ/cm²"),
        (u.DOSE.parse, "-1 J/m2", "greater than 0 J/m²"),
        (u.IRRADIANCE.parse, "-0.1 mW/cm2", "at least 0 mW/cm²"),
        (u.DURATION.parse, "-1 s", "at least 0 s"),
        (u.TEMPERATURE.parse, "-273.16 degC", "at least -273.15 °C"),
        (u.TEMPERATURE.parse, "-459.68 degF", "at least -459.67 °F"),
    ],
)
def test_values_without_meaning_are_refused_with_the_limit(
    parse: Callable[[str], float], text: str, limit: str
) -> None:
    with pytest.raises(u.UnitError, match="must be") as caught:
        parse(text)
    assert limit in str(caught.value)


def test_the_limits_themselves_are_values() -> None:
    assert u.IRRADIANCE.parse("0 W/m2") == 0.0
    assert u.DURATION.parse("0 s") == 0.0
    assert u.TEMPERATURE.parse("-459.67 degF") == -273.15


def test_formats() -> None:
    assert u.PRESSURE.format(60.95499, "inHg") == "18.0 inHg"
    assert u.PRESSURE.format(60.95499, "kPa") == "61.0 kPa"
    assert u.PRESSURE.format(60.95499, "mbar") == "610 mbar"
    assert u.TEMPERATURE.format(57.7778, "degF") == "136.0 °F"
    assert u.DOSE.format(340.0, "J/cm2") == "0.340 J/cm²"
    assert u.DOSE.format(340.04, "mJ/cm2") == "340.0 mJ/cm²"
    assert u.IRRADIANCE.format(9.876, "mW/cm2", decimals=1) == "9.9 mW/cm²"
    assert u.DURATION.format(90.0, "min") == "1.5 min"


def test_a_missing_value_is_a_dash_and_zero_has_no_sign() -> None:
    assert u.PRESSURE.format(None, "kPa") == "– kPa"
    assert u.DOSE.format(math.nan, "mJ/cm2") == "– mJ/cm²"
    assert u.PRESSURE.format(-0.01, "kPa") == "0.0 kPa"


def test_an_unknown_unit_to_format_names_the_known_ones() -> None:
    with pytest.raises(u.UnitError, match="kPa, mbar, inHg"):
        u.PRESSURE.format(1.0, "torr")


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
