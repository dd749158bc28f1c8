"""Closing a run that a crash left open, from what is stored and what the device still knows. Pure.

Such a run ends ``interrupted``, whatever the sums say: nobody watched it. Its reason tells how
much dose is known and from where, so that a person can judge the plate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from pydantic import JsonValue, ValidationError

from platelink.record.light import Floats, LightCalibration, darks_of
from platelink.record.reader import OpenRun, to_ms
from platelink.runs import RunEnd, RunEvent, SampleBlock

_MASK32 = 0xFFFF_FFFF
_MASK64 = 0xFFFF_FFFF_FFFF_FFFF
_HALF32 = 1 << 31


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


@dataclass(frozen=True, slots=True)
class _Light:
    """Light of an order by the device's sums."""

    light_s: float
    dose_mj_cm2: float
    after_last_sample_mj_cm2: float


def close_open_run(
    run: OpenRun,
    events: Sequence[RunEvent],
    account: DeviceAccount | None,
    *,
    entry_id: str,
    at_utc: datetime,
) -> RunEnd:
    """The end of a run left open; ``events`` are all of its events, ``account`` is None when the
    device does not answer.

    Orders given in the run are read from its events (``order`` in their data), the device's boot
    from the newest ``boot_id`` in events or conditions. The gap is by the computer's clock."""
    orders, boot_id = _orders(events), _boot_id(run, events)
    stored = _last_value(run.last, "dose_mj_cm2")
    light, what = None, ""
    if account is None:
        what = "the device did not answer"
    elif account.boot_id != boot_id:
        what = "the device has started anew since, its sums are gone"
    elif not orders:
        what = "no light was ordered"
    elif account.order != orders[-1]:
        what = f"the device's newest order is {account.order}, this run's was {orders[-1]}"
    else:
        light = _light(run, events, account)
        what = _told(account, light)
    last_ms = int(run.last.at_utc_ms[-1]) if run.last else to_ms(run.start.at_utc)
    gap_s = (to_ms(at_utc) - last_ms) / 1000.0
    after = light.after_last_sample_mj_cm2 if light else 0.0
    known = (stored or 0.0) + after
    data: dict[str, JsonValue] = {
        "stored_dose_mj_cm2": stored,
        "after_last_sample_mj_cm2": light.after_last_sample_mj_cm2 if light else None,
        "gap_s": gap_s,
        "orders": list(orders),
        "device": what,
    }
    return RunEnd(
        id=entry_id,
        run_id=run.start.run_id,
        unit=run.start.unit,
        at_utc=at_utc,
        state="interrupted",
        reason=(
            f"recording stopped in mid-run and began again {gap_s:.1f} s later; "
            f"{stored or 0.0:.2f} mJ/cm² until the last stored sample; {what}; "
            f"{known:.2f} mJ/cm² are known, judge the plate before use"
        ),
        dose_mj_cm2=known if stored is not None or light else None,
        device_dose_mj_cm2=light.dose_mj_cm2 if light and len(orders) == 1 else None,
        light_s=light.light_s if light and len(orders) == 1 else None,
        samples=run.samples,
        events=len(events),
        data=data,
    )


def _told(account: DeviceAccount, light: _Light | None) -> str:
    lamp = (
        "the lamp is still on under its order"
        if account.lamp_on
        else f"the device closed its order by {account.closed_by}"
    )
    if light is None:
        return f"{lamp}, but no calibration was recorded to tell its dose"
    return (
        f"{lamp}, {light.after_last_sample_mj_cm2:.2f} mJ/cm² after that sample and "
        f"{light.dose_mj_cm2:.2f} in the whole order by its own sums"
    )


def _light(run: OpenRun, events: Sequence[RunEvent], account: DeviceAccount) -> _Light | None:
    """Dose of the order, and the part of it that no stored sample holds; neither has after-glow."""
    rule = _rule(run, events)
    if rule is None or len(account.open_sum) < len(rule.calibration.channels):
        return None
    n = len(rule.calibration.channels)
    opened = (account.open_sum[:n], account.open_count[:n])
    closed = (account.close_sum[:n], account.close_count[:n])
    whole_s, whole = rule.between(opened, closed)
    stored, after = _stored_sums(run.last, n), whole
    if stored is not None and _not_before(stored, opened):
        after = 0.0 if _not_before(stored, closed) else rule.between(stored, closed)[1]
    return _Light(whole_s, whole, after)


_Sums = tuple[tuple[int, ...], tuple[int, ...]]
"""Sums and counts of each channel."""


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


def _rule(run: OpenRun, events: Sequence[RunEvent]) -> _Rule | None:
    """The newest calibration, dark reading, head temperature and tick recorded; None without."""
    try:
        calibration = LightCalibration.model_validate(run.start.conditions.get("light"))
    except ValidationError:
        return None
    tick_s = _last_value(run.last, "tick_s") or calibration.tick_s
    if tick_s is None:
        return None
    head_c = _last_value(run.last, "head_c")
    darks = darks_of(calibration, events)[1][:, -1:]
    return _Rule(calibration, darks, np.nan if head_c is None else head_c, tick_s)


def _stored_sums(last: SampleBlock | None, channels: int) -> _Sums | None:
    names = [f"light_{kind}_{i}" for kind in ("sum", "count") for i in range(channels)]
    if last is None or any(name not in last.raw for name in names):
        return None
    values = tuple(int(last.raw[name][-1]) for name in names)
    return values[:channels], values[channels:]


def _last_value(last: SampleBlock | None, name: str) -> float | None:
    if last is None or name not in last.values or not np.isfinite(last.values[name][-1]):
        return None
    return float(last.values[name][-1])


def _orders(events: Sequence[RunEvent]) -> list[int]:
    """Orders given in the run, oldest first."""
    given = [event.data.get("order") for event in events]
    return list(dict.fromkeys(order for order in given if isinstance(order, int) and order > 0))


def _boot_id(run: OpenRun, events: Sequence[RunEvent]) -> int | None:
    """The device's boot in which the run was last seen."""
    device = run.start.conditions.get("device")
    newest = device.get("boot_id") if isinstance(device, dict) else None
    for event in events:
        newest = event.data.get("boot_id", newest)
    return newest if isinstance(newest, int) else None
