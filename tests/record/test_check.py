"""The check integrates again, by itself, and notices what does not fit."""

import math
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate as scipy_integrate

from platelink.control.light.dose import DoseMeter, DoseRule, Point
from platelink.record.check import check_run, integrate
from platelink.record.light import LightCalibration
from platelink.record.stored import RunRecord
from platelink.runs import RunEnd, RunEvent, RunStart, SampleBlock
from platelink.sensing import light as sensing
from record.make import T0, UNIT, channels, event, journal_at, start

TICK_S = 1e-3
SLOPE = 1e-3
DARK = 40.0


def device_samples(
    e_mw_cm2, seconds: float, *, frame: int = 50, first_sum: int = 0, first_count: int = 0, **values
) -> SampleBlock:
    """What a device records of light ``e_mw_cm2(t)``: counts at the middle of each 1 ms tick,
    summed; a sample each ``frame`` ticks, the first before any light."""
    n = round(seconds / TICK_S)
    t = (np.arange(n) + 0.5) * TICK_S
    counts = np.rint(DARK + np.vectorize(e_mw_cm2)(t) / SLOPE).astype(np.uint64)
    sums = np.concatenate([[0], np.cumsum(counts)]).astype(np.uint64)[::frame]
    ticks = np.arange(0, n + 1, frame)
    columns = {"tick_s": np.full(len(ticks), TICK_S)} | {
        name: np.broadcast_to(np.asarray(value, np.float64), len(ticks)).copy()
        for name, value in values.items()
    }
    return SampleBlock(
        ticks=ticks.astype(np.int64),
        at_utc_ms=ticks.astype(np.int64),
        raw={
            "light_sum_0": sums + np.uint64(first_sum),  # wraps like the device's own
            "light_count_0": (ticks.astype(np.uint64) + np.uint64(first_count))
            & np.uint64(0xFFFFFFFF),
        },
        values=columns,
    )


def calibration(*channels: dict, **rule) -> LightCalibration:
    one = {"dark_counts": DARK, "slope_mw_cm2_per_count": SLOPE}
    return LightCalibration.model_validate(
        {"channels": [one | c for c in channels or ({},)]} | rule
    )


def dose(cal: LightCalibration, samples: SampleBlock, events=()) -> float:
    return integrate(cal, samples, events).dose_mj_cm2


def warm_up(t: float) -> float:
    return 12.0 * (1.0 - math.exp(-t / 8.0))


def rows(samples: SampleBlock, keep) -> SampleBlock:
    return SampleBlock(
        samples.ticks[keep],
        samples.at_utc_ms[keep],
        {k: v[keep] for k, v in samples.raw.items()},
        {k: v[keep] for k, v in samples.values.items()},
    )


WARM = device_samples(warm_up, 60.0)


def test_warm_up_against_the_closed_form() -> None:
    # Integral of 12 (1 - exp(-t/8)) over 0..60 s, by hand: 12 (60 - 8 (1 - exp(-7.5))).
    exact = 12.0 * (60.0 - 8.0 * (1.0 - math.exp(-7.5)))
    assert exact == pytest.approx(624.0530961, abs=1e-7)
    assert dose(calibration(), WARM) == pytest.approx(exact, rel=2e-6)


@pytest.mark.parametrize("p", [0.8, 0.9, 1.1])
def test_reciprocity_against_scipy(p: float) -> None:
    # scipy.integrate.quad of Schwarzschild's law over the same light.
    exact, _ = scipy_integrate.quad(lambda t: 10.0 * (warm_up(t) / 10.0) ** p, 0.0, 60.0)
    assert dose(calibration(reciprocity_p=p), WARM) == pytest.approx(exact, rel=1e-5)


def test_temperature_of_the_head_by_hand() -> None:
    # A head 10 °C above reference that reads 1 % high for each °C reads 10 % high.
    warm_head = device_samples(lambda _: 11.0, 10.0, head_c=35.0)
    cal = calibration({"temp_coeff_per_c": 0.01, "reference_temp_c": 25.0})
    assert dose(cal, warm_head) == pytest.approx(100.0, rel=1e-9)
    unknown = device_samples(lambda _: 11.0, 10.0, head_c=math.nan)
    assert dose(cal, unknown) == pytest.approx(110.0, rel=1e-9)


