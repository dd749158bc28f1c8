"""What a record's view says of a dose: three numbers, in both languages, never one alone."""

from __future__ import annotations

import re
from datetime import UTC
from typing import Any

import pytest
from babel import Locale

from platelink.contract.predicted import CauseLikely, DepthFrom, DepthPredicted, PointPredicted
from platelink.contract.runs import Events, RecordedEvent, RunWhole
from platelink.contract.story import RunStory
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
        "channels": [], "data": {}, "parts": [], "screens": [], "alarms": [], "corrections": [],
        "notes": [],
    }  # fmt: skip
    return RunWhole.model_validate(values | more)


STORY = RunStory(
    run_id="run-1", steps=[], stages=[], depths=[], checks=[], inspection_note="", deviations=[],
    alarms=[], people=[], marks=[],
)  # fmt: skip
FEW = {**STATED, "against_meter_dof": 3.0, "against_meter_holds_pct": 86.1}


def page(code: str, shown: RunWhole, *events: RecordedEvent, story: RunStory = STORY,
         depth: DepthPredicted | None = None) -> str:  # fmt: skip
    text = whole(code, shown, *events, story=story, depth=depth)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text))


def whole(code: str, shown: RunWhole, *events: RecordedEvent, story: RunStory = STORY,
          depth: DepthPredicted | None = None) -> str:  # fmt: skip
    context = {
        "run": shown, "events": Events(events=list(events)), "recipe_steps": {},
        "limits": limits_of,
        "budget": uncertainty_in(shown.data), "f": Formats(Locale.parse(code), DISPLAY, UTC),
        "asset": str, "ahead": AHEAD, "languages": LANGUAGES.values(), "language": LANGUAGES[code],
        "story": story, "depth": depth,
        "over": "", "over_runs": {}, "over_choices": [], "most_printed": 24,
        "path": "/records/run-1", "few_pct": FEW_PCT, "least_doubt": 0.05, "rights": (), "me": None,
    }  # fmt: skip
    return Templates(LANGUAGES).render(LANGUAGES[code], "record.html", context)


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
            "Assumed, because not stated: colour of the light.",
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
        "In doubt up to 12.5 mJ/cm² more or 3.0 mJ/cm² less may have been given; none of "
        "these figures"
    )
    assert told in text
    assert "Im Zweifel bis zu 12,5 mJ/cm² mehr" in page("de", run(**SURE | doubt))


def test_a_u_with_little_behind_it_says_so() -> None:
    assert "It covers" not in page("en", run(**SURE))
    text = page("en", run(**SURE | {"data": {"uncertainty": FEW}}))
    few = "at the plate It covers only 86 % of cases: it rests on few readings."
    assert few in text and text.count("It covers") == 1
    assert "86 % der Fälle" in page("de", run(**SURE | {"data": {"uncertainty": FEW}}))


def test_a_run_that_recorded_none_says_so_beside_the_first() -> None:
    text = page("en", run())
    assert "Control +0.003 %" in text
    assert "Plate to plate not recorded with this run" in text
    assert "Against the meter not recorded with this run" in text
    assert "How certain the dose is" not in text


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


def test_what_happened_is_read_in_the_language_and_said_to_be_translated() -> None:
    event = RecordedEvent(
        id="e-1", unit="unit-1", kind="event", ticks=None, data={}, run_id="run-1",
        at_utc="2026-03-02T08:00:01.000+00:00", name="learned", text="after-glow 4.7 ms",
    )  # fmt: skip
    german, english = page("de", run(), event), page("en", run(), event)
    assert "Lampenwerte aufgezeichnet" in german and "Nachleuchten 4,7 ms" in german
    assert "behält die englischen Worte" in german
    assert "lamp values recorded" in english and "after-glow 4.7 ms" in english
    assert "learned" not in german + english and "Translated" not in english


