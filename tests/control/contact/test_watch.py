"""The watch over the contact vacuum in simulated time: what holds, what is told, by what words."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest

from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CONTACT_LEAKS, CONTACT_LOST, GAUGE_SILENT
from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.finding import Finding, Verdict
from platelink.control.contact.noise import NoiseModel, learn, prior, shown
from platelink.control.contact.watch import ContactWatch
from platelink.events.light import Cause

LIMITS = ContactLimits(low_kpa=52.5, high_kpa=90.0)
FRAME_S = 0.05
RATE = 1e-5


def noise_of(sd_kpa: float) -> NoiseModel:
    """Learned from two dozen exposures with this white noise."""
    rng = np.random.default_rng(7)
    past = [shown(70.0 + sd_kpa * rng.standard_normal(1200)) for _ in range(24)]
    found = learn([one for one in past if one is not None], FRAME_S, RATE)
    assert found is not None
    return found


PRIOR = prior(FRAME_S, RATE)
QUIET, NOISY = noise_of(0.05), noise_of(0.3)


def watch_at(level_kpa: float, model: NoiseModel = QUIET, **more: float) -> ContactWatch:
    return ContactWatch(LIMITS, model, [level_kpa] * 60, now=0.0, **more)


def test_watch_debounces_then_reports_the_band() -> None:
    watch = watch_at(52.7)
    assert watch.add(52.3, now=1.0).verdict is Verdict.GOING_ON
    assert watch.add(52.3, now=1.0 + LIMITS.debounce_s - 0.001).verdict is Verdict.GOING_ON
    finding = watch.add(52.3, now=1.0 + LIMITS.debounce_s)
    assert finding.verdict is Verdict.LOST
    assert "52.3 kPa, below its limit 52.5 kPa for 0.30 s" in finding.text
    assert finding.cause is Cause.CREEPING
    assert finding.trouble == Condition(CONTACT_LOST, True, 52.3, LIMITS.low_kpa)


def test_watch_is_not_fooled_by_one_odd_value() -> None:
    watch = watch_at(60.0)
    for i in range(200):
        value = 0.0 if i % 50 == 25 else 60.0
        assert watch.add(value, now=0.05 * i).verdict is Verdict.GOING_ON


def test_a_short_dip_below_the_band_is_not_lost() -> None:
    watch = watch_at(53.2)
    for i in range(100):
        now = 0.1 * i
        assert watch.add(52.4 if i % 5 == 0 else 53.2, now=now).verdict is not Verdict.LOST


def watched(
    pressure: object, left_s: float, *, noise_kpa: float = 0.0, until_s: float = 20.0, **more: float
) -> tuple[list[tuple[float, Finding]], ContactWatch]:
    """Findings with their times, of a light that has so long to go at the beginning; the noise is
    known, but where there is none."""
    model = NOISY if noise_kpa > 0.1 else QUIET if noise_kpa else PRIOR
    watch, rng, found = watch_at(70.0, model, **more), np.random.default_rng(1), []
    for i in range(round(until_s / FRAME_S)):
        now = FRAME_S * (i + 1)
        value = pressure(now) + noise_kpa * rng.standard_normal()
        finding = watch.add(value, now=now, left_s=max(0.0, left_s - now))
        if finding.verdict is not Verdict.GOING_ON:
            found.append((now, finding))
        if finding.verdict is Verdict.LOST:
            break
    return found, watch


def one_limit(finding: Finding) -> float:
    """One sentence, one limit, and the value judged by it."""
    assert finding.trouble is not None
    (limit,) = re.findall(r"limit ([\d.]+) kPa", finding.text)
    assert finding.trouble.limit in (None, float(limit))
    assert "\n" not in finding.text and ". " not in finding.text
    return float(limit)


@pytest.mark.parametrize(("noise_kpa", "within_s"), [(0.0, 8.0), (0.05, 5.0), (0.3, 7.0)])
def test_a_fall_that_leaves_the_band_before_the_light_ends_is_held_at_once(
    noise_kpa: float, within_s: float
) -> None:
    found, _ = watched(lambda t: 70.0 - 0.4 * t, 60.0, noise_kpa=noise_kpa)  # 46 kPa at its end
    t, finding = found[-1]
    assert finding.verdict is Verdict.LOST and finding.cause is Cause.CREEPING
    assert t < within_s  # long before the band's edge
    assert one_limit(finding) == LIMITS.low_kpa
    assert finding.trouble.value == pytest.approx(70.0 - 0.4 * t, abs=0.5)  # measured
    ahead = float(re.search(r"would reach ([\d.-]+) kPa before the end", finding.text)[1])
    assert ahead == pytest.approx(46.0, abs=7.0) and "check seal" in finding.text
    fell, since_s = re.search(r"fell ([\d.]+) kPa in ([\d.]+) s", finding.text).groups()
    assert 0.6 * 0.4 * t < float(fell) < 0.4 * t + 0.5 and float(since_s) <= t + 1.0


def test_a_fall_ends_at_the_air_outside_however_long_the_light() -> None:
    found, _ = watched(lambda t: 70.0 - 40.0 * t, 600.0)
    assert "would reach 0.0 kPa before the end" in found[-1][1].text


@pytest.mark.parametrize("noise_kpa", [0.0, 0.05, 0.3])
def test_a_fall_that_keeps_the_band_warns_once_and_goes_on(noise_kpa: float) -> None:
    found, watch = watched(lambda t: 70.0 - 0.4 * t, 20.0, noise_kpa=noise_kpa)  # 62 at its end
    assert [finding.verdict for _, finding in found] == [Verdict.LEAKS]
    finding = found[0][1]
    told = finding.event
    assert told.fall_kpa_per_min == pytest.approx(24.0, abs=3.0 + told.unsure_kpa_per_min)
    assert "the exposure continues above that" in finding.text and "seal" in finding.text
    assert one_limit(finding) == LIMITS.low_kpa
    assert told.cause == "creeping" and told.held_kpa == pytest.approx(70.0, abs=0.7)
    assert watch.leak.alarm is CONTACT_LEAKS
    rng = np.random.default_rng(2)
    for i in range(1, 400):
        watch.add(71.0 + noise_kpa * rng.standard_normal(), now=20.0 + FRAME_S * i, left_s=5.0)
    assert watch.leak is None  # over


@pytest.mark.parametrize(("left_s", "settles_s"), [(3.0, math.nan), (300.0, 5.0)])
def test_a_leak_that_finds_its_balance_in_the_band_warns_and_goes_on(
    left_s: float, settles_s: float
) -> None:
    """Sudden, to 60 kPa with the pump against it; a straight line to the end of 300 s would go far
    below, the frame's own time constant tells the balance."""
    balance = lambda t: 60.0 + 10.0 * math.exp(-t / 5.0)  # noqa: E731
    found, _ = watched(balance, left_s, noise_kpa=0.05, settles_s=settles_s)
    assert [finding.verdict for _, finding in found] == [Verdict.LEAKS]
    assert found[0][1].cause is Cause.SUDDEN and "blanket's edge" in found[0][1].text