def test_weights_are_shares() -> None:
    one, other = device_samples(lambda _: 8.0, 5.0), device_samples(lambda _: 12.0, 5.0)
    for name in ("light_sum_0", "light_count_0"):
        one.raw[name.replace("0", "1")] = other.raw[name]
    # (3 * 8 + 1 * 12) / 4 = 9 mW/cm² for 5 s
    assert dose(calibration({"weight": 3.0}, {"weight": 1.0}), one) == pytest.approx(45.0, rel=1e-9)
    assert dose(calibration({"weight": 0.0}, {"weight": 2.0}), one) == pytest.approx(60.0, rel=1e-9)


def test_counters_that_wrap_change_nothing() -> None:
    wrapping = device_samples(warm_up, 60.0, first_sum=2**64 - 10**6, first_count=2**32 - 777)
    assert dose(calibration(), wrapping) == dose(calibration(), WARM)


@given(st.sets(st.integers(1, 1199), max_size=300))
def test_lost_frames_lose_no_dose(lost: set[int]) -> None:
    keep = [i for i in range(1201) if i not in lost]
    assert dose(calibration(), rows(WARM, keep)) == pytest.approx(
        dose(calibration(), WARM), rel=1e-9
    )


@given(st.sets(st.integers(1, 1199), max_size=300), st.sampled_from([1.0, 0.8]))
def test_controller_and_check_agree_though_written_apart(lost: set[int], p: float) -> None:
    samples = rows(WARM, [i for i in range(1201) if i not in lost])
    sensors = sensing.LightSensors(
        (sensing.LightChannel(dark_counts=DARK, slope_mw_cm2_per_count=SLOPE),)
    )
    meter = DoseMeter(DoseRule(sensors, p))
    for tick, total, count in zip(samples.ticks, *samples.raw.values(), strict=True):
        meter.add(Point(int(tick), (int(total),), (int(count),), TICK_S, None))
    again = dose(calibration(reciprocity_p=p), samples)
    # The controller corrects the window in which light began; the check does not.
    assert again == pytest.approx(meter.dose_mj_cm2, rel=1e-9 if p == 1.0 else 2e-4)


def test_only_counted_windows_count() -> None:
    counting = np.zeros(1201)
    counting[401:801] = 1.0  # windows from 20 s to 40 s
    lit = device_samples(lambda _: 10.0, 60.0, counting=counting)
    assert dose(calibration(), lit) == pytest.approx(200.0, rel=1e-9)


def test_dark_reading_of_the_run_replaces_the_calibrations() -> None:
    steady = device_samples(lambda _: 10.0, 60.0)
    read = RunEvent(
        id="x-1", run_id="r1", unit=UNIT, at_utc=T0, name="armed", ticks=30_000,
        data={"dark_counts_0": DARK + 1000.0},
    )  # fmt: skip
    # 30 s of 10 mW/cm² and, the dark now 1000 counts (1 mW/cm²) higher, 30 s of 9.
    assert dose(calibration(), steady, [read]) == pytest.approx(570.0, rel=1e-9)
    without_tick = read.model_copy(update={"ticks": None})
    assert dose(calibration(), steady, [without_tick]) == pytest.approx(600.0, rel=1e-9)


def test_channel_not_sampled_joins_the_next_window() -> None:
    steady = device_samples(lambda _: 10.0, 1.0)
    for name in ("light_sum_0", "light_count_0"):
        steady.raw[name][5:8] = steady.raw[name][4]
    assert dose(calibration(), steady) == pytest.approx(10.0, rel=1e-9)


def test_sums_that_began_anew_are_a_break() -> None:
    steady = device_samples(lambda _: 10.0, 2.0)
    steady.raw["light_sum_0"][20:] -= steady.raw["light_sum_0"][20]
    found = integrate(calibration(), steady, [])
    assert found.breaks == 1
    assert found.dose_mj_cm2 == pytest.approx(20.0 - 10.0 * 0.05, rel=1e-9)


LIGHT = {
    "channels": [{"dark_counts": DARK, "slope_mw_cm2_per_count": SLOPE, "name": "head-1"}],
    "tick_s": TICK_S,
    "reciprocity_p": 1.0,
    "reference_mw_cm2": 10.0,
}


def record(
    claimed: float | None, block: SampleBlock, *, light=LIGHT, kind=None, target=None, **end
) -> RunRecord:
    common = {"run_id": "r1", "unit": UNIT, "at_utc": T0}
    begun = RunStart(
        **common, id="x-1", step="film", conditions={"light": light},
        target_dose_mj_cm2=target, request={"kind": kind} if kind else {},
    )  # fmt: skip
    ended = {"state": "complete", "reason": "", "samples": len(block), "events": 0}
    return RunRecord(begun, None, RunEnd(**common, id="x-9", dose_mj_cm2=claimed, **(ended | end)))


