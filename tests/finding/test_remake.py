"""Plates made again: what is told of each thing that decided them, and what the draft has.

Sums are compared with those of the check of a record, which shares no code with the controller, and
with Arrhenius's and Schwarzschild's laws written out here.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest
from record import make

from finding.remade_plate import recipe
from finding.test_lamp_scale import calibrated, scale
from finding.test_lamp_scale import made as made_by
from finding.test_lamps import shop
from platelink.contract.remake import RemakeLine
from platelink.contract.story import StageTold
from platelink.finding.remake_light import Exponent, lamps_line, law_for, light_of
from platelink.finding.remake_parts import (
    Oven,
    bake_of,
    contact_of,
    film_of,
    lot_of,
    screen_of,
    wash_of,
)
from platelink.finding.remake_scale import PLAIN, Given, LampsToday, Law, OnToday, restated
from platelink.finding.scale import Rescaling
from platelink.recipe.model import ReciprocitySection
from platelink.recipe.steps import BakeStep, ExposeStep, WashStep
from platelink.recipe.supplies import Film, FilmNow, Lot, LotNow, Screen, ScreenNow
from platelink.record.light import LightCalibration
from platelink.record.stored import LightScale, RunRecord
from platelink.runs import RunEnd
from platelink.sensing.calibration import Cause, Line
from platelink.sensing.vacuum import GaugeKind, Signal, VacuumSensor

FILM, SCREEN = (step for step in recipe().step if step.name in ("film", "screen"))
DRY = next(step for step in recipe().step if isinstance(step, BakeStep))
WASH = next(step for step in recipe().step if isinstance(step, WashStep))
assert isinstance(FILM, ExposeStep) and isinstance(SCREEN, ExposeStep)
P = Exponent("reciprocity-1", 0.86, 0.84, 0.88, 3.0, 13.0)
DAY = date(2026, 6, 1)


def run(dose: float = 340.0, light_s: float = 30.0, **data: Any) -> RunRecord:
    journal: Any = type("Ids", (), {"next_id": lambda _: "1"})()
    end = RunEnd(**make.common(journal), run_id="r1", state="complete", reason="done",
                 dose_mj_cm2=dose, light_s=light_s, samples=0, events=0, data=data)  # fmt: skip
    return RunRecord(make.start(journal, "r1"), None, end)


def given(
    dose: float = 340.0, by: float = 1.0, level: float | None = 12.0, law: Law = PLAIN,
    causes: tuple[Cause | None, ...] = (), channels: tuple[float, ...] = (), nth: int = 1,
) -> Given:  # fmt: skip
    after = LightScale("light 0@2", "2026-05-01", 0.0161, 1.0, {})
    same = (Cause.ROUTINE, Cause.NEW_LAMPS)
    changes = tuple(Rescaling(0, 0, after, c, by if c in same else None) for c in causes)
    return Given(run(dose), dose * by**law.p, dose, False, level, law, changes, channels, nth)


def lamps(
    level: float | None = 12.0, limit_s: float | None = 1800.0, channels: tuple[float, ...] = (),
    nth: int = 1,
) -> LampsToday:  # fmt: skip
    return LampsToday(nth, level, date(2026, 5, 30), channels, 2.0, limit_s)


def of(lines: list[RemakeLine], what: str) -> RemakeLine:
    (found,) = [line for line in lines if line.what == what]
    return found


# --- light ---------------------------------------------------------------------------------------


def test_nothing_changed_is_the_recipes_dose() -> None:
    told = light_of(FILM, [given(340.1)], lamps(), found=None, section=None)
    assert told.dose_mj_cm2 is None and told.evidence == ""
    assert {line.match for line in told.lines} == {"same"}
    dose = of(told.lines, "dose")
    assert (dose.then, dose.today, dose.low) == (340.1, 340.0, None)


def test_the_same_counts_by_todays_calibration_and_between_what_it_lies() -> None:
    told = light_of(FILM, [given(by=1.08, causes=(Cause.ROUTINE,))], lamps(), found=None,
                    section=None)  # fmt: skip
    dose = of(told.lines, "dose")
    assert told.dose_mj_cm2 == pytest.approx(340.0 * 1.08) and dose.match == "changed"
    # the sensor may have changed after the plate: then its dose was right
    assert (dose.low, dose.high) == pytest.approx((340.0, 367.2))
    assert "+8.0 % by light 0@2" in dose.text and "340 to 367.2" in told.evidence


@pytest.mark.parametrize("cause", [Cause.NEW_SENSOR, Cause.CLEANED, None])
def test_on_another_scale_the_dose_is_the_reference_meters_and_said_not_to_be_known(
    cause: Cause | None,
) -> None:
    told = light_of(FILM, [given(causes=(cause,))], lamps(), found=None, section=None)
    assert told.dose_mj_cm2 is None and of(told.lines, "dose").match == "not known"
    assert "reference meter" in of(told.lines, "dose").text


def test_a_dose_that_was_stated_again_is_taken_as_it_was_stated() -> None:
    one = restated(given(by=1.08, causes=(Cause.ROUTINE,)), 355.0)
    told = light_of(FILM, [one], lamps(), found=None, section=None)
    dose = of(told.lines, "dose")
    assert (dose.then, told.dose_mj_cm2, dose.low) == (355.0, 355.0, None)
    assert "stated again" in dose.text


def test_two_exposures_of_a_step_are_one_dose() -> None:
    told = light_of(FILM, [given(200.0), given(149.0)], lamps(), found=None, section=None)
    assert told.dose_mj_cm2 == pytest.approx(349.0)


def seconds(dose: float, section: ReciprocitySection | None, level: float) -> float:
    """How long a controller exposes, by the check's own law."""
    law = LightCalibration.model_validate({
        "channels": [{"dark_counts": 0.0, "slope_mw_cm2_per_count": 1.0}],
        "reciprocity_p": 1.0 if section is None else section.p,
        "reference_mw_cm2": 10.0 if section is None else section.reference_mw_cm2,
    })  # fmt: skip
    return dose / float(law.rate_mw_cm2(np.array([level]))[0])


