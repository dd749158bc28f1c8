"""Calibrations among the exposures of a lamp set: a change of scale is none of the lamps.

The truth is that of the invented shop; a routine calibration by another slope multiplies what is
recorded and nothing else.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from calibrations.make import DARK, PLAN

from finding.test_lamps import at, longest, shop, told
from platelink.calibrations.made import Made, Signed
from platelink.contract.lamps import LampsNow
from platelink.events.unit import LampsChanged, LampsCleaned, LampsMeasured
from platelink.finding.lamps import lamps_now
from platelink.record.stored import LightScale, LitRun
from platelink.runs import RunEvent
from platelink.sensing.calibration import Cause

DAY = 42
"""A Monday with many days on both sides."""
SLOPE = 0.0149


def made(
    revision: int, cause: Cause = Cause.ROUTINE, day: float = DAY, channel: int = 0,
    dropped: bool = False,
) -> Made:  # fmt: skip
    """Approved on a day, begun an hour before."""
    begun = Signed("A. Example", at(day) - timedelta(hours=1), "")
    lead = Signed("B. Example", at(day) - timedelta(minutes=10), "compared")
    return Made(
        sensor=f"light {channel}", revision=revision, plan=replace(PLAN, cause=cause), begun=begun,
        dark=DARK, approved=lead, dropped=lead if dropped else None,
    )  # fmt: skip


def scale(name: str = "light 0@1", slope: float = SLOPE, **settings: Any) -> LightScale:
    return LightScale(name, "2026-03-01", slope, 1.0, {"temp_coeff_per_c": 0.0} | settings)


def calibrated(
    runs: list[LitRun], by_slope: float, name: str = "light 0@2", *, n: int = 1, day: float = DAY,
    counts: float = 1.0, before: str = "light 0@1", **settings: Any,
) -> list[LitRun]:  # fmt: skip
    """From a day on the first channel is read by another slope, and counts so much more."""
    others = tuple(scale(f"light {i}@1") for i in range(1, n))
    since, found = at(day).timestamp() * 1000, []
    for run in runs:
        if run.at_ms < since:
            found.append(replace(run, light=(scale(before), *others)))
            continue
        own = list(run.lamps["channels_mw_cm2"])
        own[0] *= by_slope * counts
        share = sum(own) / n / run.lamps["irradiance_mw_cm2"]
        found.append(replace(
            run, light=(scale(name, SLOPE * by_slope, **settings), *others),
            dose_mj_cm2=run.dose_mj_cm2 * share if run.dose_mj_cm2 else None,
            lamps=run.lamps | {"channels_mw_cm2": own, "irradiance_mw_cm2": sum(own) / n},
        ))  # fmt: skip
    return found


def found(runs: list[LitRun], *known: Made, events: tuple[RunEvent, ...] = ()) -> LampsNow:
    names = [f"head-{i}" for i in range(4)]
    return lamps_now(runs, list(events), longest(160.0), names=names, made=known)


# --- a change of scale alone ---------------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 4])
def test_a_slope_of_8_percent_more_is_no_step_and_leaves_the_fade(n: int) -> None:
    plain = shop(90, n)
    truth, now = found(plain), found(calibrated(plain, 1.08, n=n), made(1, day=-9), made(2))
    assert now.steps == [] == truth.steps
    assert now.fade_pct == pytest.approx(truth.fade_pct, abs=0.01)
    assert now.fade_low_pct == pytest.approx(truth.fade_low_pct, abs=0.01)
    assert now.warm_up_s == truth.warm_up_s
    assert now.channels[0].change_pct == pytest.approx(truth.channels[0].change_pct, abs=0.01)
    assert now.channels[0].now_mw_cm2 == pytest.approx(1.08 * truth.channels[0].now_mw_cm2, 1e-3)
    (changed,) = now.scales
    assert changed.rescaled_pct == pytest.approx(8.0) and changed.changed_pct is None
    assert (changed.sensor, changed.calibration, changed.cause) == (
        "head-0",
        "light 0@2",
        "routine",
    )
    assert changed.at_utc.startswith(at(DAY).date().isoformat())
    assert now.forecast is not None and truth.forecast is not None
    if n == 1:  # by the new scale the lamps are so much stronger, and the dose so much sooner
        now_s, true_s = now.forecast.now_s - 4.0, truth.forecast.now_s - 4.0
        assert now_s == pytest.approx(true_s / 1.08, rel=0.02)


def test_without_knowing_the_calibration_it_would_be_a_step() -> None:
    """The world in which the rescaling shows: the same levels, and no calibration on record."""
    runs = [replace(run, light=()) for run in calibrated(shop(90), 1.08)]
    (step,) = found(runs).steps
    assert step.changes_pct[0] == pytest.approx(8.0, abs=1.0)


def test_several_calibrations_multiply_and_a_mixed_day_is_one_day() -> None:
    plain = shop(90)
    once = calibrated(plain, 1.08, day=DAY + 0.06)
    twice = [
        replace(run, light=(scale("light 0@3", SLOPE * 1.08 * 0.9),),
                dose_mj_cm2=run.dose_mj_cm2 * 0.9 if run.dose_mj_cm2 else None,
                lamps=run.lamps | {"channels_mw_cm2": [run.lamps["channels_mw_cm2"][0] * 0.9],
                                   "irradiance_mw_cm2": run.lamps["irradiance_mw_cm2"] * 0.9})
        if run.at_ms >= at(63).timestamp() * 1000 else run
        for run in once
    ]  # fmt: skip
    now = found(twice, made(1, day=-9), made(2), made(3, day=63))
    assert now.steps == [] and now.fade_pct == pytest.approx(found(plain).fade_pct, abs=0.01)
    assert [round(one.rescaled_pct or 0.0) for one in now.scales] == [8, -10]


def test_a_later_release_that_knows_more_settings_changes_no_scale() -> None:
    runs = calibrated(shop(60), 1.0, "light 0@1", filter_mm=1.0)
    assert found(runs, made(1, day=-9)).scales == []


# --- what is not to be rescaled ------------------------------------------------------------------


@pytest.mark.parametrize(
    ("known", "more", "cause"),
    [
        ((made(1, day=-9), made(2, Cause.NEW_SENSOR)), {}, "new sensor"),
        ((made(1, day=-9), made(2, Cause.CLEANED)), {}, "cleaned sensor"),
        ((made(1, day=-9),), {}, ""),
        ((), {"before": "as configured", "name": "as configured"}, ""),
        ((made(1, day=-9), made(2)), {"temp_coeff_per_c": 0.002}, ""),
        ((made(1, day=-9), made(2, Cause.NEW_SENSOR), made(3)), {"name": "light 0@3"},
         "new sensor"),
        ((made(1, day=-9), made(2)), {"before": "light 0@2", "name": "as configured"}, ""),
    ],
)  # fmt: skip
def test_another_sensor_or_an_unknown_reason_begins_a_new_stretch(
    known: tuple[Made, ...], more: dict[str, Any], cause: str
) -> None:
    """A new sensor counts a third less: rescaling by the slopes would make a step of it."""
    now = found(calibrated(shop(90), 1.5, counts=1.0 / 1.45, **more), *known)
    (changed,) = now.scales
    assert (changed.rescaled_pct, changed.cause) == (None, cause)
    assert changed.changed_pct == pytest.approx(100.0 * (1.5 / 1.45 - 1.0), abs=0.8)
    assert all("recorded, and calibrated" in step.text for step in now.steps)
    assert len(now.steps) == (cause == "cleaned sensor")
    since = found([run for run in shop(90) if run.at_ms >= at(DAY).timestamp() * 1000])
    assert now.fade_pct == pytest.approx(since.fade_pct, abs=0.01), "of the new stretch alone"
    late = found(calibrated(shop(50), 1.5, counts=1.0 / 1.45, **more), *known)
    assert late.forecast is None and "since the last sudden change" in late.why_no_forecast


def test_hand_readings_on_both_sides_of_another_scale_are_not_compared() -> None:
    readings = tuple(
        told(day, LampsMeasured("A. Example", "", 9.0, "meter 7", 4.0)) for day in (9.2, 74.2)
    )
    new = found(calibrated(shop(80), 1.2), made(1, day=-9), made(2, Cause.NEW_SENSOR),
                events=readings)  # fmt: skip
    assert "look the same" in new.sensor
    routine = found(calibrated(shop(80), 1.2), made(1, day=-9), made(2), events=readings)
    plain = found(shop(80), events=readings)
    assert "has shifted" in routine.sensor and routine.sensor == plain.sensor


# --- lamps and calibration at once ---------------------------------------------------------------


@pytest.mark.parametrize("n", [1, 4])
def test_a_tube_out_on_the_day_of_a_calibration_is_not_hidden(n: int) -> None:
    """Recorded irradiance hardly moves with one channel: the tube's loss and the slope cancel."""
    dim = shop(90, n, factor=lambda day: 1.0 if day < DAY else 0.92)
    now = found(calibrated(dim, 1.0 / 0.92, n=n), made(1, day=-9), made(2))
    (step,) = now.steps
    assert step.changes_pct == pytest.approx([-8.0] * n, abs=1.0)
    assert (
        "with the calibration light 0@2" in step.text and "which of these is not known" in step.text
    )
    assert "tube" not in step.text and "glass" not in step.text
    new = found(calibrated(dim, 1.0, n=n), made(1, day=-9), made(2, Cause.NEW_SENSOR))
    assert new.steps == [] and new.scales[0].changed_pct == pytest.approx(-8.0, abs=1.0)