def test_a_question_of_the_recipe_is_read_in_the_language() -> None:
    asked = {"name": "dots", "yes": True,
             "question": "[de] Stehen alle Punkte?\n[en] Are all dots standing?"}  # fmt: skip
    story = RunStory.model_validate(STORY.model_dump() | {"checks": [asked]})
    german, english = (page(code, run(), story=story) for code in ("de", "en"))
    assert "Stehen alle Punkte?" in german and "Are all" not in german
    assert "Are all dots standing?" in english and "Stehen" not in english


def test_a_sealed_record_has_its_report_and_a_plate_its_label() -> None:
    def links(**more: Any) -> list[str]:
        return re.findall(r'href="(/api/[^"]*(?:report|label)[^"]*)"', whole("en", run(**more)))

    seal = {
        "state": "sealed", "kind": "plate", "name": "P 1", "index": 0, "checkpoint": None,
        "sealed_utc": "2026-03-02T09:00:00.000Z",
    }  # fmt: skip
    base = "/api/v1/runs/run-1/"
    reports = [f"{base}report?form=pdf", f"{base}report?form=html"]
    assert links() == []
    assert links(seal=seal) == reports
    assert links(seal=seal, kind="plate", step="plate") == [*reports, f"{base}label"]
    assert links(seal=seal | {"state": "not sealed"}, kind="plate", step="plate") == [
        f"{base}label"
    ]
    assert "Bericht (PDF)" in page("de", run(seal=seal))


def predicted(verdict: str, **more: Any) -> DepthPredicted:
    """Of an invented plate."""
    point = PointPredicted(
        point="large area", limit_low_um=22.0, limit_high_um=27.0, depth_um=24.61, low_um=22.9,
        high_um=26.34, measured_um=None, learned_from=61, verdict=verdict, text="",
    )  # fmt: skip
    record = DepthFrom(
        step="screen", exposed_utc="2026-03-02T08:00:00.000+00:00", dose_mj_cm2=240.0, lot="L-1",
        days_open=3.0, bath_days=None, bath_m2=None, contact_kpa=0.1, light_off_pct=None,
        not_recorded=[],
    )  # fmt: skip
    given: dict[str, Any] = {"record": record, "points": [point], "picked": False, "causes": []}
    return DepthPredicted(
        plate="run-1", verdict=verdict, text="", why_no_causes="", symptoms=[], **(given | more)
    )


@pytest.mark.parametrize(
    ("verdict", "more", "says"),
    [
        ("go on", {}, "it need not be measured"),
        ("go on", {"picked": True}, "measured all the same"),
        ("measure", {}, "or too little is known: measure it"),
        ("stop before wash", {}, "do not wash it, find the cause"),
        ("cannot tell", {}, "cannot be predicted yet"),
    ],
)
def test_the_depth_predicted_stands_with_the_plate(
    verdict: str, more: dict[str, Any], says: str
) -> None:
    text = page("en", run(kind="plate", step="plate"), depth=predicted(verdict, **more))
    assert says in text
    others = {"it need not be measured", "measured all the same", "too little is known",
              "do not wash it", "cannot be predicted yet"}  # fmt: skip
    assert sum(one in text for one in others) == 1
    assert "22.0–27.0 µm 24.6 µm 22.9–26.3 µm –" in text and "61" in text


def test_causes_are_told_with_the_plate_and_nothing_where_the_record_says_nothing() -> None:
    causes = [
        CauseLikely(cause="contact", probability=0.81, speaks=["vacuum lost"], look=""),
        CauseLikely(cause="nothing", probability=0.17, speaks=[], look=""),
        CauseLikely(cause="bake", probability=0.02, speaks=[], look=""),
    ]
    shown, plate = predicted("measure", causes=causes), run(kind="plate", step="plate")
    assert "contact 0.81 · vacuum lost chance alone 0.17" in page("en", plate, depth=shown)
    assert "Kontakt 0,81 · Vakuum verloren" in page("de", plate, depth=shown)
    assert "Where to look first" not in page("en", plate, depth=predicted("measure"))
    silent = predicted("cannot tell", record=None, points=[])
    assert "before the wash" not in page("en", plate, depth=silent)
    assert "before the wash" not in page("en", plate)
