"""Conversions against general libraries and printed tables."""

import pint
import pytest
import scipy.constants

from platelink import units as u

PINT = pint.UnitRegistry()


@pytest.mark.parametrize(
    ("ours", "theirs"),
    [
        ("1 inHg", "inHg"),  # SOURCE: pint, conventional inch of mercury 3386.38864034 Pa
        ("1 mbar", "mbar"),
        ("1 hPa", "hectopascal"),
        ("1 kPa", "kilopascal"),
    ],
)
def test_pressure_units_against_pint(ours: str, theirs: str) -> None:
    kpa = PINT.Quantity(1.0, theirs).to("kilopascal").magnitude
    assert u.PRESSURE.parse(ours) == pytest.approx(kpa, rel=1e-12)


def test_light_units_against_pint() -> None:
    for text, unit in [("7 J/m2", "joule/meter**2"), ("7 J/cm2", "joule/centimeter**2")]:
        theirs = PINT.Quantity(7.0, unit).to("millijoule/centimeter**2").magnitude
        assert u.DOSE.parse(text) == pytest.approx(theirs, rel=1e-14)
    theirs = PINT.Quantity(40.5576, "watt/meter**2").to("milliwatt/centimeter**2").magnitude
    assert u.IRRADIANCE.parse("40.5576 W/m2") == pytest.approx(theirs, rel=1e-14)


def test_temperatures_against_pint_and_scipy() -> None:
    for fahrenheit in (-40.0, 32.0, 65.0, 140.0, 212.0):
        ours = u.TEMPERATURE.parse(f"{fahrenheit} degF")
        theirs = PINT.Quantity(fahrenheit, "degF").to("degC").magnitude
        assert ours == pytest.approx(theirs, abs=1e-10)
        scipy_c = scipy.constants.convert_temperature(fahrenheit, "Fahrenheit", "Celsius")
        assert ours == pytest.approx(float(scipy_c), abs=1e-10)


def test_exact_si_factors() -> None:
    # SOURCE: scipy.constants 1.17 (CODATA; bar and atmosphere exact by definition)
    assert u.PRESSURE.parse("1000 mbar") * 1000.0 == scipy.constants.bar
    assert u.PRESSURE.parse("1013.25 mbar") * 1000.0 == scipy.constants.atm
    assert u.DURATION.parse("1 min") == scipy.constants.minute
    assert u.DURATION.parse("1 h") == scipy.constants.hour
    # SOURCE: SI; 1 mW/cm² for 1 s is 1 mJ/cm², 1 W/m² is 0.1 mW/cm²
    assert u.IRRADIANCE.parse("1 W/m2") == 0.1
    assert u.DOSE.parse("1 J/m2") == 0.1


def test_inch_of_mercury_as_printed() -> None:
    # SOURCE: NIST SP 811 (2008), B.8: inch of mercury, conventional, 3.386 389 E+03 Pa
    assert u.PRESSURE.parse("1 inHg") * 1000.0 == pytest.approx(3386.389, abs=5e-4)
    # SOURCE: product of 13595.1 kg/m³, 9.80665 m/s² and 0.0254 m
    assert u.PRESSURE.parse("1 inHg") * 1000.0 == pytest.approx(3386.388640341, rel=1e-15)


@pytest.mark.parametrize(
    ("inhg", "kpa", "kpa_abs"),
    [
        # SOURCE: computed from the SP 811 factor at 101 325 Pa, independently of this code
        (16, 54.1822, 47.1428),
        (18, 60.9550, 40.3700),
        (20, 67.7278, 33.5972),
        (22, 74.5006, 26.8244),
        (25, 84.6597, 16.6653),
        (29, 98.2053, 3.1197),
    ],
)
def test_vacuum_table(inhg: int, kpa: float, kpa_abs: float) -> None:
    vacuum = u.PRESSURE.parse(f"{inhg} inHg")
    assert vacuum == pytest.approx(kpa, abs=5.1e-5)
    assert 101.325 - vacuum == pytest.approx(kpa_abs, abs=5.1e-5)
    assert u.PRESSURE.format(vacuum, "inHg", 3) == f"{inhg}.000 inHg"
