"""The budget of a dose: every line by hand, what cancels between plates, and drawn values."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from platelink.config import budget_docs
from platelink.contract.uncertainty import FEW_PCT
from platelink.sensing.budget import ASSUMED, Budget, Given, Line, OnBed, Source, Stated, budget
from platelink.sensing.gum import Shape, within
from platelink.sensing.light import LightChannel, LightSensors, Traced

ON = date(2026, 7, 15)
CHANNEL = LightChannel(
    dark_counts=18.0, slope_mw_cm2_per_count=0.02, calibrated_on=date(2026, 1, 15)
)
LIGHT = LightSensors((CHANNEL,))
GIVEN = Given(irradiance_mw_cm2=10.0, light_s=34.0, on=ON, head_c=31.0, clock_relative=2e-4)
STATED = Stated(
    fit_pct=0.4, dark_counts=0.3, resolution_counts=0.05, temperature_pct_per_c=0.03,
    nonlinearity_counts=1.5, supply_pct=0.2, drift_pct_per_year=1.0, ageing_pct_per_year=2.0,
    position_pct=3.0, cosine_pct=1.0, spectral_pct=2.0,
)  # fmt: skip


def made(light: LightSensors = LIGHT, given: Given = GIVEN, stated: Stated = STATED) -> Budget:
    found = budget(light, given, stated)
    assert found is not None
    return found


def line(found: Budget, name: str, channel: int | None = None) -> Line:
    (one,) = [x for x in found.lines if x.name == name and x.channel in (channel, 0)]
    return one


# --- line by line -------------------------------------------------------------------------------

R3 = math.sqrt(3.0)
YEARS = 181 / 365.25
BY_HAND = {  # u in percent of the dose: against the meter, between plates
    # 10 mW/cm² at 0.02 mW/cm² a count are 500 counts: a count is 0.2 % of the dose.
    "reference": (5.0, 0.0),  # nobody states it: 5 % is assumed
    "fit": (0.4, 0.0),
    "dark": (0.3 * 0.2 / R3, 0.3 * 0.2 / R3),
    "resolution": (0.05 * 0.2 / R3, 0.05 * 0.2 / R3),
    "non-linearity": (1.5 * 0.2 / R3, 0.4 * 1.5 * 0.2 / R3),
    "temperature": (0.03 * 6.0 / R3, 0.03 * 5.0 / R3),  # 31 °C against 25 °C; 5 °C in a month
    "supply": (0.2 / R3, 0.2 / R3),
    "drift": (1.0 * YEARS / R3, 1.0 / 72.0),
    "ageing": (2.0 * YEARS / R3, 2.0 / 72.0),
    "position": (3.0 / R3, 0.09 / R3),
    "cosine": (1.0 / R3, 0.03 / R3),
    "spectral": (2.0 / R3, 0.06 / R3),
    "timing": (0.01, 0.01),  # an interval of 2e-4 that holds 95 %
}


def test_every_line_by_hand() -> None:
    found = made()
    assert [one.name for one in found.lines] == list(BY_HAND)
    for name, (meter, plate) in BY_HAND.items():
        one = line(found, name)
        assert one.of_meter().part == pytest.approx(meter, rel=1e-12), name
        assert one.of_plate().part == pytest.approx(plate, rel=1e-12), name
    assert found.meter.u == pytest.approx(math.hypot(*(m for m, _ in BY_HAND.values())))
    assert found.plate.u == pytest.approx(math.hypot(*(p for _, p in BY_HAND.values())))


@pytest.mark.parametrize("name", [f.name for f in fields(Stated)])
def test_what_is_stated_is_used_and_what_is_not_is_assumed(name: str) -> None:
    """And is said to be; one more of each value makes the dose less sure."""
    without = made(stated=replace(STATED, **{name: None}))
    assert {one.source for one in made().lines if one.name != "reference"} == {
        Source.SET, Source.MEASURED,
    }  # fmt: skip
    new = [one for one in without.lines if one.source is Source.ASSUMED]
    assert [one.name for one in new if one.name != "reference"] != []
    assert new[-1].value == ASSUMED[name] and new[-1].dof == 8.0
    assert without.assumed == ("reference", new[-1].name)
    worse = replace(STATED, **{name: 10.0 * getattr(STATED, name)})
    assert made(stated=worse).meter.u > made().meter.u


def test_a_stated_reference_is_that() -> None:
    light = LightSensors((replace(CHANNEL, rel_uncertainty=0.02),))
    one = line(made(light), "reference")
    assert (one.value, one.source, one.shape) == (2.0, Source.SET, Shape.NORMAL)
    assert made(light).assumed == ()


def test_without_light_there_is_no_budget() -> None:
    for given in (replace(GIVEN, irradiance_mw_cm2=0.0), replace(GIVEN, light_s=0.0)):
        assert budget(LIGHT, given, STATED) is None


def test_a_head_that_nobody_measures_may_be_anywhere() -> None:
    known, unknown = made(), made(given=replace(GIVEN, head_c=None))
    assert line(unknown, "temperature").sensitivity == 15.0
    assert line(known, "temperature").sensitivity == 6.0


def test_a_calibration_grows_old() -> None:
    def drift(on: date) -> float:
        return line(made(given=replace(GIVEN, on=on)), "drift").sensitivity

    assert drift(date(2026, 1, 15)) == 0.0
    assert drift(date(2025, 1, 1)) == 0.0  # a clock that is wrong makes nothing younger
    assert drift(date(2028, 1, 15)) == pytest.approx(2.0, rel=2e-3)
    undated = LightSensors((replace(CHANNEL, calibrated_on=None),))
    assert line(made(undated), "drift").sensitivity == 1.0


@pytest.mark.parametrize(
    ("top_mw_cm2", "times"), [(10.0, 1.0), (8.0, 1.0), (5.0, 4.0), (40.0, 3.0)]
)
def test_far_from_the_highest_level_a_bow_is_a_larger_share_of_the_light(
    top_mw_cm2: float, times: float
) -> None:
    """By hand: levels on y = x + c x (L - x) lie c L² / 4 off their line in the middle. At 2 L the
    same parabola is 2 c L² off, of a light of 2 L: 4 times as much of it as c L² / 4 is of L; at a
    quarter of L it is 3 / 16 c L² off, 3 times as much."""
    traced = Traced(reference_pct=0.0, certificate="M-1", fit_pct=0.0, fit_dof=5, bow_pct=0.3,
                    top_mw_cm2=top_mw_cm2)  # fmt: skip
    found = made(LightSensors((replace(CHANNEL, traced=traced),)))
    one = line(found, "non-linearity")
    assert one.of_meter().part == pytest.approx(0.3 * times / R3)
    assert one.source is Source.CALIBRATION


def test_weak_light_counts_are_few() -> None:
    weak = made(given=replace(GIVEN, irradiance_mw_cm2=1.0))
    assert line(weak, "dark").sensitivity == pytest.approx(10.0 * line(made(), "dark").sensitivity)


# --- several channels ---------------------------------------------------------------------------


def four(*certificates: str) -> LightSensors:
    traced = [
        Traced(
            reference_pct=3.0, certificate=c, fit_pct=1.0, fit_dof=5, bow_pct=0.0, top_mw_cm2=14.0
        )
        for c in certificates
    ]
    return LightSensors(tuple(replace(CHANNEL, traced=one) for one in traced))


ALMOST_NOTHING = Stated(**{f.name: 0.0 for f in fields(Stated)})


def test_one_meter_errs_alike_in_four_channels_and_their_fits_do_not() -> None:
    timed = replace(GIVEN, clock_relative=0.0)
    one = made(four("M-1", "M-1", "M-1", "M-1"), timed, ALMOST_NOTHING)
    assert one.meter.u == pytest.approx(math.hypot(3.0, 1.0 / 2.0))
    each = made(four("M-1", "M-2", "M-3", "M-4"), timed, ALMOST_NOTHING)
    assert each.meter.u == pytest.approx(math.hypot(3.0 / 2.0, 1.0 / 2.0))
    pairs = made(four("M-1", "M-1", "M-2", "M-2"), timed, ALMOST_NOTHING)
    assert pairs.meter.u == pytest.approx(math.hypot(3.0 / math.sqrt(2.0), 1.0 / 2.0))
    assert one.plate.u == 0.0  # all of it cancels between plates


def test_channels_without_a_record_had_one_meter() -> None:
    channels = (replace(CHANNEL, rel_uncertainty=0.04),) * 4
    stated = replace(ALMOST_NOTHING)
    found = made(LightSensors(channels), replace(GIVEN, clock_relative=0.0), stated)
    assert found.meter.u == pytest.approx(4.0)


def test_one_converter_bows_alike_and_one_head_drifts_alike() -> None:
    channels = LightSensors((CHANNEL,) * 4)
    for name in ("nonlinearity_counts", "dark_counts"):
        stated = replace(ALMOST_NOTHING, **{name: 1.0})
        traced = made(channels, GIVEN, stated).plate.u
        assert traced == pytest.approx(made(LIGHT, GIVEN, stated).plate.u), name
    steps = replace(ALMOST_NOTHING, resolution_counts=1.0)
    timed = replace(GIVEN, clock_relative=0.0)
    alone = made(LIGHT, timed, steps).plate.u
    assert made(channels, timed, steps).plate.u == pytest.approx(alone / 2.0)


def test_a_channel_that_is_only_watched_brings_nothing() -> None:
    watched = LightSensors((CHANNEL, replace(CHANNEL, weight=0.0, rel_uncertainty=0.5)))
    assert made(watched).meter.u == pytest.approx(made().meter.u)


def test_a_u_that_few_readings_carry_holds_less_than_it_seems() -> None:
    """Student's distribution (GUM G.3): 11 degrees of freedom hold less than 93 % within k = 2."""
    assert 100.0 * within(2.0, 11.0) < FEW_PCT < 100.0 * within(2.0, 12.0)
    traced = Traced(reference_pct=0.1, certificate="M-1", fit_pct=4.0, fit_dof=2, bow_pct=0.0,
                    top_mw_cm2=12.0)  # fmt: skip
    found = made(LightSensors((replace(CHANNEL, traced=traced),)), GIVEN, ALMOST_NOTHING).meter
    assert found.dof == pytest.approx(2.0, rel=0.01)
    assert found.coverage == pytest.approx(0.8165, abs=1e-3)  # scipy.stats.t(2).cdf(2) - cdf(-2)