@pytest.mark.parametrize("own", [None, ReciprocitySection(p=1.1, reference_mw_cm2=9.0)])
@pytest.mark.parametrize("now", [7.0, 12.0])
def test_the_effect_is_the_same_by_the_stocks_p(own: ReciprocitySection | None, now: float) -> None:
    law = Law(1.0, 10.0) if own is None else Law(own.p, own.reference_mw_cm2)
    one = given(340.0, law=law)
    section = law_for(own, P, [one])
    assert section is not None and section.p == 0.86
    told = light_of(FILM, [one], lamps(now), found=P, section=section)
    dose = told.dose_mj_cm2 or FILM.dose_mj_cm2
    then_s, now_s = seconds(340.0, own, 12.0), seconds(dose, section, now)
    # Schwarzschild: effect ~ E^p · t
    assert now**0.86 * now_s == pytest.approx(12.0**0.86 * then_s, rel=2e-3)
    light = of(told.lines, "light")
    assert light.match == "changed" and "reciprocity-1" in light.text
    assert of(told.lines, "light time").today == pytest.approx(now_s + 2.0, rel=1e-3)


def test_the_interval_of_p_says_how_far_the_dose_may_be_off() -> None:
    wide = replace(P, low=0.7, high=0.97)
    section = law_for(None, wide, [given()])
    light = of(light_of(FILM, [given()], lamps(6.0), found=wide, section=section).lines, "light")
    assert light.match == "differs"
    ends = [100.0 * (0.5 ** (p - 0.86) - 1.0) for p in (0.7, 0.97)]
    assert light.off_pct == pytest.approx(max(ends, key=abs), abs=0.01)
    # with p = 1 in it nothing is corrected, and the same is told
    barely = replace(P, p=0.97, low=0.9, high=1.04)
    assert law_for(None, barely, [given()]) is None
    light = of(light_of(FILM, [given()], lamps(6.0), found=barely, section=None).lines, "light")
    assert light.match == "differs" and light.off_pct == pytest.approx(
        100.0 * (0.5 ** (0.9 - 1.0) - 1.0), abs=0.01
    )


def test_p_is_not_used_beyond_the_levels_it_was_found_at() -> None:
    assert law_for(None, P, [given(level=30.0)]) is None
    told = light_of(FILM, [given(level=30.0)], lamps(12.0), found=P, section=None)
    assert of(told.lines, "light").match == "not known"
    assert "3.0 to 13.0 mW/cm² only" in of(told.lines, "light").text


