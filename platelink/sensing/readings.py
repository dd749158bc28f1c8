"""Device samples to readings in physical units. Pure; runs for every Sample message.

Light comes from differences of the cumulative sums: the mean over all ticks since the sample
before, however many messages were lost in between. A step of the sums that cannot be is refused,
whatever its CRC says. Vacuum and temperatures are the means of the message's own window.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntFlag
from typing import NamedTuple

from platelink.link.messages import WATER_CHANNEL, OrderReport, Sample
from platelink.sensing.beside import Beside
from platelink.sensing.calibration import Quantity
from platelink.sensing.counting import Counting
from platelink.sensing.light import LightSensors
from platelink.sensing.registers import BusInstrument
from platelink.sensing.supply import SupplyWatch
from platelink.sensing.temperature import TemperatureSensor
from platelink.sensing.vacuum import Gauge, GaugeFault

_MASK32 = 0xFFFF_FFFF


class Quality(IntFlag):
    """What is not as it should be with a reading; 0 is good."""

    FIRST = 1  # no sample before this one: no window, no light
    RESTARTED = 2  # the device's counters began anew: as FIRST
    GAP = 4  # messages were lost: the window is longer, no light is lost
    LIGHT_MISSING = 8  # a channel was not sampled in the window
    LIGHT_SATURATED = 16  # a weighted channel touched the top of its converter
    LIGHT_AT_FLOOR = 32  # a weighted channel touched 0 counts: unplugged, or noise cut off
    VACUUM_MISSING = 64
    VACUUM_RANGE = 128  # signal out of range: broken or shorted wire
    VACUUM_IMPLAUSIBLE = 256  # below absolute zero: gauge, scaling or barometer is wrong
    OVEN_MISSING = 512
    OVEN_RANGE = 1024
    HEAD_MISSING = 2048
    HEAD_RANGE = 4096
    WATER_MISSING = 16384
    WATER_RANGE = 32768
    VACUUM_STALE = 65536  # an instrument on the bus has given no value for too long
    OVEN_STALE = 131072
    LIGHT_REFUSED = 8192  # sums or ticks that cannot follow those before: damaged, not integrated


_GOOD = Quality(0)
# plain ints: an IntFlag's own operators take microseconds
_FIRST, _RESTARTED, _GAP = int(Quality.FIRST), int(Quality.RESTARTED), int(Quality.GAP)
_MISSING, _SATURATED, _FLOOR, _REFUSED = (
    int(Quality.LIGHT_MISSING),
    int(Quality.LIGHT_SATURATED),
    int(Quality.LIGHT_AT_FLOOR),
    int(Quality.LIGHT_REFUSED),
)
_BROKEN = _FIRST | int(Quality.RESTARTED) | int(Quality.LIGHT_REFUSED)
_VACUUM_STALE, _OVEN_STALE = int(Quality.VACUUM_STALE), int(Quality.OVEN_STALE)
_VACUUM_MISSING = int(Quality.VACUUM_MISSING)
_GAUGE_FAULT = {
    GaugeFault.RANGE: int(Quality.VACUUM_RANGE),
    GaugeFault.IMPLAUSIBLE: int(Quality.VACUUM_IMPLAUSIBLE),
}
_OVEN = int(Quality.OVEN_MISSING), int(Quality.OVEN_RANGE)
_HEAD = int(Quality.HEAD_MISSING), int(Quality.HEAD_RANGE)
_WATER = int(Quality.WATER_MISSING), int(Quality.WATER_RANGE)


class Reading(NamedTuple):
    """One Sample in physical units. None: not measured, ``quality`` says why; a sensor that the
    unit does not have is None without a flag."""

    t: float
    """Host monotonic seconds at the sample's last tick."""
    ticks: int
    dticks: int
    """Ticks since the sample before; 0 for the first."""
    lost: int
    """Messages missing before this one."""
    irradiance_mw_cm2: float | None
    """Weighted mean of the channels over the light window."""
    channel_mw_cm2: tuple[float, ...]
    """Each channel by itself; empty when the irradiance is None."""
    vacuum_kpa: float | None
    oven_c: float | None
    head_c: float | None
    water_c: float | None
    inputs: int
    quality: Quality
    vacuum_fresh: bool = True
    """False: an instrument on the bus gave no newer value since the sample before."""
    oven_t: float | None = None
    """As ``t``, of a temperature that such an instrument tells; None: it is the sample's."""

    @property
    def light_refused(self) -> bool:
        """Its sums or ticks cannot be."""
        return bool(int(self.quality) & _REFUSED)


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensors:
    """The sensors of one unit."""

    light: LightSensors
    adc_bits: int
    vacuum: Gauge | None = None
    oven: TemperatureSensor | None = None
    head: TemperatureSensor | None = None
    water: TemperatureSensor | None = None


