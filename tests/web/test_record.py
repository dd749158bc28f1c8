"""What a record's view says of a dose: three numbers, in both languages, never one alone."""

from __future__ import annotations

import re
from datetime import UTC
from typing import Any

import pytest
from babel import Locale

from platelink.contract.runs import Events, RunWhole
from platelink.contract.uncertainty import FEW_PCT, uncertainty_in
from platelink.web.formats import Formats
from platelink.web.records import limits_of
from platelink.web.settings import PageSettings
from platelink.web.show import AHEAD, Templates
from platelink.web.texts import read_languages

LANGUAGES = read_languages()
DISPLAY = PageSettings.__dataclass_fields__["display"].default_factory()  # type: ignore[misc]
LINE = {
    "name": "spectral", "channel": None, "value": 5.0, "unit": "%", "distribution": "uniform",
    "dof": 8.0, "source": "assumed", "sensitivity": 1.0, "plate_sensitivity": 0.1, "u_pct": 2.8868,
    "plate_u_pct": 0.28868,
}  # fmt: skip
STATED = {
    "plate_to_plate_pct": 1.8447, "against_meter_pct": 13.96, "plate_to_plate_dof": None,
    "against_meter_dof": 44.4, "plate_to_plate_holds_pct": 95.45, "against_meter_holds_pct": 94.8,
    "k": 2.0, "assumed": ["spectral"],
    "lines": [LINE, LINE | {"name": "fit", "channel": 1, "source": "calibration"}],
}  # fmt: skip


def run(**more: Any) -> RunWhole:
    """An exposure; invented."""
    values: dict[str, Any] = dict.fromkeys(RunWhole.model_fields) | {
        "run_id": "run-1", "unit": "unit-1", "kind": "expose", "step": "film", "state": "complete",
        "begun_utc": "2026-03-02T08:00:00.000+00:00", "target_dose_mj_cm2": 340.0,
        "dose_mj_cm2": 340.01, "difference_pct": 0.0029, "request": {}, "conditions": {},
        "channels": [], "data": {}, "parts": [],
    }  # fmt: skip
    return RunWhole.model_validate(values | more)


FEW = {**STATED, "against_meter_dof": 3.0, "against_meter_holds_pct": 86.1}


def page(code: str, shown: RunWhole) -> str:
    context = {
        "run": shown, "events": Events(events=[]), "recipe_steps": {}, "limits": limits_of,
        "budget": uncertainty_in(shown.data), "f": Formats(Locale.parse(code), DISPLAY, UTC),
        "asset": str, "ahead": AHEAD, "languages": LANGUAGES.values(), "language": LANGUAGES[code],
        "path": "/records/run-1", "few_pct": FEW_PCT, "least_doubt": 0.05, "rights": (), "me": None,
    }  # fmt: skip
    text = Templates(LANGUAGES).render(LANGUAGES[code], "record.html", context)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


SURE = {
    "data": {"uncertainty": STATED},
    "plate_to_plate_pct": 1.8447, "against_meter_pct": 13.96,
}  # fmt: skip


@pytest.mark.parametrize(
    ("code", "texts"),
    [
        ("en", (
            "Control +0.003 % of target, as this sensor reads",
            "Plate to plate ±1.8 % (k = 2): plates of this unit, place, month and calibration",
            "Against the meter ±14 % (k = 2): the reference meter at the plate",
            "Assumed, because nobody stated it: colour of the light.",
            "colour of the light 0.289 % 2.887 % assumed",
            "calibration line 1 0.289 % 2.887 % calibration",
            "all together, k = 1 0.922 % 6.980 %",
        )),
        ("de", (
            "Regelung +0,003 % vom Soll, wie dieser Sensor misst",
            "Klischee zu Klischee ±1,8 % (k = 2): Klischees gleichen Geräts, Platzes, Monats "
            "und gleicher Kalibrierung",
            "Gegen das Messgerät ±14 % (k = 2): das Referenzmessgerät am Klischee",
            "Farbe des Lichts 0,289 % 2,887 % angenommen",
        )),
    ],
)  # fmt: skip
def test_a_dose_has_three_numbers(code: str, texts: tuple[str, ...]) -> None:
    text = page(code, run(**SURE))
    for part in texts:
        assert part in text, part


def test_doubt_is_told_beside_the_numbers_that_do_not_hold_it() -> None:
    assert "In doubt" not in page("en", run(**SURE))
    doubt = {"data": {"uncertainty": STATED, "doubtful_mj_cm2": 3.0}, "uncertain_mj_cm2": 12.5}
    text = page("en", run(**SURE | doubt))
    told = (
        "In doubt up to 12.5 mJ/cm² more or 3.0 mJ/cm² less may have fallen; none of these numbers"
    )
    assert told in text
    assert "Im Zweifel bis zu 12,5 mJ/cm² mehr" in page("de", run(**SURE | doubt))


def test_a_u_with_little_behind_it_says_so() -> None:
    assert "It holds in" not in page("en", run(**SURE))
    text = page("en", run(**SURE | {"data": {"uncertainty": FEW}}))
    few = "at the plate It holds in 86 % of cases only: few readings are behind it."
    assert few in text and text.count("It holds in") == 1
    assert "86 % der Fälle" in page("de", run(**SURE | {"data": {"uncertainty": FEW}}))


def test_a_run_that_recorded_none_says_so_beside_the_first() -> None:
    text = page("en", run())
    assert "Control +0.003 %" in text
    assert "Plate to plate not recorded with this run" in text
    assert "Against the meter not recorded with this run" in text
    assert "How sure the dose is" not in text


def test_what_has_no_dose_has_none_of_them() -> None:
    text = page("en", run(kind="bake", dose_mj_cm2=None, difference_pct=None))
    assert "Control" not in text and "Plate to plate" not in text


def test_each_exposure_of_a_plate_has_its_own() -> None:
    part = {**run(**SURE).model_dump(), "run_id": "run-2"}
    text = page("en", run(step="plate", kind="plate", difference_pct=None, parts=[part]))
    sure = "plate to plate ±1.8 %, against the meter ±14 % (k = 2)"
    assert f"340.0 mJ/cm² of 340.0 mJ/cm² · {sure}" in text


@pytest.mark.parametrize(
    ("u_pct", "text"), [(13.96, "±14 %"), (1.8447, "±1.8 %"), (0.0234, "±0.023 %"), (0.0, "±0 %")]
)
def test_u_has_two_digits(u_pct: float, text: str) -> None:
    assert Formats(Locale.parse("en_GB"), DISPLAY, UTC).expanded(u_pct) == text