# --- reciprocity --------------------------------------------------------------------------------


def test_an_exponent_below_1_takes_the_sensors_errors_down_and_brings_its_own() -> None:
    law = replace(GIVEN, p=0.8, p_uncertainty=0.02, reference_mw_cm2=20.0)
    found = made(given=law)
    for name in ("reference", "dark", "temperature", "position"):
        assert line(found, name).sensitivity == pytest.approx(
            0.8 * line(made(), name).sensitivity
        ), name
    assert line(found, "timing").sensitivity == 1.0
    one = line(found, "reciprocity")
    # half of the reference irradiance: ln 2 of the dose for each 1 of p
    assert one.of_meter().part == pytest.approx(0.02 * 100.0 * math.log(2.0))
    assert line(made(given=replace(law, p_uncertainty=None)), "reciprocity").source is (
        Source.ASSUMED
    )
    assert "reciprocity" not in [x.name for x in made().lines]


# --- the first supplement of the GUM, on the dose itself ----------------------------------------

N = 200_000


def _errors(one: Line, rng: np.random.Generator) -> np.ndarray:
    if one.shape is Shape.NORMAL:
        return one.value * rng.standard_normal(N)
    return rng.uniform(-one.value, one.value, N)


@pytest.mark.parametrize("p", [1.0, 0.7])
def test_drawn_doses_lie_within_u(p: float) -> None:
    """SOURCE: JCGM 101:2008, 7: distributions drawn and put through the model itself, not through
    its first derivatives. Two channels, one meter."""
    light = LightSensors((replace(CHANNEL, rel_uncertainty=0.02), replace(
        CHANNEL, rel_uncertainty=0.02, slope_mw_cm2_per_count=0.03, weight=2.0)))  # fmt: skip
    law = Given(irradiance_mw_cm2=10.0, light_s=34.0, on=ON, head_c=31.0, clock_relative=2e-4,
                p=p, p_uncertainty=0.03, reference_mw_cm2=12.0)  # fmt: skip
    found = made(light, law)
    rng = np.random.default_rng(7)
    common = rng.standard_normal(N)  # the meter's
    shared = {name: rng.uniform(-1.0, 1.0, N) for name in ("dark", "non-linearity")}
    total = np.zeros(N)
    factor, exponent = np.ones(N), np.full(N, p)
    for i, channel in enumerate(light.channels):
        counts = 10.0 / channel.slope_mw_cm2_per_count * np.ones(N)
        slope = channel.slope_mw_cm2_per_count * (1.0 + 0.02 * common)
        for one in found.lines:
            if one.channel != i:
                continue
            if one.name in shared:
                counts += one.value * shared[one.name]
            elif one.name == "resolution":
                counts += _errors(one, rng)
            elif one.name == "fit":
                slope *= 1.0 + _errors(one, rng) / 100.0
        total += channel.weight * slope * counts
    for one in found.lines:
        if one.channel is not None:
            continue
        drawn = _errors(one, rng)
        if one.name == "reciprocity":
            exponent += drawn
        elif one.name == "timing":
            factor *= 1.0 + drawn / 100.0
        else:  # of the irradiance: 31 °C are 6 away, and the calibration is 181 days old
            far = {"temperature": 6.0, "drift": YEARS, "ageing": YEARS}.get(one.name, 1.0)
            total *= 1.0 + far * drawn / 100.0
    dose = 12.0 * (total / 12.0) ** exponent * 34.0 * factor
    off_pct = 100.0 * (dose / (12.0 * (10.0 / 12.0) ** p * 34.0) - 1.0)
    assert off_pct.std() == pytest.approx(found.meter.u, rel=0.01)
    assert np.mean(np.abs(off_pct) <= found.meter.expanded) == pytest.approx(0.9545, abs=0.006)