def test_a_recipes_own_p_is_kept_where_the_experiment_does_not_exclude_it() -> None:
    own = ReciprocitySection(p=0.87, reference_mw_cm2=10.0)
    assert law_for(own, P, [given()]) == own == law_for(own, None, [given()])


def test_without_an_experiment_it_is_said_what_p_would_be_worth() -> None:
    def light(now: float) -> RemakeLine:
        return of(light_of(FILM, [given()], lamps(now), found=None, section=None).lines, "light")

    assert light(11.5).match == "same"
    assert light(6.0).match == "not known" and "6.7 % of dose" in light(6.0).text
    assert of(
        light_of(FILM, [given(level=None)], lamps(), found=None, section=None).lines, "light"
    ).match == "not known"  # fmt: skip
    told = light_of(FILM, [given()], lamps(None), found=None, section=None).lines
    assert "make one, and ask again" in of(told, "light").text
    assert not [line for line in told if line.what == "light time"]


def test_lamps_too_weak_for_the_limit_are_said_with_the_share_that_is_missing() -> None:
    told = light_of(FILM, [given()], lamps(3.0, limit_s=90.0), found=None, section=None)
    time = of(told.lines, "light time")
    assert time.match == "cannot" and time.today == pytest.approx(340.0 / 3.0 + 2.0, rel=1e-3)
    assert time.off_pct == pytest.approx(100.0 * (88.0 * 3.0 / 340.0 - 1.0), abs=0.01)
    assert "replace the lamps" in time.text


def test_other_lamps_and_other_shares_of_the_channels_are_told() -> None:
    assert lamps_line([given(channels=(12.0, 12.0))], lamps(channels=(9.0, 9.1))) == []
    (line,) = lamps_line([given(nth=1)], lamps(nth=2))
    assert (line.match, line.then, line.today) == ("not known", "set 1", "set 2")
    (line,) = lamps_line([given(channels=(12.0, 12.0))], lamps(channels=(9.0, 11.0)))
    assert line.match == "differs" and line.off_pct == pytest.approx(10.0)
    assert lamps_line([], lamps(nth=2)) == []


def test_a_step_without_a_dose_stays_as_the_recipe_has_it() -> None:
    told = light_of(FILM, [], lamps(), found=P, section=None)
    assert told.dose_mj_cm2 is None and of(told.lines, "dose").match == "not known"


# --- contact -------------------------------------------------------------------------------------

GAUGE = VacuumSensor(
    kind=GaugeKind.GAUGE, signal=Signal.VOLTAGE, adc_bits=10, adc_reference_v=5.0,
    barometer_kpa=101.3, kpa_low=0.0, kpa_high=-100.0,
)  # fmt: skip


def contact(
    then: list[float], newest: list[float], *, gauge: VacuumSensor | None = GAUGE,
    was: dict[str, Any] | None = None, now: dict[str, Any] | None = None,
) -> Any:  # fmt: skip
    return contact_of(SCREEN, then, newest, gauge=gauge, then=was or {}, today=now or {})


@pytest.mark.parametrize(
    ("then", "newest", "match", "off"),
    [([78.0], [77.0] * 3, "same", None), ([78.0], [71.0, 70.0, 72.0], "differs", -8.97),
     ([78.0], [50.0], "cannot", -35.9), ([], [78.0], "not known", None),
     ([78.0], [], "not known", None)],
)  # fmt: skip
def test_the_vacuum_of_then_and_of_the_newest_exposures(
    then: list[float], newest: list[float], match: str, off: float | None
) -> None:
    line = of(contact(then, newest).lines, "contact")
    assert line.match == match
    assert line.off_pct == (None if off is None else pytest.approx(off, abs=0.01))


def test_without_a_gauge_or_with_one_that_cannot_tell_the_band_it_cannot_be_made() -> None:
    assert of(contact([78.0], [78.0], gauge=None).lines, "contact").match == "cannot"
    weak = replace(GAUGE, kpa_high=-60.0)
    assert of(contact([78.0], [78.0], gauge=weak).lines, "contact").match == "cannot"