def test_a_step_some_days_off_is_told_as_ever() -> None:
    dim = shop(90, factor=lambda day: 1.0 if day < DAY + 14 else 0.9)
    (step,) = found(calibrated(dim, 1.08), made(1, day=-9), made(2)).steps
    assert step.changes_pct[0] == pytest.approx(-10.0, abs=1.0)
    assert "one channel cannot show which" in step.text


def test_nothing_is_foretold_by_levels_that_are_not_on_the_scale_in_force() -> None:
    runs = [replace(run, light=(scale(),)) for run in shop(60)]
    known = made(1, day=-9)
    assert found(runs, known).forecast is not None
    now = found(runs, known, made(2, day=61))
    assert (
        now.forecast is None
        and now.why_no_forecast == "no exposure yet since light 0@2 is in force"
    )
    # One that is older than the newest exposure was not used by it: its settings are others.
    assert found(runs, known, made(2, day=20)).forecast is not None


# --- causes in the story -------------------------------------------------------------------------


def test_new_lamps_of_a_calibration_begin_a_set_once() -> None:
    runs = calibrated(shop(90), 1.03)
    known = (made(1, day=-9), made(2, Cause.NEW_LAMPS))
    now = found(runs, *known)
    later = [run for run in runs if run.at_ms >= at(DAY).timestamp() * 1000]
    assert (now.starts, now.entered, len(now.before)) == (len(later), True, 1)
    assert now.since_utc == (at(DAY) - timedelta(hours=1)).isoformat(timespec="milliseconds")
    entered = told(DAY - 3.0, LampsChanged("A. Example", "six tubes", 40.0))
    both = found(runs, *known, events=(entered,))
    assert (len(both.before), both.since_utc) == (1, at(DAY - 3).isoformat(timespec="milliseconds"))
    assert both.burn_h > 40.0 and both.steps == []
    afterwards = found(runs, *known, events=(told(DAY + 4.0, LampsChanged("A.", "late", 0.0)),))
    assert len(afterwards.before) == 1
    each = (*known, made(2, Cause.NEW_LAMPS, DAY + 1.0, channel=1))
    assert len(found(runs, *each).before) == 1, "one calibration a channel, one set of lamps"
    long_ago = told(DAY - 30.0, LampsChanged("A. Example", "six tubes", 0.0))
    assert len(found(runs, *known, events=(long_ago,)).before) == 2


def test_what_nobody_approved_or_was_dropped_tells_nothing() -> None:
    runs = [replace(run, light=(scale(),)) for run in shop(60)]
    known, open_ = made(1, day=-9), replace(made(2, Cause.NEW_LAMPS), approved=None)
    assert not found(runs, known, open_).entered
    assert not found(runs, known, made(2, Cause.NEW_LAMPS, dropped=True)).entered


def test_a_cleaned_sensor_stands_once() -> None:
    runs = calibrated(shop(90), 0.95, counts=1.06)
    known = (made(1, day=-9), made(2, Cause.CLEANED))
    (step,) = found(runs, *known).steps
    assert step.text.startswith("light sensor cleaned, as recorded, and calibrated (light 0@2)")
    entered = told(DAY - 0.1, LampsCleaned("A. Example", "", "sensor"))
    assert len(found(runs, *known, events=(entered,)).steps) == 1
    lamps = told(DAY - 5.9, LampsCleaned("A. Example", "", "lamps"))
    assert len(found(runs, *known, events=(lamps,)).steps) == 2