@pytest.mark.parametrize(
    ("kpa_per_s", "within_s"), [(0.7, 3.0), (1.5, 1.4), (4.0, 0.6), (40.0, 0.2)]
)
def test_a_fall_is_told_ahead_by_itself_not_by_what_was_before(
    kpa_per_s: float, within_s: float
) -> None:
    falling = lambda t: 70.0 - kpa_per_s * max(0.0, t - 10.0)  # noqa: E731
    found, _ = watched(falling, 60.0, noise_kpa=0.05, until_s=30.0)
    assert found[-1][1].verdict is Verdict.LOST and found[0][0] > 10.0
    assert found[-1][0] <= 10.0 + within_s
    assert found[-1][1].cause is (Cause.SUDDEN if kpa_per_s > 1.0 else Cause.CREEPING)


def test_a_fall_is_lost_where_nobody_knows_how_long_the_light_lasts() -> None:
    watch = watch_at(70.0)
    last = [watch.add(70.0 - 0.05 * i, now=0.05 * i) for i in range(60)]
    assert Verdict.LOST in [finding.verdict for finding in last]


def test_a_pump_that_stops_takes_its_beat_with_it() -> None:
    rng = np.random.default_rng(4)
    beat = 0.3 * np.sin(2.0 * np.pi * 3.1 * FRAME_S * np.arange(1600))
    noise = lambda: 0.02 * rng.standard_normal(1600)  # noqa: E731
    past = [shown(70.0 + beat + noise()) for _ in range(12)]
    model = learn([one for one in past if one is not None], FRAME_S, RATE)
    assert model is not None
    for stops, cause in ((True, Cause.PUMP), (False, Cause.CREEPING)):
        watch, rest = ContactWatch(LIMITS, model, list(70.0 + beat[:60]), now=0.0), noise()
        for i in range(60, 1600):
            fall = max(0.0, 0.3 * FRAME_S * (i - 400))
            value = 70.0 - fall + float(rest[i]) + float(beat[i]) * (i < 400 or not stops)
            finding = watch.add(value, now=FRAME_S * (i - 59), left_s=200.0)
            if finding.verdict is Verdict.LOST:
                break
        assert i > 400 and finding.cause is cause
    assert "check that the pump runs" not in finding.text