def test_an_honest_record_is_confirmed() -> None:
    result = check_run(record(624.05, WARM), WARM, [], missing_entries=0)
    assert result.ok and result.problems == ()
    assert result.difference_pct == pytest.approx(0.0005, abs=1e-4)
    assert result.verdict.startswith("confirmed: 624.05 mJ/cm² recorded")
    assert (result.gaps, result.longest_gap_s, result.breaks) == (0, 0.0, 0)


@pytest.mark.parametrize(("claimed", "ok"), [(0.003, True), (0.0, True), (0.02, False)])
def test_a_light_that_was_ended_at_once_is_no_matter_of_shares(claimed: float, ok: bool) -> None:
    """0.004 mJ/cm² fell: any share of that is less than a sensor's noise."""
    brief = device_samples(lambda _: 0.002, 2.0)
    assert integrate(calibration(), brief, []).dose_mj_cm2 == pytest.approx(0.004, abs=2e-4)
    assert check_run(record(claimed, brief), brief, [], missing_entries=0).ok is ok


def test_missing_frames_are_counted_as_gaps() -> None:
    gappy = rows(WARM, [i for i in range(1201) if i not in (100, 101, 102, 500)])
    result = check_run(record(624.05, gappy), gappy, [], missing_entries=0)
    assert result.ok
    assert (result.gaps, result.longest_gap_s) == (2, pytest.approx(0.2))


