"""Counts of the inputs that somebody is calibrating, taken from the device's samples. Pure.

Nothing is kept of an input that nobody looks at.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Protocol

from platelink.link.messages import Sample
from platelink.sensing.beside import Beside
from platelink.sensing.calibration import Quantity, quantity_of
from platelink.sensing.registers import BusInstrument
from platelink.sensing.settling import Frame, Settled, Settling
from platelink.sensing.supply import SupplyWatch
from platelink.sensing.temperature import TemperatureSensor
from platelink.sensing.vacuum import Gauge, GaugeKind, ReachingGauge

LOOKED_AT_S = 15.0
"""An input that was not looked at for so long is looked at no more."""
_MASK32 = 0xFFFF_FFFF


class Told(Protocol):
    """What is needed of a ``Reading``."""

    @property
    def t(self) -> float: ...

    @property
    def channel_mw_cm2(self) -> tuple[float, ...]: ...

    @property
    def vacuum_kpa(self) -> float | None: ...

    @property
    def oven_c(self) -> float | None: ...

    @property
    def head_c(self) -> float | None: ...


@dataclass(frozen=True, slots=True)
class Looked:
    """An input as it is now."""

    settled: Settled
    x: float | None
    """As ``Calibration`` has it, of the mean counts; None where the signal tells no value, and for
    light, which is told above a dark reading."""
    value: float | None
    """What the unit takes it for now, with the calibration in force."""


@dataclass(slots=True)
class _Watch:
    settling: Settling
    looked_at: float
    value: float | None = None
    before: tuple[int, int] | None = None
    """Sum and count of light in the sample before."""
    newest_t: float = -math.inf
    """Of the newest number of an instrument on the bus."""


@dataclass(slots=True)
class Counting:
    """``look`` begins to watch an input; ``add`` is called for every sample."""

    light_channels: int
    vacuum: Gauge | None
    oven: TemperatureSensor | None
    head: TemperatureSensor | None
    """All as configured: a calibration is of these, not of what an earlier one made of them."""
    supply: SupplyWatch
    beside: Beside
    """Instruments on the bus: their counts are the numbers in their registers."""
    watched: dict[str, _Watch] = field(default_factory=dict)

    def look(self, sensor: str, *, now: float) -> Looked:
        """The input now; ValueError for a sensor that this unit does not have."""
        self._there(sensor)
        watch = self.watched.get(sensor)
        if watch is None:
            there = {"vacuum": self.vacuum, "oven": self.oven}.get(sensor)
            step = there.per_count() if isinstance(there, BusInstrument) else None
            watch = self.watched[sensor] = _Watch(Settling(quantity_of(sensor), step), now)
        watch.looked_at = now
        settled = watch.settling.now()
        counts = settled.counts
        x = None if counts is None else self._x(sensor, counts.mean, counts.head_c)
        return Looked(settled, x, watch.value)

    def add(self, sample: Sample, reading: Told, *, broken: bool) -> None:
        """One sample more; ``broken``: its sums do not follow on those before."""
        for sensor, watch in list(self.watched.items()):
            if reading.t - watch.looked_at > LOOKED_AT_S:
                del self.watched[sensor]
                continue
            quantity = quantity_of(sensor)
            if quantity is Quantity.LIGHT:
                i = int(sensor.partition(" ")[2])
                self._light(watch, sample, reading, i, broken)
                continue
            if isinstance({"vacuum": self.vacuum, "oven": self.oven}.get(sensor), BusInstrument):
                self._on_bus(watch, reading, quantity)
                continue
            total, n, low, high, value = {
                Quantity.VACUUM: (
                    sample.vacuum_sum, sample.vacuum_count, sample.vacuum_min, sample.vacuum_max,
                    reading.vacuum_kpa,
                ),
                Quantity.OVEN: (
                    sample.oven_sum, sample.oven_count, None, None, reading.oven_c,
                ),
                Quantity.HEAD: (
                    sample.head_sum, sample.head_count, None, None, reading.head_c,
                ),
            }[quantity]  # fmt: skip
            watch.value = value
            frame = Frame(reading.t, total, n, low, high, reading.head_c, self.supply.volts)
            watch.settling.add(frame)

    def _on_bus(self, watch: _Watch, reading: Told, quantity: Quantity) -> None:
        newest = self.beside.newest(quantity, reading.t)
        watch.value = reading.vacuum_kpa if quantity is Quantity.VACUUM else reading.oven_c
        if newest is None or watch.value is None:
            watch.settling.restart()
        elif newest.t > watch.newest_t:
            watch.newest_t = newest.t
            watch.settling.add(
                Frame(newest.t, newest.raw, 1, None, None, reading.head_c, self.supply.volts)
            )

    def _light(self, watch: _Watch, sample: Sample, reading: Told, i: int, broken: bool) -> None:
        now = sample.light_sum[i], sample.light_count[i]
        before, watch.before = watch.before, now
        if broken or before is None:
            watch.settling.restart()
            return
        watch.value = reading.channel_mw_cm2[i] if reading.channel_mw_cm2 else None
        total, n = now[0] - before[0], (now[1] - before[1]) & _MASK32
        watch.settling.add(
            Frame(
                reading.t, total, n, sample.light_min[i], sample.light_max[i], reading.head_c,
                self.supply.volts,
            )
        )  # fmt: skip

    def _there(self, sensor: str) -> None:
        others = {"vacuum": self.vacuum, "oven": self.oven, "head": self.head}
        known = [f"light {i}" for i in range(self.light_channels)]
        known += [name for name, it in others.items() if it is not None]
        if sensor not in known:
            there = ", ".join(known)
            raise ValueError(f"this unit has no sensor '{sensor:.40}'; there are: {there}")

    def _x(self, sensor: str, mean: float, head_c: float | None) -> float | None:
        quantity = quantity_of(sensor)
        if quantity is Quantity.VACUUM:
            gauge = self.vacuum
            vacuum = None if gauge is None else gauge.vacuum_kpa(mean)
            if not isinstance(vacuum, float):
                return None
            if isinstance(gauge, ReachingGauge) and gauge.kind is GaugeKind.ABSOLUTE:
                return gauge.kpa_abs(vacuum)
            return vacuum
        thermometer = {Quantity.OVEN: self.oven, Quantity.HEAD: self.head}.get(quantity)
        return None if thermometer is None else thermometer.temperature_c(mean, head_c)