class _Sums(NamedTuple):
    """The sums that the next window begins with."""

    ticks: int
    light_sum: tuple[int, ...]
    light_count: tuple[int, ...]


class Converter:
    """Turns Samples, in the order of the device's ticks, into Readings.

    Keeps the last good sums and counts what it refused since. A restart of the device that its
    ticks do not betray (they may have passed the old ones) is told with ``restart``."""

    __slots__ = (
        "_adc_max", "_base", "_n", "_qualities", "_ticks", "_vacuum_t", "_water", "_weighs",
        "beside", "counting", "has_water", "light", "refused", "refused_in_a_row", "sensors",
        "supply",
    )  # fmt: skip

    def __init__(self, sensors: Sensors, configured: Sensors | None = None) -> None:
        """``configured``: without the calibrations that ``sensors`` have; left out: the same."""
        self.sensors = sensors
        plain = configured or sensors
        self.supply = SupplyWatch(sensors.adc_bits)
        """The converter's reference."""
        self.beside = Beside(_on_bus(sensors))
        self.counting = Counting(
            len(plain.light.channels), plain.vacuum, plain.oven, plain.head, self.supply,
            self.beside,
        )  # fmt: skip
        self.light = sensors.light
        """Sensors in use; may be replaced when a new dark reading was made."""
        self._adc_max = (1 << sensors.adc_bits) - 1
        self._n = len(sensors.light.channels)
        self._weighs = tuple(c.weight > 0.0 for c in sensors.light.channels)
        self._ticks: int | None = None
        self._base: _Sums | None = None
        self._water: tuple[int, int, int] | None = None
        self._vacuum_t = -math.inf
        """Of the newest value that an instrument on the bus gave a reading."""
        self.has_water = True
        """The device says so; on another one there may be light on that channel."""
        self.refused = self.refused_in_a_row = 0
        """Samples and accounts whose sums cannot be: all of them, and those since a good one."""
        self._qualities: dict[int, Quality] = {0: _GOOD}

    @property
    def newest(self) -> tuple[tuple[int, ...], tuple[int, ...]]:
        """Last good sums and counts of each channel; empty before there are any."""
        base = self._base
        return (base.light_sum, base.light_count) if base is not None else ((), ())

    def take_up(self, sensors: Sensors) -> None:
        """Go on with the same sensors calibrated anew."""
        self.sensors, self.light = sensors, sensors.light
        self.beside.take_up(_on_bus(sensors))

    def restart(self) -> None:
        """Forget the sums: the device started anew."""
        self._ticks = self._base = self._water = None
        self.refused_in_a_row = 0

    def read(self, sample: Sample, ticks: int, t: float, lost: int = 0) -> Reading:
        """The reading of one sample.

        ``ticks`` is the sample's tick unwrapped to 64 bit, ``t`` the host's monotonic seconds at
        that tick, ``lost`` the number of messages known to be missing before it."""
        flags = _GAP if lost else 0
        head_c, flag = self._head(sample)
        flags |= flag
        irradiance: float | None = None
        channels: tuple[float, ...] = ()
        dticks = 0
        last = self._ticks
        if last is None or ticks < last:
            flags |= _FIRST if last is None else _RESTARTED
            self._base = _Sums(ticks, sample.light_sum, sample.light_count)
        else:
            dticks = ticks - last
            means, flag = self._light(sample, ticks)
            flags |= flag
            if means is not None:
                irradiance, channels = self.light.irradiances_mw_cm2(means, head_c)
        self._ticks = ticks
        vacuum_kpa, flag, fresh = self._vacuum(sample, t)
        flags |= flag
        oven_c, flag, oven_t = self._oven(sample, head_c, t)
        flags |= flag
        water_c, flag = self._water_c(sample, ticks, head_c)
        flags |= flag
        quality = self._qualities.get(flags)
        reading = Reading(
            t,
            ticks,
            dticks,
            lost,
            irradiance,
            channels,
            vacuum_kpa,
            oven_c,
            head_c,
            water_c,
            sample.inputs,
            self._quality(flags) if quality is None else quality,
            fresh,
            oven_t,
        )
        if self.counting.watched:
            self.counting.add(sample, reading, broken=bool(flags & _BROKEN))
        return reading

    def _quality(self, flags: int) -> Quality:
        quality = self._qualities[flags] = Quality(flags)
        return quality

    def fits(self, report: OrderReport, close_ticks: int) -> bool:
        """The sums of an account of this boot, at its close, can be true beside the last good
        ones; else it is counted as refused."""
        base, close = self._base, _Sums(close_ticks, report.close_sum, report.close_count)
        if base is None:
            return True
        first, later = (base, close) if base.ticks <= close_ticks else (close, base)
        fits = self._steps(first, later) is not None
        self.refused += not fits
        return fits

    def _light(self, sample: Sample, ticks: int) -> tuple[list[float] | None, int]:
        """Mean counts of each channel since the window began, and flags."""
        base, sums = self._base, _Sums(ticks, sample.light_sum, sample.light_count)
        assert base is not None
        steps = self._steps(base, sums)
        # where there is no mean the next window begins where this one did, and holds this light too
        if steps is None:
            self.refused += 1
            self.refused_in_a_row += 1
            return None, _REFUSED
        self.refused_in_a_row = 0
        means = [total / n for total, n in steps if n]
        if len(means) < self._n:
            return None, _MISSING
        flags = 0
        for i in range(self._n):
            if self._weighs[i]:  # a channel only watched spoils no dose
                if sample.light_max[i] >= self._adc_max:
                    flags |= _SATURATED
                if not sample.light_min[i]:
                    flags |= _FLOOR
        self._base = sums
        return means, flags

    def _steps(self, first: _Sums, later: _Sums) -> list[tuple[int, int]] | None:
        """Growth of sum and count of each channel. None: it cannot be, for a channel counts once
        each tick, or not at all, and no sum goes back or grows by more than the converter gives."""
        dticks, adc_max = (later.ticks - first.ticks) & _MASK32, self._adc_max
        steps = []
        for i in range(self._n):
            n = (later.light_count[i] - first.light_count[i]) & _MASK32
            total = later.light_sum[i] - first.light_sum[i]
            if n not in (dticks, 0) or not 0 <= total <= n * adc_max:
                return None
            steps.append((total, n))
        return steps

    def _vacuum(self, sample: Sample, t: float) -> tuple[float | None, int, bool]:
        sensor, fresh = self.sensors.vacuum, True
        if sensor is None:
            return None, 0, True
        if isinstance(sensor, BusInstrument):
            newest = self.beside.newest(Quantity.VACUUM, t)
            if newest is None:
                return None, _VACUUM_STALE, True
            counts, fresh = newest.raw, newest.t > self._vacuum_t
            self._vacuum_t = newest.t
        elif sample.vacuum_count:
            counts = sample.vacuum_sum / sample.vacuum_count
        else:
            return None, _VACUUM_MISSING, True
        value = sensor.vacuum_kpa(counts)
        if isinstance(value, float):
            return value, 0, fresh
        return None, _GAUGE_FAULT[value], True

    def _oven(
        self, sample: Sample, head_c: float | None, t: float
    ) -> tuple[float | None, int, float | None]:
        sensor = self.sensors.oven
        if not isinstance(sensor, BusInstrument):
            return *_mean_c(sensor, sample.oven_sum, sample.oven_count, head_c, _OVEN), None
        newest = self.beside.newest(Quantity.OVEN, t)
        if newest is None:
            return None, _OVEN_STALE, None
        value = sensor.value(newest.raw)
        return value, 0 if value is not None else _OVEN[1], newest.t

    def _head(self, sample: Sample) -> tuple[float | None, int]:
        value, flag = _mean_c(self.sensors.head, sample.head_sum, sample.head_count, None, _HEAD)
        if value is not None and not self.light.can_correct(value):
            return None, _HEAD[1]
        return value, flag

    def _water_c(
        self, sample: Sample, ticks: int, head_c: float | None
    ) -> tuple[float | None, int]:
        """Of the sums since the sample before, as light."""
        sensor = self.sensors.water
        if sensor is None:
            return None, 0
        if not self.has_water:
            return None, _WATER[0]
        total, count = sample.light_sum[WATER_CHANNEL], sample.light_count[WATER_CHANNEL]
        first, self._water = self._water, (total, count, ticks)
        if first is None:
            return None, 0  # the flags say that it is the first
        n = (count - first[1]) & _MASK32
        if n not in (0, ticks - first[2]):
            return None, _WATER[1]
        return _mean_c(sensor, total - first[0], n, head_c, _WATER)


def _on_bus(sensors: Sensors) -> list[BusInstrument]:
    return [s for s in (sensors.vacuum, sensors.oven) if isinstance(s, BusInstrument)]


def _mean_c(
    sensor: TemperatureSensor | None, total: int, n: int, junction_c: float | None,
    flags: tuple[int, int],
) -> tuple[float | None, int]:  # fmt: skip
    """Mean temperature of a window and ``flags``: missing, and out of range."""
    if sensor is None:
        return None, 0
    if not n:
        return None, flags[0]
    value = sensor.temperature_c(total / n, junction_c)
    return value, 0 if value is not None else flags[1]
