"""A pump that stops and a gauge that fails, for the bench of the watch.

The frame, its check valve and its own leak are those of the simulated plant. What is to be said of
the gauge is asked of ``GaugeNature`` and ``ContactWatch`` themselves, value by value.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from platelink.control.contact.contact import ContactLimits
from platelink.control.contact.finding import Verdict
from platelink.control.contact.gauge import GaugeNature
from platelink.control.contact.noise import NoiseModel
from platelink.control.contact.watch import ContactWatch
from platelink.events.light import Cause
from platelink.simulated.bench_watch_noise import F64, FRAME_S, Rng, Unit
from platesim.vacuum import Leak, VacuumFrame, VacuumParameters

OWN_LEAKS_L_S = (0.002, 0.01, 0.05)
"""Of the frame: what the pump no longer draws off once it stops."""
SEEN_S = 300.0
"""So long a fall is told, for the slowest to reach the fixed limit."""
SETTLED_S = 60.0
BEAT_CLIP = 4.0
NOISE_STEPS = (0.6, 1.0, 3.0)
"""Of one conversion, rms, in steps of the converter."""
CONVERSIONS = 50
"""In one message."""
REST_VALUES, REST_FRAME_S = 100, 0.2
"""Of the vented frame, before the pump goes on."""
LEVEL_KPA = 70.0
LIMITS = ContactLimits(low_kpa=50.0, high_kpa=90.0)
ABOVE_KPA = 5.0


@dataclass(frozen=True, slots=True)
class Stop:
    """How the vacuum falls without its pump, every ``FRAME_S`` from the first value after it."""

    size: str
    fall_kpa: F64

    def reaches_s(self, kpa: float) -> float:
        """When it has fallen so much."""
        return FRAME_S * (int(np.argmax(self.fall_kpa > kpa)) + 1)


@cache
def _frame_stops() -> tuple[Stop, ...]:
    """Of a pump that runs all the time."""
    stops = []
    for conductance in OWN_LEAKS_L_S:
        fall = _fall(VacuumParameters(vents_when_off=False, leaks=(Leak(conductance),)))
        per_min = 60.0 * float(fall[0]) / FRAME_S
        stops.append(Stop(f"check valve, then {per_min:.1f} kPa/min", fall))
    return (*stops, Stop("no check valve", _fall(VacuumParameters())))


def _fall(parameters: VacuumParameters) -> F64:
    frame = VacuumFrame(parameters)
    settled = frame.course(0.0, FRAME_S, round(SETTLED_S / FRAME_S), pumping=True)
    frame.pressure_kpa_abs = settled[-1]
    frame.pump_works = False
    course = frame.course(SETTLED_S, FRAME_S, round(SEEN_S / FRAME_S), pumping=False)
    return np.array(course[1:]) - course[0]


def stops_of(unit: Unit) -> tuple[Stop, ...]:
    """How this unit's pump can stop: one that cycles resumes no more, and the frame's own leak is
    the one that its cycles show."""
    if not unit.saw_kpa:
        return _frame_stops()
    per_s = unit.saw_kpa / (unit.saw_s - unit.saw_rise_s)
    fall = per_s * FRAME_S * np.arange(1.0, round(SEEN_S / FRAME_S) + 1)
    return (Stop("cycles no more", fall),)


def stopped(unit: Unit, stop: Stop, rng: Rng, *, before: int, after: int, exposures: int) -> F64:
    """Values of exposures, a column each, whose pump stops after so many of them, and takes its
    tone with it."""
    n = before + after
    gauge = replace(unit, tone_kpa=0.0, saw_kpa=0.0).values(n, exposures, rng)
    pump = replace(unit, white_kpa=0.0, slow_kpa=0.0, swing_kpa=0.0).values(n, exposures, rng)
    pump[before:] = -stop.fall_kpa[:after, None]
    if unit.saw_kpa:
        pump[before:] += pump[before - 1]
    return gauge + pump


def beat_gone(values: F64, known: NoiseModel) -> F64:
    """1 of a value that has not moved, 0 on average while the beat is as it was."""
    return 1.0 - np.minimum(BEAT_CLIP, (np.diff(values, axis=0) / known.beat_kpa) ** 2)


# --- the gauge ------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Failed:
    """Seconds from the failure to the finding; ``tuned_s`` None: there is nothing to tune."""

    size: str
    delay_s: float
    tuned_s: float | None


def gauge_fails(
    unit: Unit, model: NoiseModel, rng: Rng, *, rate: float, exposures: int, before_s: float,
    after_s: float,
) -> list[Failed]:  # fmt: skip
    """``rate``: false calls a value, for the tuned one. A gauge that is never called frozen counts
    as called after ``after_s``."""
    before, after = round(before_s / FRAME_S), round(after_s / FRAME_S)
    out = []
    for steps in NOISE_STEPS:
        step_kpa = math.sqrt(CONVERSIONS) * unit.white_kpa / steps
        delays, alike = [], 0
        for _ in range(exposures):
            nature, level_kpa = GaugeNature(FRAME_S), LEVEL_KPA + step_kpa * rng.uniform()
            at_rest = replace(unit, tone_kpa=0.0, saw_kpa=0.0).values(REST_VALUES, 1, rng)[:, 0]
            _show(nature, *messages(at_rest, unit.white_kpa, step_kpa, rng), pumping=False)
            live = level_kpa + unit.values(before, 1, rng)[:, 0]
            values, spans = messages(live, unit.white_kpa, step_kpa, rng)
            _show(nature, values, spans, pumping=True)
            alike += int((np.diff(values) == 0.0).sum())
            delays.append(_frozen_s(nature, round(values[-1] / step_kpa) * step_kpa, before, after))
        share = (alike + 1.0) / (exposures * (before - 1) + 2.0)
        alike_values = 1 + math.ceil(math.log(rate) / math.log(share))
        size = f"stuck, noise {steps:g} steps"
        out.append(Failed(size, float(np.mean(delays)), alike_values * FRAME_S))
    held = list(map(float, LEVEL_KPA + unit.values(2 * before, 1, rng)[:, 0]))
    out.append(Failed("no valid value", _lost_s(model, held, None, after), None))
    above_kpa = LIMITS.high_kpa + ABOVE_KPA
    out.append(Failed("above its band", _lost_s(model, held, above_kpa, after), None))
    return out


def messages(
    kpa: F64, white_kpa: float, step_kpa: float, rng: Rng
) -> tuple[F64, NDArray[np.int64]]:
    """Values as the means of conversions with steps of ``step_kpa``, and their spans in steps: the
    conversions of one message scatter so that their mean scatters by ``white_kpa``."""
    scatter = rng.standard_normal((kpa.size, CONVERSIONS))
    scatter -= scatter.mean(axis=1, keepdims=True)
    counts = np.rint((kpa[:, None] + math.sqrt(CONVERSIONS) * white_kpa * scatter) / step_kpa)
    return counts.sum(axis=1) / CONVERSIONS * step_kpa, np.ptp(counts, axis=1).astype(np.int64)


def _show(nature: GaugeNature, kpa: F64, spans: NDArray[np.int64], *, pumping: bool) -> None:
    """Until time 0 at rest, from then on in the light."""
    begin, frame_s = (0.0, FRAME_S) if pumping else (-REST_FRAME_S * kpa.size, REST_FRAME_S)
    for i, (value, span) in enumerate(zip(kpa.tolist(), spans.tolist(), strict=True)):
        nature.add(value, span, pumping=pumping, now=begin + frame_s * i)


def _frozen_s(nature: GaugeNature, kpa: float, before: int, after: int) -> float:
    for i in range(after):
        nature.add(kpa, 0, pumping=True, now=FRAME_S * (before + i))
        if nature.finding() is not None:
            return FRAME_S * (i + 1)
    return FRAME_S * after


def _lost_s(model: NoiseModel, held: list[float], kpa: float | None, after: int) -> float:
    """From the last good value on; None is what a signal out of its range gives, too."""
    half = len(held) // 2
    watch = ContactWatch(LIMITS, model, held[:half], now=0.0)
    for i, value in enumerate(held[half:], 1):
        watch.add(value, now=FRAME_S * i)
    for i in range(1, after + 1):
        finding = watch.add(kpa, now=FRAME_S * (half + i))
        if finding.verdict is Verdict.LOST and finding.cause is Cause.GAUGE:
            return FRAME_S * i
    return FRAME_S * after