def test_hold_rules_that_the_recipe_leaves_to_the_unit_are_those_of_then() -> None:
    told = contact([78.0], [78.0], was={"hold_test_s": 5.0}, now={"hold_test_s": 3.0})
    assert told.changes == {"hold_test_s": 5.0}
    assert of(told.lines, "hold test").match == "changed"
    assert contact([78.0], [78.0], was={"hold_test_s": 3.0}, now={"hold_test_s": 3.0}).changes == {}
    film = contact_of(FILM, [78.0], [78.0], gauge=GAUGE, then={"hold_test_s": 5.0}, today={})
    assert film.changes == {}  # the recipe has its own


# --- oven, water ---------------------------------------------------------------------------------

REACH = (-40.0, 150.0)


def bake(mean_c: float | None, in_band_s: float = 840.0) -> RunRecord:
    return run(in_band_s=in_band_s, mean_c=mean_c)


def test_the_same_drying_in_a_cooler_oven_takes_longer_by_arrhenius() -> None:
    oven = Oven(REACH, [(DRY.low_c, DRY.high_c, 56.5)] * 3)
    told = bake_of(DRY, [bake(58.5)], oven)
    rate = math.exp(80_000.0 / 8.314462618 * (1.0 / (56.5 + 273.15) - 1.0 / (58.5 + 273.15)))
    assert told.changes["in_band_s"] == pytest.approx(840.0 * rate, abs=5.0)
    assert of(told.lines, "bake").match == of(told.lines, "oven mean").match == "changed"
    # bakes of another band say nothing of this one
    other = bake_of(DRY, [bake(58.0)], Oven(REACH, [(40.0, 45.0, 42.0)]))
    assert other.changes == {} and "nominal" in of(other.lines, "oven mean").text


def test_without_an_activation_energy_minutes_stay_and_the_difference_is_told() -> None:
    plain = DRY.model_copy(update={"activation_energy_kj_mol": None})
    told = bake_of(plain, [bake(58.5)], Oven(REACH, [(DRY.low_c, DRY.high_c, 56.5)]))
    assert told.changes == {} and of(told.lines, "oven mean").match == "not known"
    near = bake_of(plain, [bake(58.5)], Oven(REACH, [(DRY.low_c, DRY.high_c, 58.0)]))
    assert of(near.lines, "oven mean").match == "same"


def test_bakes_of_a_step_add_up_and_one_without_minutes_is_none() -> None:
    told = bake_of(DRY, [bake(58.0, 500.0), bake(58.0, 440.0), run()], Oven(REACH, []))
    assert told.changes == {"in_band_s": 940.0}
    none = bake_of(DRY, [run()], Oven(REACH, []))
    assert none.changes == {} and of(none.lines, "bake").match == "not known"


@pytest.mark.parametrize("reach", [None, (-40.0, 60.0)])
def test_an_oven_that_cannot_tell_the_limits_is_said(reach: tuple[float, float] | None) -> None:
    told = bake_of(DRY, [bake(58.0)], Oven(reach, []))
    assert of(told.lines, "oven").match == "cannot"


def test_another_calibration_of_the_oven_is_put_on_its_scale_or_said_not_to_compare() -> None:
    line = Line(offset=1.5, gain=1.0, covariance=((0.0, 0.0), (0.0, 0.0)), dof=3, residuals=(),
                residual_sd=0.1, bow=0.0, x_low=20.0, x_high=100.0)  # fmt: skip
    names = ("as configured", "oven@1")
    bands = [(DRY.low_c, DRY.high_c, 58.0)]
    told = bake_of(DRY, [bake(58.0)], Oven(REACH, bands, line=line, names=names))
    mean = of(told.lines, "oven mean")
    assert mean.then == pytest.approx(59.5) and "+1.5 K" in mean.text
    rate = math.exp(80_000.0 / 8.314462618 * (1.0 / 331.15 - 1.0 / 332.65))
    assert told.changes["in_band_s"] == pytest.approx(840.0 * rate, abs=5.0)
    apart = bake_of(DRY, [bake(58.0)], Oven(REACH, bands, comparable=False, names=names))
    assert of(apart.lines, "oven mean").match == "not known" and apart.changes == {}