@pytest.mark.parametrize(
    ("run", "missing", "problem"),
    [
        (record(624.05 * 1.002, WARM), 0, "-0.199 % apart, limit 0.1 %"),
        (record(624.05, WARM, samples=1200), 0, "the end counts 1200 samples and 0 events, stored"),
        (record(624.05, WARM, events=1), 0, "0 samples and 1 events|1201 samples and 1 events"),
        (record(624.05, WARM), 1, "1 entries between start and end are missing"),
        (record(624.05, WARM), 3, "3 entries between start and end are missing"),
        (record(None, WARM), 0, "no dose was recorded"),
        (record(624.05, WARM, light=None), 0, "the conditions give no calibration: light: "),
        (record(624.05, WARM, light={"channels": []}), 0, r"light\.channels: "),
        (record(624.05, WARM, light={"channels": [{"dark_counts": 1.0}]}), 0,
         r"light\.channels\.0\.slope_mw_cm2_per_count: Field required"),
        (record(624.05, WARM, light=LIGHT | {"channels": LIGHT["channels"] * 2}), 0,
         "no columns light_sum_1, light_count_1"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_named(run: RunRecord, missing: int, problem: str) -> None:
    result = check_run(run, WARM, [], missing_entries=missing)
    assert not result.ok
    assert result.verdict.startswith("not confirmed: ")
    assert any(re.search(problem, text) for text in result.problems), result.problems


def test_forged_sums_are_seen() -> None:
    # 0.2 % of the run's counts slipped into one window of it.
    forged = rows(WARM, np.arange(1201))
    forged.raw["light_sum_0"][600:] += np.uint64(0.002 * 624.05 / SLOPE / TICK_S)
    result = check_run(record(624.05, forged), forged, [], missing_entries=0)
    assert not result.ok
    assert result.difference_pct == pytest.approx(0.2005, abs=1e-3)


def test_sums_that_began_anew_are_not_confirmed() -> None:
    steady = device_samples(lambda _: 10.0, 2.0)
    steady.raw["light_sum_0"][20:] -= steady.raw["light_sum_0"][20]
    claimed = integrate(calibration(), steady, []).dose_mj_cm2
    result = check_run(record(claimed, steady), steady, [], missing_entries=0)
    assert (result.ok, result.breaks, len(result.problems)) == (False, 1, 1)


def test_run_without_light_and_run_without_end() -> None:
    dark = device_samples(lambda _: 0.0, 1.0, dose_mj_cm2=0.0)
    assert check_run(record(0.0, dark, state="stopped"), dark, [], missing_entries=0).ok
    unended = RunRecord(record(0.0, dark).start, None, None)
    result = check_run(unended, dark, [], missing_entries=0)
    assert result.problems == ("the run has no end yet",)
    assert result.recorded_mj_cm2 == 0.0


@pytest.mark.parametrize("claimed", [None, 0.0])
def test_a_run_that_ended_before_its_first_sample(claimed: float | None) -> None:
    none = SampleBlock(np.array([], np.int64), np.array([], np.int64), {}, {})
    run = record(claimed, none, state="interrupted")
    result = check_run(run, none, [], missing_entries=0)
    assert result.ok, result.problems
    assert "ended before any light" in result.verdict
    armed = [RunEvent(id="x-2", run_id="r1", unit=UNIT, at_utc=T0, name="armed")]
    run = record(claimed, none, state="interrupted", events=1)
    assert not check_run(run, none, armed, missing_entries=0).ok, "light may have fallen"
    assert not check_run(record(5.0, none), none, [], missing_entries=0).ok


def test_interrupted_run_is_checked_up_to_its_last_sample() -> None:
    running = np.concatenate([[0.0], np.cumsum(np.full(200, 0.5))])
    half = device_samples(lambda _: 10.0, 10.0, dose_mj_cm2=running)
    # The end also counts what the device delivered after the last sample.
    result = check_run(record(130.0, half, state="interrupted"), half, [], missing_entries=0)
    assert result.ok and result.recorded_mj_cm2 == 100.0


def test_from_the_journal(tmp_path: Path) -> None:
    with journal_at(tmp_path / "journal.db") as journal:
        journal.append(event(journal, None))
        journal.append(start(journal, conditions={"light": LIGHT}))
        journal.append(channels(journal))
        for first in range(0, 1201, 20):
            journal.append_samples("r1", rows(WARM, slice(first, first + 20)), T0)
        journal.append(event(journal))
        assert journal.reader.check("nothing") is None
        unended = journal.reader.check("r1")
        assert unended is not None and not unended.ok
        journal.append(event(journal, None))
        journal.end_run("r1", T0, "complete", "dose reached", dose_mj_cm2=624.05)
        result = journal.reader.check("r1")
        assert result is not None and result.ok, result
        assert (result.samples, result.events, result.missing_entries) == (1201, 1, 0)
        assert journal.reader.check("r1", limit_pct=1e-4).ok is False


def bake_samples(seconds: int, **values) -> SampleBlock:
    ticks = np.arange(seconds) * 1000
    columns = {name: np.full(seconds, value) for name, value in values.items()}
    return SampleBlock(ticks.astype(np.int64), ticks.astype(np.int64), {}, columns)


NO_SAMPLES = bake_samples(0)
BAKED = bake_samples(600, oven_c=120.0)


@pytest.mark.parametrize(
    ("kind", "samples"), [("plate", NO_SAMPLES), ("bake", BAKED), ("plate", BAKED)]
)
def test_a_run_without_light_is_counted(kind: str, samples: SampleBlock) -> None:
    result = check_run(record(None, samples, light=None, kind=kind), samples, [], missing_entries=0)
    assert result.ok and result.kind == kind and not result.light
    assert result.verdict == f"confirmed: every entry is there; a {kind} has no dose to compare"
    assert (result.recorded_mj_cm2, result.reintegrated_mj_cm2, result.gaps) == (None, None, 0)
    gappy = rows(samples, [i for i in range(len(samples)) if i not in (7, 8)])
    again = check_run(record(None, gappy, light=None, kind=kind), gappy, [], missing_entries=0)
    assert again.ok
    assert (again.gaps, again.longest_gap_s) == ((1, 3.0) if len(samples) else (0, 0.0))


@pytest.mark.parametrize(
    ("run", "samples", "missing", "problem"),
    [
        (record(None, BAKED, kind="bake", samples=599), BAKED, 0, "the end counts 599 samples"),
        (record(None, BAKED, kind="bake"), BAKED, 2, "2 entries between start and end are missing"),
        (record(None, NO_SAMPLES, kind="plate", events=3), NO_SAMPLES, 0, "0 samples and 3 events"),
        (record(12.0, BAKED, kind="bake"), BAKED, 0, "a dose is recorded, and a bake has none"),
        (record(None, NO_SAMPLES, kind="plate", target=400.0), NO_SAMPLES, 0, "a plate has none"),
        (record(None, NO_SAMPLES, kind="bake"), NO_SAMPLES, 0, "no temperature of the oven"),
        (record(None, bake_samples(9, oven_c=math.nan), kind="bake", state="aborted"),
         bake_samples(9, oven_c=math.nan), 0, "no temperature of the oven"),
        (record(None, WARM, light=None, kind="expose"), WARM, 0, "no dose was recorded"),
    ],
)  # fmt: skip
def test_what_does_not_fit_without_light_is_named(
    run: RunRecord, samples: SampleBlock, missing: int, problem: str
) -> None:
    result = check_run(run, samples, [], missing_entries=missing)
    assert not result.ok and any(problem in text for text in result.problems), result.problems


def test_a_bake_that_never_began_needs_no_temperature() -> None:
    run = record(None, NO_SAMPLES, kind="bake", state="aborted")
    assert check_run(run, NO_SAMPLES, [], missing_entries=0).ok
