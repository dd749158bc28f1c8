"""Air pressure and altitude against the standard atmosphere and a measured record."""

import csv
from importlib.metadata import files

import pytest

from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.gauge import unreachable
from platelink.sensing.vacuum import GaugeKind, VacuumSensor, standard_barometer_kpa
from platelink.units import PRESSURE


@pytest.mark.parametrize(
    ("altitude_m", "hpa"),
    [
        # SOURCE: US Standard Atmosphere 1976, table I by geopotential altitude (from memory)
        (0, 1013.25),
        (500, 954.61),
        (1000, 898.75),
        (2000, 794.95),
        (3000, 701.09),
    ],
)
def test_standard_atmosphere(altitude_m: int, hpa: float) -> None:
    assert standard_barometer_kpa(altitude_m) * 10.0 == pytest.approx(hpa, abs=0.02)


def measured_mbar() -> list[float]:
    """SOURCE: NREL weather station, Golden (Colorado), 1829 m, January 2022, as shipped with
    pvanalytics 0.2.2."""
    (found,) = (f for f in files("pvanalytics") or [] if f.name == "rmis_weather_data.csv")
    with open(str(found.locate()), newline="") as stream:
        rows = list(csv.DictReader(stream))
    (column,) = (name for name in rows[0] if "Barometric" in name)
    return [float(row[column]) for row in rows if row[column]]


def test_the_highest_vacuum_is_the_local_barometer_not_the_standard_one() -> None:
    values = measured_mbar()
    assert len(values) == 1147
    reach = [
        VacuumSensor(
            kpa_low=0.0,
            kpa_high=115.0,
            adc_bits=12,
            kind=GaugeKind.ABSOLUTE,
            barometer_kpa=PRESSURE.parse(f"{mbar} mbar"),
        )
        for mbar in (min(values), max(values))
    ]
    assert [PRESSURE.format(s.highest_vacuum_kpa(), "inHg", 3) for s in reach] == [
        "23.882 inHg",
        "24.330 inHg",
    ]
    twenty = PRESSURE.parse("20 inHg")
    # 20 inHg of vacuum is 13 to 15 kPa absolute there, not 33.6
    assert [s.kpa_abs(twenty) for s in reach] == pytest.approx([13.145, 14.663], abs=1e-3)
    # a limit of 25 inHg could never be met there
    assert all(s.reach_problem(PRESSURE.parse("25 inHg")) for s in reach)
    # and the standard atmosphere at the station's altitude is a usable first guess
    assert min(values) < standard_barometer_kpa(1829.0) * 10.0 < max(values)


def test_what_the_weather_of_four_days_lets_a_pump_reach() -> None:
    """An absolute gauge is told one barometer, and shows the air of each hour of a vented frame:
    24 inHg is refused in some of these hours and not in others; by the standard atmosphere of the
    station's altitude it would always be one of them."""
    told_kpa = standard_barometer_kpa(1829.0)
    low_kpa = PRESSURE.parse("24 inHg")
    limits = ContactLimits(low_kpa=low_kpa, high_kpa=84.0, barometer_kpa=told_kpa)
    refused = 0
    for mbar in measured_mbar():
        air_kpa = mbar / 10.0
        finding = unreachable(told_kpa - air_kpa, limits)
        assert (finding is not None) == (air_kpa <= low_kpa)
        if finding is not None:
            refused += 1
            assert f"the air pressure is {air_kpa:.1f} kPa today" in finding.text
    assert 0 < refused < 1147
