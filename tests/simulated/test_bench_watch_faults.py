"""A pump that stops and a gauge that fails, in the bench of the watch."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from platelink.control.contact.noise import prior
from platelink.simulated import bench_watch as bench
from platelink.simulated import bench_watch_faults as faults
from platelink.simulated.bench_watch_faults import (
    LIMITS,
    OWN_LEAKS_L_S,
    beat_gone,
    gauge_fails,
    messages,
    stopped,
    stops_of,
)
from platelink.simulated.bench_watch_noise import FRAME_S, Unit

TONE = Unit(0.02, tone_kpa=0.4, tone_hz=3.0)
SAW = Unit(1e-6, saw_kpa=0.8, saw_s=8.4, saw_rise_s=0.4)
RATE = 1e-5 * FRAME_S / 60.0


def test_without_its_pump_a_frame_falls_by_its_own_leak() -> None:
    """Pressure rise method of vacuum leak testing: what leaks in is volume times rise of pressure
    (from memory); 8 L, and air of 101.325 kPa through a choked leak."""
    *kept, open_frame = stops_of(TONE)
    assert len(kept) == len(OWN_LEAKS_L_S)
    for conductance, stop in zip(OWN_LEAKS_L_S, kept, strict=True):
        per_s = conductance * 101.325 / 8.0
        assert stop.fall_kpa[:100] == pytest.approx(per_s * FRAME_S * np.arange(1, 101), rel=1e-6)
        assert f"{60.0 * per_s:.1f} kPa/min" in stop.size
        assert stop.reaches_s(5.0) == pytest.approx(5.0 / per_s, abs=FRAME_S)
    held_kpa = 101.325 - 15.0 - 0.002 * 101.325 / 1.6
    vented_s = -1.5 * math.log(1.0 - 5.0 / held_kpa)
    assert open_frame.reaches_s(5.0) == pytest.approx(vented_s, abs=FRAME_S)


def test_a_pump_that_stops_takes_its_tone_with_it() -> None:
    stop = replace(stops_of(TONE)[0], fall_kpa=np.zeros(2000))
    values = stopped(TONE, stop, np.random.default_rng(1), before=2000, after=2000, exposures=20)
    before, after = values[:2000].std(), values[2000:].std()
    assert before == pytest.approx(math.hypot(0.02, 0.4 / math.sqrt(2.0)), rel=0.02)
    assert after == pytest.approx(0.02, rel=0.02)
    model = replace(
        prior(FRAME_S, 1e-5), beat_kpa=float(np.sqrt(np.mean(np.diff(values[:2000], axis=0) ** 2)))
    )
    gone = beat_gone(values, model)
    assert abs(gone[:1999].mean()) < 0.05 and gone[2000:].mean() > 0.9


def test_a_pump_that_cycles_no_more_lets_its_vacuum_fall_as_before() -> None:
    (stop,) = stops_of(SAW)
    values = stopped(SAW, stop, np.random.default_rng(1), before=400, after=400, exposures=8)
    assert np.diff(values[399:], axis=0) == pytest.approx(
        -0.1 * FRAME_S, abs=1e-4
    )  # 0.8 kPa in 8 s
    assert (np.diff(values[:400], axis=0).max(axis=0) > 0.05).all()  # it did rise


def test_messages_scatter_as_the_unit_does() -> None:
    """Mean and span of 50 normal conversions: d2 of 50 is 4.498 (control chart tables)."""
    rng = np.random.default_rng(3)
    white = 70.0 + 0.1 * rng.standard_normal(20_000)
    values, spans = messages(white, 0.1, math.sqrt(50.0) * 0.1 / 3.0, rng)
    assert values.std() == pytest.approx(0.1, rel=0.02)
    assert spans.mean() == pytest.approx(3.0 * 4.498, rel=0.02)


@pytest.mark.parametrize(
    "unit", [Unit(0.1), Unit(0.02, slow_kpa=0.2), TONE, replace(SAW, white_kpa=0.05)]
)
def test_a_gauge_that_fails_is_found(unit: Unit) -> None:
    """11 alike values where neighbours are seldom alike, as docs/exposure.md has it, one more or
    less by where it stands; one that knows its noise needs no more."""
    found = gauge_fails(
        unit, prior(FRAME_S, 1e-5), np.random.default_rng(2), rate=RATE, exposures=4, before_s=30.0,
        after_s=20.0,
    )  # fmt: skip
    *frozen, silent, above = found
    for one in frozen:
        assert one.delay_s == pytest.approx(11 * FRAME_S, abs=FRAME_S)
        assert one.tuned_s is not None and 0.15 < one.tuned_s <= one.delay_s
    assert silent.tuned_s is above.tuned_s is None
    assert LIMITS.gauge_silence_s < silent.delay_s <= LIMITS.gauge_silence_s + 2.0 * FRAME_S
    assert LIMITS.debounce_s < above.delay_s <= LIMITS.debounce_s + 2.0 * FRAME_S + 1e-9


def test_a_gauge_without_noise_is_not_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(faults, "NOISE_STEPS", (0.1,))
    found = gauge_fails(
        Unit(0.1), prior(FRAME_S, 1e-5), np.random.default_rng(2), rate=RATE, exposures=2,
        before_s=30.0, after_s=20.0,
    )  # fmt: skip
    assert found[0].delay_s == pytest.approx(20.0)


def test_a_mean_is_over_the_units_that_have_such_a_leak() -> None:
    one = {("pump", "a"): bench.Delay(1.0, 2.0, 3.0), ("gauge", "b"): bench.Delay(1.0, None, None)}
    other = {
        ("pump", "c"): bench.Delay(5.0, 5.0, 5.0),
        ("gauge", "b"): bench.Delay(2.0, None, None),
    }
    assert bench._delays([one, other]) == {
        "pump": {"a": bench.Delay(1.0, 2.0, 3.0), "c": bench.Delay(5.0, 5.0, 5.0)},
        "gauge": {"b": bench.Delay(1.5, None, None)},
    }
