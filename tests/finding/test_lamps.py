"""The lamp set in use, from invented exposures of which the truth is known."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from typing import Any

import numpy as np
import pytest

from platelink.contract.lamps import LampsNow
from platelink.events.event import Event
from platelink.events.unit import LampsChanged, LampsCleaned, LampsMeasured
from platelink.finding.lamps import lamps_now, warm_up_of
from platelink.record.stored import LitRun
from platelink.runs import RunEvent, RunStart

T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
DOSE, DEFICIT_S = 900.0, 4.0
FADE_PER_H = 1.2e-2


def at(day: float) -> datetime:
    return T0 + timedelta(days=day)


def told(day: float, event: Event) -> RunEvent:
    return RunEvent(
        id=f"x-{day}", run_id=None, unit="u", at_utc=at(day), name=event.name, data=event.data()
    )


def longest(limit_s: float = 200.0, **light: float) -> RunStart:
    conditions: dict[str, Any] = {"config": {"exposure": {"max_exposure_s": limit_s}}}
    if light:
        conditions["light"] = light
    return RunStart(
        id="s-1", run_id="r-1", unit="u", at_utc=T0, step="hardening", target_dose_mj_cm2=DOSE,
        conditions=conditions,
    )  # fmt: skip


def shop(
    days: int, channels: int = 1, *, factor: Any = lambda day: 1.0, sensor: Any = lambda day: 1.0,
    noise: float = 0.003, seed: int = 1,
) -> list[LitRun]:  # fmt: skip
    """Six long and twelve short exposures a working day; the lamps fade by their hours."""
    rng, runs, hours = np.random.default_rng(seed), [], 0.0
    for day in range(days):
        if day % 7 >= 5:
            continue
        for n in range(18):
            light = 10.0 * math.exp(-FADE_PER_H * hours) * factor(day)
            short = n % 3 != 0
            dose = 200.0 if short else DOSE
            light_s = dose / light + DEFICIT_S
            share = 0.9 if short else 1.0  # less warm
            level = light * share * sensor(day) * (1.0 + noise * rng.standard_normal(channels))
            ms = round((at(day).timestamp() + 900.0 * n) * 1000)
            lamps = {
                "starts": 1, "level_at_s": light_s - 0.5,
                "irradiance_mw_cm2": float(level.mean()), "channels_mw_cm2": level.tolist(),
            }  # fmt: skip
            runs.append(LitRun(f"r-{day}-{n}", ms, True, light_s, dose * float(sensor(day)), lamps))
            hours += light_s / 3600.0
    return runs


def found(runs: list[LitRun], *events: RunEvent, limit_s: float = 200.0) -> LampsNow:
    return lamps_now(runs, list(events), longest(limit_s), names=[f"head-{i}" for i in range(4)])


# --- hours, starts, sets -------------------------------------------------------------------------


def test_hours_and_starts_are_those_of_the_set_that_is_in() -> None:
    runs = shop(40)
    whole = found(runs)
    assert whole.burn_h == pytest.approx(sum(r.light_s for r in runs) / 3600.0, abs=0.01)
    assert (whole.starts, whole.exposures, whole.entered) == (len(runs), len(runs), False)
    new = found(runs, told(20.0, LampsChanged("A. Example", "six new tubes", 12.5)))
    later = [r for r in runs if r.at_ms >= at(20.0).timestamp() * 1000]
    assert new.burn_h == pytest.approx(12.5 + sum(r.light_s for r in later) / 3600.0, abs=0.01)
    assert (new.starts, new.entered) == (len(later), True)
    (old,) = new.before
    assert (old.starts, old.exposures) == (len(runs) - len(later),) * 2
    assert old.burn_h == pytest.approx(whole.burn_h - new.burn_h + 12.5, abs=0.03)
    assert old.until_utc == new.since_utc and whole.before == []
    thrice = found(runs, *(told(day, LampsChanged("A.", "n", 0.0)) for day in (-3.0, 10.0, 20.0)))
    assert [one.starts for one in thrice.before] == [
        sum(r.at_ms < at(10.0).timestamp() * 1000 for r in runs),
        len(runs) - len(later) - sum(r.at_ms < at(10.0).timestamp() * 1000 for r in runs),
    ]
    assert thrice.starts == len(later)
    assert new.since_utc is not None and new.since_utc.startswith("2026-03-22")


def test_restarts_and_older_records_count_too() -> None:
    older = LitRun("r-1", 0, True, 30.0, 200.0, {})
    twice = LitRun("r-2", 1, True, 40.0, 200.0, {"starts": 2})
    now = found([older, twice])
    assert (now.starts, now.channels, now.fade_pct) == (3, [], None)
    assert now.burn_h == pytest.approx(70.0 / 3600.0, abs=0.01)
    assert "no exposure has recorded its level yet" in now.why_no_fade
    assert found([]).since_utc is None


# --- fade, forecast ------------------------------------------------------------------------------


def test_fade_is_found_again_and_the_day_of_the_limit_is_foretold() -> None:
    now = found(shop(90), limit_s=130.0)
    assert now.fade_per == "100 burn hours" and now.fade_pct is not None
    assert now.fade_low_pct is not None and now.fade_high_pct is not None
    true = 100.0 * math.expm1(-100.0 * FADE_PER_H)
    assert now.fade_low_pct < true < now.fade_high_pct
    assert now.warm_up_s == pytest.approx(DEFICIT_S, rel=0.25)
    forecast = now.forecast
    assert forecast is not None and now.why_no_forecast == ""
    # The truth, played on: the first day on which the longest step takes longer.
    slow = next(r for r in shop(200, noise=0.0) if r.light_s > 130.0)
    likely = datetime.fromisoformat(str(forecast.likely_utc))
    assert abs((likely.timestamp() * 1000 - slow.at_ms) / 86_400_000.0) < 12.0
    assert forecast.early_utc is not None and forecast.early_utc < str(forecast.likely_utc)


def test_what_is_farther_than_was_observed_is_not_foretold() -> None:
    now = found(shop(40), limit_s=400.0)
    assert now.forecast is not None
    assert (now.forecast.early_utc, now.forecast.likely_utc, now.forecast.late_utc) == (None,) * 3
    assert now.forecast.until_utc.startswith("2026-05-")


def test_reciprocity_of_the_step_is_in_its_time() -> None:
    """With p below 1 lamps brighter than the reference give less; a limit below the warm-up is
    said."""
    runs = shop(60)
    plain = lamps_now(runs, [], longest(200.0), names=())
    weak = lamps_now(runs, [], longest(200.0, reciprocity_p=0.8, reference_mw_cm2=3.0), names=())
    assert plain.forecast is not None and weak.forecast is not None
    assert weak.forecast.now_s > plain.forecast.now_s + 10.0
    assert "shorter than the warm-up" in found(runs, limit_s=2.0).why_no_forecast
    assert lamps_now(runs, [], None).why_no_forecast == "no step with a dose is in use"


def test_nothing_is_foretold_over_a_step_of_the_last_days() -> None:
    now = found(shop(60, 4, factor=lambda day: 0.8 if day >= 56 else 1.0))
    assert (
        now.forecast is None
        and "days with light since the last sudden change" in now.why_no_forecast
    )


# --- lamps or sensor -----------------------------------------------------------------------------


def test_one_channel_asks_for_a_hand_meter_and_says_why() -> None:
    runs = shop(60)
    assert "hand meter" in found(runs).asks and "one channel" in found(runs).sensor
    read = told(57.0, LampsMeasured("A. Example", "", 9.1, "meter 7", 4.0))
    assert found(runs, read).asks == ""
    old = told(10.0, LampsMeasured("A. Example", "", 9.9, "meter 7", 4.0))
    weaker = shop(60, factor=lambda day: 1.0 if day < 30 else 0.9)
    assert "our sensor's reading changed by" in found(weaker, old).asks
    assert found(shop(60, 4)).asks == ""


def test_two_hand_readings_tell_lamps_from_sensor() -> None:
    """A sensor that has lost 9 %, lamps that have faded besides: both are found again."""
    runs = shop(80, sensor=lambda day: 1.0 if day < 40 else 0.91)
    own = {day: [r for r in runs if r.at_ms // 86_400_000 == int(at(day).timestamp()) // 86_400]
           for day in (8, 74)}  # fmt: skip
    true = {day: DOSE / (max(r.light_s for r in own[day]) - DEFICIT_S) for day in own}
    readings = [
        told(day + 0.3, LampsMeasured("A. Example", "", true[day], "meter 7", 4.0)) for day in own
    ]
    now = found(runs, *readings)
    assert len(now.readings) == 2 and now.readings[0].ours_mw_cm2 is not None
    shifted = float(now.sensor.split("sensor has shifted by ")[1].split(" %")[0])
    assert shifted == pytest.approx(-9.0, abs=1.0)
    assert "±2.8 %" in now.sensor


def test_a_reading_without_an_exposure_near_it_is_shown_and_used_for_nothing() -> None:
    now = found(shop(20), told(40.0, LampsMeasured("A. Example", "", 9.9, "meter 7")))
    assert now.readings[0].ours_mw_cm2 is None and now.readings[0].u_pct is None
    assert "look the same" in now.sensor


def test_cleaning_that_was_entered_is_told_as_entered() -> None:
    runs = shop(60, 4, factor=lambda day: 1.05 if day >= 28 else 1.0)
    now = found(runs, told(27.5, LampsCleaned("A. Example", "", "lamps")))
    (step,) = now.steps
    assert step.text.startswith("lamps cleaned, as recorded (+")
    assert step.at_utc.startswith("2026-03-30")
    (unknown,) = found(runs).steps
    assert "rose alike" in unknown.text


# --- warm-up -------------------------------------------------------------------------------------


def course(missing: float, tau_s: float, seed: int, n: int = 7) -> LitRun:
    rng = np.random.default_rng(seed)
    times = [0.5, 1.5, 3.5, 7.5, 15.5, 31.5, 63.5, 127.5][:n]
    noise = 1.0 + 0.002 * rng.standard_normal(len(times))
    rise = [[t, 9.0 * (1.0 - missing * math.exp(-t / tau_s)) * one]
            for t, one in zip(times, noise, strict=True)]  # fmt: skip
    return LitRun("r", 0, True, 100.0, 900.0, {"course": rise})


def test_the_warm_up_is_found_again_with_its_interval_or_refused() -> None:
    said = warm_up_of([course(0.3, 18.0, seed) for seed in range(12)])
    assert "30 % is missing at the strike" in said and "time constant of 18 s" in said
    assert "not known" in warm_up_of([course(0.0, 18.0, seed) for seed in range(12)])
    assert "16 s of light" in warm_up_of([course(0.3, 18.0, 1, n=4)])