# --- the document -------------------------------------------------------------------------------


def test_the_budgets_of_the_document_are_those_of_the_code() -> None:
    path = Path(__file__).parents[2] / "docs/uncertainty.md"
    assert path.read_text("utf-8") == budget_docs.page(path.read_text("utf-8"))


def test_its_sums_are_what_its_lines_come_to() -> None:
    for stated in (False, True):
        text = budget_docs.tables().split("### ")[1 + stated]
        rows = [[cell.strip() for cell in row.split("|")] for row in text.splitlines()]
        lines = [row for row in rows if len(row) == 10 and row[8] in set(Source)]
        assert len(lines) == 13
        sums = next(row for row in rows if "combined, k = 1" in row)
        for column in (6, 7):
            by_hand = math.hypot(*(float(row[column]) for row in lines))
            assert float(sums[column]) == pytest.approx(by_hand, abs=2e-3)


def test_the_figures_of_the_readme_are_those_of_the_code() -> None:
    text = " ".join((Path(__file__).parents[2] / "README.md").read_text("utf-8").split())
    found = budget_docs.typical(stated=False)
    plate, meter = (round(one.expanded) for one in (found.plate, found.meter))
    assert f"the second is about {plate} % and the third {meter} %" in text


def test_a_measured_bed_goes_before_what_is_stated_of_position() -> None:
    placed = OnBed(
        experiment="bed-2", place_cm=(12.0, 3.0, 4.0, 6.0), low_pct=2.0, mean_pct=4.0, high_pct=6.0,
        position_pct=6.2,
    )  # fmt: skip
    known = budget(LIGHT, GIVEN, STATED, placed)
    anywhere = budget(LIGHT, GIVEN, STATED, replace(placed, place_cm=None))
    assert known is not None and anywhere is not None
    for found in (known, anywhere):
        one = line(found, "position")
        assert (one.value, one.source, one.dof) == (6.2, Source.EXPERIMENT, math.inf)
        assert one.of_meter().part == pytest.approx(6.2 / R3)
    # plates at one place err alike; plates that lie anywhere do not
    assert line(known, "position").of_plate().part == pytest.approx(0.03 * 6.2 / R3)
    assert line(anywhere, "position").of_plate().part == pytest.approx(6.2 / R3)
    assert anywhere.plate.expanded > made().plate.expanded
    assert known.meter.expanded > made().meter.expanded
    assert [x for x in known.lines if x.name != "position"] == [
        x for x in made().lines if x.name != "position"
    ]
