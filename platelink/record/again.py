"""Band minutes and contact, found again from the samples for whoever doubts the first. Pure.

Independent of the controller's code on purpose, as the dose in ``light.py`` is. A bake's record has
a reading a second, the controller counts by two; where a line between two readings crosses the
band's edge both may be off by a reading.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from platelink.events.event import EventName
from platelink.record.stored import RunRecord
from platelink.runs import RunEvent, RunStart, SampleBlock

CROSSING_S = 2.0
"""Seconds that a crossing of the band's edge, and each end, may be counted otherwise."""
SHARE = 0.002
"""Of the time in band: two clocks."""
LOST_S = 25.0
"""Of readings that a crash takes with it, while the time in band goes on from what was kept."""
LONGEST_OUT_S = 1.0
"""Light in which the vacuum is out of its band for longer must have been held: the watch waits
0.3 s unless told otherwise, then lamps and after-glow need their time."""
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Limits:
    """Between which contact holds, kPa."""

    low_kpa: float
    high_kpa: float


def in_band(samples: SampleBlock, low_c: float, high_c: float, gap_limit_s: float) -> Floats:
    """Seconds in band, and the most that it may be off: crossings, and time without readings.

    Between two readings a straight line; nothing is counted where they are farther apart than the
    limit."""
    oven_c = samples.values.get("oven_c", np.full(len(samples), np.nan))
    good = np.isfinite(oven_c)
    t_s, oven_c = samples.at_utc_ms[good] / 1000.0, oven_c[good]
    if len(t_s) < 2:
        return np.array([0.0, CROSSING_S])
    seconds, a, b = np.diff(t_s), oven_c[:-1], oven_c[1:]
    least, most = np.minimum(a, b), np.maximum(a, b)
    inside = np.minimum(most, high_c) - np.maximum(least, low_c)
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(most > least, inside / (most - least), inside >= 0.0)
    counted = (seconds > 0.0) & (seconds <= gap_limit_s)
    hidden_s = _hidden_s(seconds[~counted], gap_limit_s)
    within = (oven_c >= low_c) & (oven_c <= high_c)
    crossings = int((within[1:] != within[:-1]).sum()) + 2
    sure = float((np.clip(share, 0.0, 1.0) * seconds)[counted].sum())
    return np.array([sure, CROSSING_S * crossings + hidden_s])


def _hidden_s(seconds: Floats, gap_limit_s: float) -> float:
    """The most of these stretches without readings that may have been counted. A clock that was
    set meanwhile says nothing of their length."""
    lengths = np.where(seconds > 0.0, seconds, np.inf)
    return float(np.minimum(lengths, gap_limit_s + LOST_S).sum())


def bake_again(run: RunRecord, samples: SampleBlock) -> tuple[float | None, float | None, str]:
    """Recorded and found seconds in band, and what is wrong; None of a bake that tells neither.

    More than was recorded is no fault: a bake that was held counts nothing meanwhile."""
    request = run.start.request
    asked = [request.get(key) for key in ("low_c", "high_c")]
    recorded = _number(run.end.data.get("in_band_s")) if run.end else None
    low_c, high_c = map(_number, asked)
    if recorded is None or low_c is None or high_c is None:
        return recorded, None, ""
    gap_limit_s = _number(request.get("gap_limit_s")) or 5.0
    found, unsure = in_band(samples, low_c, high_c, gap_limit_s).tolist()
    if len(samples) and run.end is not None:
        began_s, ended_s = run.start.at_utc.timestamp(), run.end.at_utc.timestamp()
        first_s, last_s = samples.at_utc_ms[[0, -1]] / 1000.0
        edges = np.array([first_s - began_s, ended_s - last_s])
        unsure += _hidden_s(edges[np.abs(edges) > CROSSING_S], gap_limit_s)
    if recorded <= found + unsure + SHARE * found:
        return recorded, found, ""
    return (
        recorded, found,
        f"{recorded:.0f} s in band are recorded, the readings show {found:.0f} s (and {unsure:.0f} "
        "s that they leave open)",
    )  # fmt: skip


def contact_again(
    samples: SampleBlock, events: Sequence[RunEvent], limits: Limits | None
) -> tuple[float | None, str]:
    """The longest time that the vacuum was out of its band while light was counted, and what is
    wrong; None where no contact was asked for, or no vacuum recorded."""
    vacuum, lit = samples.values.get("vacuum_kpa"), samples.values.get("counting")
    if limits is None or vacuum is None or lit is None or not len(samples):
        return None, ""
    out = (lit > 0.0) & ((vacuum < limits.low_kpa) | (vacuum > limits.high_kpa))
    longest = _longest_s(out, samples.at_utc_ms)
    told = any(
        event.name in (EventName.HOLDING, EventName.ABORTING) and event.data.get("cause")
        for event in events
    )
    if told or longest <= LONGEST_OUT_S:
        return longest, ""
    worst = float(np.nanmin(vacuum[out]))
    return longest, (
        f"the vacuum was out of {limits.low_kpa:.1f} to {limits.high_kpa:.1f} kPa for "
        f"{longest:.1f} s of light (down to {worst:z.1f} kPa), and no loss of contact is recorded"
    )


def _longest_s(on: npt.NDArray[np.bool_], at_ms: npt.NDArray[np.int64]) -> float:
    """From the first to the last sample of the longest stretch."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]])))
    if not len(edges):
        return 0.0
    return float((at_ms[edges[1::2] - 1] - at_ms[edges[::2]]).max()) / 1000.0


def limits_of(start: RunStart, plate: RunRecord | None) -> Limits | None:
    """As the plate's recipe asks for its step, else as the configuration in force; None where no
    contact was asked for, or lamps were not switched by the device."""
    config = start.conditions.get("config")
    config = config if isinstance(config, dict) else {}
    if config.get("lamps") == "advisory":
        return None
    if plate is not None and plate.start.run_kind == "plate":
        recipe = plate.start.request.get("recipe")
        steps = recipe.get("step") if isinstance(recipe, dict) else None
        each = steps if isinstance(steps, list) else []
        found = [s for s in each if isinstance(s, dict) and s.get("name") == start.step]
        return _limits(found[0].get("contact")) if found else None
    return _limits(config.get("contact")) if start.request.get("contact") else None


def _limits(contact: object) -> Limits | None:
    values: Mapping[str, Any] = contact if isinstance(contact, Mapping) else {}
    low, high = _number(values.get("low_kpa")), _number(values.get("high_kpa"))
    return None if low is None or high is None else Limits(low, high)


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