def test_a_stage_beyond_its_tolerance_is_made_as_it_was_timed() -> None:
    def stage(name: str, planned_s: float, actual_s: float) -> StageTold:
        return StageTold(name=name, planned_s=planned_s, actual_s=actual_s, held_s=0.0, how="late",
                         water_mean_c=24.0, by="A. Example")  # fmt: skip

    told = wash_of(WASH, [stage("soak", 25.0, 41.3), stage("rub", 30.0, 33.0)])
    assert [one["duration_s"] for one in told.changes["stage"]] == [41.0, 30.0, 12.0]
    assert (of(told.lines, "soak").match, of(told.lines, "rub").match) == ("changed", "same")
    assert of(told.lines, "rinse").match == "not known"
    assert of(told.lines, "water").then == 24.0
    assert wash_of(WASH, [stage("soak", 25.0, 29.0)]).changes == {}


# --- screen and lot ------------------------------------------------------------------------------


def lot(name: str, stock: str = "example-stock-a", **more: Any) -> LotNow:
    made = Lot(name=name, stock=stock, received_on=date(2026, 1, 1), area_cm2=5000.0,
               best_before=more.pop("best_before", None))  # fmt: skip
    return LotNow(made, None, more.pop("left", 4000.0), 3, more.pop("closed", None))


@pytest.mark.parametrize(
    ("lots", "match", "today"),
    [([lot("a"), lot("b")], "same", "a"),
     ([lot("a", left=100.0), lot("b")], "differs", "b"),
     ([lot("a", closed="used up"), lot("b", stock="another")], "cannot", None),
     ([lot("a", best_before=date(2026, 5, 1)), lot("b", closed="spoilt")], "not known", "a"),
     ([], "cannot", None)],
)  # fmt: skip
def test_the_same_lot_or_another_of_its_stock(
    lots: list[LotNow], match: str, today: str | None
) -> None:
    line = lot_of("a", "example-stock-a", 300.0, lots, today=DAY, expired="warn")
    assert (line.match, line.today) == (match, today)
    assert line.off_pct == (16.0 if match == "differs" else None)


def test_a_lot_that_may_not_be_used_past_its_date_is_gone() -> None:
    old = lot("a", best_before=date(2026, 5, 1))
    line = lot_of("a", "example-stock-a", 300.0, [old], today=DAY, expired="block")
    assert line.match == "cannot"
    assert lot_of(None, None, 0.0, [old], today=DAY, expired="warn").match == "not known"


@pytest.mark.parametrize(
    ("uses", "closed", "match"),
    [(3, None, "same"), (900, None, "not known"), (3, "torn", "cannot")],
)
def test_the_same_screen(uses: int, closed: str | None, match: str) -> None:
    name = "example-screen-fine"
    screen = Screen(name=name, ruling_lines_per_cm=120.0, tint_pct=80.0, max_uses=900)
    (line,) = screen_of(SCREEN, {name: ScreenNow(screen, uses, closed)})
    assert line.match == match
    assert screen_of(SCREEN, {})[0].match == "cannot" and screen_of(FILM, {}) == []


def film(density: float | None = 4.2, **more: Any) -> FilmNow:
    made = Film(name="F-1", artwork="Invented", made_on=date(2026, 1, 2), density=density,
                max_uses=50)  # fmt: skip
    return FilmNow(made, more.pop("uses", 3), more.pop("closed", None))


@pytest.mark.parametrize(
    ("films", "match"),
    [([film()], "same"), ([film(uses=50)], "not known"), ([film(closed="torn")], "cannot"),
     ([film(3.1)], "not known"), ([film(None)], "not known"), ([], "not known")],
)  # fmt: skip
def test_the_same_artwork_film(films: list[FilmNow], match: str) -> None:
    line = film_of("F-1", films, least_density=3.5, today=DAY)
    assert (line.match, line.then) == (match, "F-1")
    assert (line.today == "F-1") is (match != "cannot" and bool(films))


@pytest.mark.parametrize("now_ms", [0, 4_000_000_000_000])
def test_a_computers_clock_that_was_ahead_hides_no_change_of_scale(now_ms: int) -> None:
    runs = calibrated(shop(30), 1.0, "light 0@1")
    kept = OnToday(runs, [], [], runs[-1].light, now_ms=now_ms, limit_s=None)
    assert kept.now.level_mw_cm2 is not None and kept.now.nth_set == 1
    other = made_by(2, Cause.NEW_SENSOR, day=29.9)
    after = (scale("light 0@2", 0.02),)
    lamps_now = OnToday(runs, [], [other], after, now_ms=now_ms, limit_s=None).now
    assert lamps_now.level_mw_cm2 is None  # nothing was exposed by it yet
