"""Numbers, quantities, times: by locale and in the shop's units, on both sides of the line."""

from __future__ import annotations

import json
from datetime import timedelta, timezone

import pytest
from babel import Locale

from platelink.units import PRESSURE
from platelink.web.facts import Fact, facts
from platelink.web.formats import QUANTITIES, Formats, units_document
from platelink.web.settings import PageSettings

DISPLAY = PageSettings.__dataclass_fields__["display"].default_factory()  # type: ignore[misc]
AMERICAN = {"dose": "J/cm2", "irradiance": "W/m2", "vacuum": "inHg", "temperature": "degF"}
ZONE = timezone(timedelta(hours=1))


def formats(tag: str = "en_GB", display: dict[str, str] = DISPLAY) -> Formats:
    return Formats(Locale.parse(tag), display, ZONE)


def test_numbers_follow_the_locale() -> None:
    assert formats("en_US").number(1234.56, 1) == "1,234.6"
    assert formats("de_DE").number(1234.56, 1) == "1.234,6"
    assert [formats("en_US").number(v, 1) for v in (-0.04, -0.05, -0.06)] == ["0.0", "0.0", "-0.1"]
    assert formats().number(None) == formats().number(float("nan")) == "–"


def test_quantities_are_in_the_unit_of_the_shop() -> None:
    assert formats().quantity(340.04, "dose") == "340.0 mJ/cm²"
    assert formats(display=AMERICAN).quantity(340.04, "dose") == "0.340 J/cm²"
    assert formats(display=AMERICAN).quantity(57.7778, "temperature") == "136.0 °F"
    assert formats(display=AMERICAN).quantity(60.9, "vacuum") == PRESSURE.format(60.9, "inHg")
    assert formats().quantity(None, "vacuum") == "– kPa"


@pytest.mark.parametrize("display", [DISPLAY, AMERICAN])
def test_the_browser_converts_as_the_units_do(display: dict[str, str]) -> None:
    document = json.loads(units_document(display))
    for name, kind in QUANTITIES.items():
        told = document[name]
        for value in (0.0, 1.0, 57.7778, 340.0):
            shown = value / told["factor"] - told["shift"]
            assert shown == pytest.approx(kind.to(value, display[name]), abs=1e-9)


def test_times_are_of_the_units_computer() -> None:
    at = "2026-03-02T23:30:05.123+00:00"
    assert formats().clock(at) == "00:30:05"
    assert formats("en_US").clock(at).replace("\u202f", " ") == "12:30:05 AM"
    assert formats("de_DE").moment(at) == "03.03.26, 00:30"
    assert formats().day("2026-03-02") == "2 Mar 2026"
    assert formats().day("soon") == "soon"
    assert formats().clock("nonsense") == formats().moment(None) == "–"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.041, "0.041 s"), (0.0, "0 s"), (7.44, "7.4 s"), (42.4, "42 s"), (59.6, "1:00 min"),
     (260, "4:20 min"), (3905, "1:05:05 h"), (None, "–")],
)  # fmt: skip
def test_durations(seconds: float | None, text: str) -> None:
    assert formats().duration(seconds) == text


def test_facts_take_their_unit_from_their_name() -> None:
    values = {
        "kind": "expose", "dose_mj_cm2": 340.0, "tolerance_pct": 1.5, "note": None, "done": True,
        "contact": {"low_kpa": 56.04, "hold_test_s": 3.0}, "empty": [], "boot_id": 77,
        "stage": [{"name": "soak", "duration_s": 25.0}], "slope_mw_cm2_per_count": 0.0149,
        "calibrated_on": "2026-01-15",
    }  # fmt: skip
    assert list(facts(values, formats(), ("kind",))) == [
        Fact("dose", "340.0 mJ/cm²"),
        Fact("tolerance", "1.5 %"),
        Fact("done", True),
        Fact("contact · low", "56.0 kPa"),
        Fact("contact · hold test", "3.0 s"),
        Fact("boot id", "77"),
        Fact("soak · duration", "25 s"),
        Fact("slope", "0.0149 mW/cm²"),
        Fact("calibrated on", "15 Jan 2026"),
    ]