@pytest.mark.parametrize(("level_kpa", "verdict"), [(70.0, Verdict.LEAKS), (52.75, Verdict.LOST)])
def test_an_unsteady_vacuum_is_judged_by_its_lowest(level_kpa: float, verdict: Verdict) -> None:
    rng, told = np.random.default_rng(5), []
    watch = watch_at(level_kpa)
    for i in range(1, 120):
        unsteady = (0.2 if i > 50 else 0.05) * rng.standard_normal()
        finding = watch.add(level_kpa + unsteady, now=FRAME_S * i, left_s=60.0)
        if finding.verdict is not Verdict.GOING_ON:
            told.append(finding)
    found = told[-1]
    assert found.verdict is verdict and found.cause is Cause.UNSTEADY
    assert one_limit(found) == LIMITS.low_kpa
    assert "unsteady by" in found.text and "loose hose" in found.text


def test_an_edge_that_lifts_and_falls_back_is_told_and_not_held() -> None:
    swing = lambda t: 70.0 + 0.6 * math.sin(2.0 * math.pi * 1.7 * t) * (t > 3.0)  # noqa: E731
    found, _ = watched(swing, 300.0, noise_kpa=0.05, until_s=30.0)
    assert found and {finding.verdict for _, finding in found} == {Verdict.LEAKS}


@pytest.mark.parametrize("period_s", [2.0, 5.0, 20.0])
def test_pump_cycling_of_1_kpa_is_no_fall_to_a_unit_that_has_shown_nothing(
    period_s: float,
) -> None:
    cycle = lambda t: 70.0 + 0.5 - (t / period_s) % 1.0  # noqa: E731
    found, _ = watched(cycle, 300.0, until_s=240.0)
    assert not found


def test_values_that_did_not_come_are_no_fall() -> None:
    """One in ten lost, and a noise that remembers itself for a second."""
    rng, keep = np.random.default_rng(6), math.exp(-FRAME_S)

    def slow(n: int) -> list[float]:
        out, value = [], 0.0
        for _ in range(n):
            value = keep * value + 0.05 * rng.standard_normal()
            out.append(70.0 + value)
        return out

    past = [shown(np.array(slow(1600))) for _ in range(12)]
    model = learn([one for one in past if one is not None], FRAME_S, RATE)
    assert model is not None and model.weights
    for _ in range(20):
        values = slow(1200)
        watch = ContactWatch(LIMITS, model, values[:60], now=0.0)
        for i, value in enumerate(values[60:], 1):
            if rng.random() < 0.9:
                finding = watch.add(value, now=FRAME_S * i, left_s=9.0)
                assert finding.verdict is Verdict.GOING_ON


def test_the_band_stays_what_holds_though_a_fall_cannot_be_told_ahead() -> None:
    found, _ = watched(lambda t: 70.0 - 3.0 * max(0.0, t - 2.0), 7.0)
    assert found[-1][1].verdict is Verdict.LOST
    assert found[-1][0] <= 2.0 + (70.0 - LIMITS.low_kpa) / 3.0 + LIMITS.debounce_s + 0.1


def test_watch_does_not_trust_a_silent_gauge() -> None:
    watch = watch_at(60.0)
    assert watch.silence(now=LIMITS.gauge_silence_s).verdict is Verdict.GOING_ON
    finding = watch.add(None, now=LIMITS.gauge_silence_s + 0.01)
    assert finding.verdict is Verdict.LOST
    silence_s = pytest.approx(LIMITS.gauge_silence_s + 0.01)
    assert finding.trouble == Condition(GAUGE_SILENT, True, silence_s, LIMITS.gauge_silence_s)
    assert finding.cause is Cause.GAUGE


def test_a_vacuum_above_its_band_is_the_gauges_fault() -> None:
    watch = watch_at(89.0)
    findings = [watch.add(91.0, now=FRAME_S * i) for i in range(1, 10)]
    assert findings[-1].verdict is Verdict.LOST and findings[-1].cause is Cause.GAUGE
    assert "above its limit 90.0 kPa" in findings[-1].text
