"""Light of an order by the device's own account, when nobody recorded it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import ValidationError

from platelink.record.light import Floats, LightCalibration, darks_of
from platelink.record.stored import OpenRun
from platelink.runs import RunEvent, SampleBlock

_MASK32 = 0xFFFF_FFFF
_MASK64 = 0xFFFF_FFFF_FFFF_FFFF
_HALF32 = 1 << 31

_Sums = tuple[tuple[int, ...], tuple[int, ...]]
"""Sums and counts of each channel."""


@dataclass(frozen=True, slots=True)
class DeviceAccount:
    """The device's report of its newest order, in words this package knows.

    ``open_*`` are the sums and counts after the last tick before light, ``close_*`` after the last
    lit one (or the present ones while ``lamp_on``)."""

    order: int
    boot_id: int
    lamp_on: bool
    closed_by: str
    open_sum: tuple[int, ...]
    close_sum: tuple[int, ...]
    open_count: tuple[int, ...]
    close_count: tuple[int, ...]
    now_sum: tuple[int, ...] = ()
    """Of the newest sample; none where there is none yet."""
    now_count: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class OrderLight:
    """Light of an order by the device's sums."""

    light_s: float
    dose_mj_cm2: float
    after_last_sample_mj_cm2: float
    after_last_sample_s: float
    watched: bool = False
    """That sample is of this order."""
    since_close_mj_cm2: float = 0.0
    """No stored sample holds it, and nobody saw whether it was the lamps'."""


def light_of(run: OpenRun, events: Sequence[RunEvent], account: DeviceAccount) -> OrderLight | None:
    """Dose of the order, and the part of it that no stored sample holds, neither with after-glow;
    and what the sums have counted since."""
    rule = _rule(run, events)
    if rule is None or len(account.open_sum) < len(rule.calibration.channels):
        return None
    n = len(rule.calibration.channels)
    opened = (account.open_sum[:n], account.open_count[:n])
    closed = (account.close_sum[:n], account.close_count[:n])
    whole_s, whole = rule.between(opened, closed)
    stored, after_s, after = _stored_sums(run.last, n), whole_s, whole
    watched = stored is not None and _not_before(stored, opened)
    if stored is not None and watched:
        over = _not_before(stored, closed)
        after_s, after = (0.0, 0.0) if over else rule.between(stored, closed)
    elif stored is not None and last_value(run.last, "counting"):
        after += rule.between(stored, opened)[1]  # light of an order before it, by the same sums
    since = 0.0
    if account.now_count and not account.lamp_on:
        known = stored if stored is not None and _not_before(stored, closed) else closed
        newest = (account.now_sum[:n], account.now_count[:n])
        if _not_before(newest, known):
            since = max(0.0, rule.between(known, newest)[1])
    return OrderLight(whole_s, whole, after, after_s, watched, since)


def _not_before(a: _Sums, b: _Sums) -> bool:
    """True when reading ``a`` is as late as ``b``, by the counts modulo 2^32."""
    return (a[1][0] - b[1][0]) & _MASK32 < _HALF32


@dataclass(frozen=True, slots=True)
class _Rule:
    """How this run's counts become dose."""

    calibration: LightCalibration
    dark_counts: Floats
    head_c: float
    tick_s: float

    def between(self, start: _Sums, end: _Sums) -> tuple[float, float]:
        """Seconds and effective dose between two readings of the sums, as one window: the device
        counts every channel once a tick."""
        counts = [(b - a) & _MASK32 for a, b in zip(start[1], end[1], strict=True)]
        if not all(counts):
            return 0.0, 0.0
        sums = [(b - a) & _MASK64 for a, b in zip(start[0], end[0], strict=True)]
        mean = np.array([[s / c] for s, c in zip(sums, counts, strict=True)])
        irradiance = self.calibration.irradiance_mw_cm2(
            mean, self.dark_counts, np.array([self.head_c])
        )
        seconds = counts[0] * self.tick_s
        return seconds, float(self.calibration.rate_mw_cm2(irradiance)[0]) * seconds


def calibration_of(run: OpenRun) -> LightCalibration | None:
    """The calibration recorded with the run, if there is one."""
    try:
        return LightCalibration.model_validate(run.start.conditions.get("light"))
    except ValidationError:
        return None


def _rule(run: OpenRun, events: Sequence[RunEvent]) -> _Rule | None:
    """The newest calibration, dark reading, head temperature and tick recorded; None without."""
    calibration = calibration_of(run)
    if calibration is None:
        return None
    tick_s = last_value(run.last, "tick_s") or calibration.tick_s
    if tick_s is None:
        return None
    head_c = last_value(run.last, "head_c")
    darks = darks_of(calibration, events)[1][:, -1:]
    return _Rule(calibration, darks, np.nan if head_c is None else head_c, tick_s)


def _stored_sums(last: SampleBlock | None, channels: int) -> _Sums | None:
    names = [f"light_{kind}_{i}" for kind in ("sum", "count") for i in range(channels)]
    if last is None or any(name not in last.raw for name in names):
        return None
    values = tuple(int(last.raw[name][-1]) for name in names)
    return values[:channels], values[channels:]


def last_value(last: SampleBlock | None, name: str) -> float | None:
    """A value of the newest sample; None where it was not measured."""
    if last is None or name not in last.values or not np.isfinite(last.values[name][-1]):
        return None
    return float(last.values[name][-1])
