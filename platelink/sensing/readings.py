"""Device samples to readings in physical units. Pure; runs for every Sample message.

Light comes from differences of the cumulative sums: the mean over all ticks since the sample
before, however many messages were lost in between. Vacuum and temperatures are the means of the
message's own window.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

from platelink.link.messages import Sample
from platelink.sensing.light import LightSensors
from platelink.sensing.temperature import TemperatureSensor
from platelink.sensing.vacuum import Gauge, GaugeFault

_MASK32 = 0xFFFF_FFFF
_MASK64 = 0xFFFF_FFFF_FFFF_FFFF


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


_GOOD = Quality(0)
# plain ints: an IntFlag's own operators take microseconds
_FIRST, _RESTARTED, _GAP = int(Quality.FIRST), int(Quality.RESTARTED), int(Quality.GAP)
_MISSING, _SATURATED, _FLOOR = (
    int(Quality.LIGHT_MISSING),
    int(Quality.LIGHT_SATURATED),
    int(Quality.LIGHT_AT_FLOOR),
)
_VACUUM_MISSING = int(Quality.VACUUM_MISSING)
_GAUGE_FAULT = {
    GaugeFault.RANGE: int(Quality.VACUUM_RANGE),
    GaugeFault.IMPLAUSIBLE: int(Quality.VACUUM_IMPLAUSIBLE),
}
_OVEN = int(Quality.OVEN_MISSING), int(Quality.OVEN_RANGE)
_HEAD = int(Quality.HEAD_MISSING), int(Quality.HEAD_RANGE)


@dataclass(frozen=True, slots=True)
class Reading:
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
    inputs: int
    quality: Quality

    @property
    def has_light(self) -> bool:
        """True when the irradiance is a number that can be believed."""
        return self.irradiance_mw_cm2 is not None and not self.quality & Quality.LIGHT_SATURATED


@dataclass(frozen=True, slots=True, kw_only=True)
class Sensors:
    """The sensors of one unit."""

    light: LightSensors
    adc_bits: int
    vacuum: Gauge | None = None
    oven: TemperatureSensor | None = None
    head: TemperatureSensor | None = None


class Converter:
    """Turns Samples, in the order of the device's ticks, into Readings.

    Keeps the sums of the sample before, nothing else. A restart of the device that its counters do
    not betray (they may have passed the old ones) is told with ``restart``."""

    __slots__ = ("_adc_max", "_base", "_n", "_qualities", "_ticks", "_weighs", "light", "sensors")

    def __init__(self, sensors: Sensors) -> None:
        self.sensors = sensors
        self.light = sensors.light
        """Sensors in use; may be replaced when a new dark reading was made."""
        self._adc_max = (1 << sensors.adc_bits) - 1
        self._n = len(sensors.light.channels)
        self._weighs = tuple(c.weight > 0.0 for c in sensors.light.channels)
        self._ticks: int | None = None
        self._base: Sample | None = None  # sums at the start of the light window
        self._qualities: dict[int, Quality] = {0: _GOOD}

    def restart(self) -> None:
        """Forget the sums: the device started anew."""
        self._ticks = self._base = None

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
            self._base = sample
        else:
            dticks = ticks - last
            means, flag = self._light(sample)
            flags |= flag
            if means is not None:
                irradiance, channels = self.light.irradiances_mw_cm2(means, head_c)
        self._ticks = ticks
        vacuum_kpa, flag = self._vacuum(sample)
        flags |= flag
        oven_c, flag = self._oven(sample, head_c)
        flags |= flag
        return Reading(
            t,
            ticks,
            dticks,
            lost,
            irradiance,
            channels,
            vacuum_kpa,
            oven_c,
            head_c,
            sample.inputs,
            self._qualities.get(flags) or self._quality(flags),
        )

    def _quality(self, flags: int) -> Quality:
        quality = self._qualities[flags] = Quality(flags)
        return quality

    def _light(self, sample: Sample) -> tuple[list[float] | None, int]:
        """Mean counts of each channel since the window began, and flags."""
        base = self._base
        assert base is not None
        sum0, count0, sum1, count1 = (
            base.light_sum,
            base.light_count,
            sample.light_sum,
            sample.light_count,
        )
        adc_max = self._adc_max
        means = []
        flags = 0
        for i in range(self._n):
            n = (count1[i] - count0[i]) & _MASK32
            if not n:
                # the next window begins where this one did, so that it holds this light too
                return None, _MISSING
            mean = ((sum1[i] - sum0[i]) & _MASK64) / n
            if mean > adc_max:  # no sum of that many conversions: other counters than before
                self._base = sample
                return None, _RESTARTED
            means.append(mean)
            if self._weighs[i]:  # a channel only watched spoils no dose
                if sample.light_max[i] >= adc_max:
                    flags |= _SATURATED
                if not sample.light_min[i]:
                    flags |= _FLOOR
        self._base = sample
        return means, flags

    def _vacuum(self, sample: Sample) -> tuple[float | None, int]:
        sensor = self.sensors.vacuum
        if sensor is None:
            return None, 0
        n = sample.vacuum_count
        if not n:
            return None, _VACUUM_MISSING
        value = sensor.vacuum_kpa(sample.vacuum_sum / n)
        return (value, 0) if isinstance(value, float) else (None, _GAUGE_FAULT[value])

    def _head(self, sample: Sample) -> tuple[float | None, int]:
        sensor = self.sensors.head
        if sensor is None:
            return None, 0
        n = sample.head_count
        if not n:
            return None, _HEAD[0]
        value = sensor.temperature_c(sample.head_sum / n, None)
        return value, 0 if value is not None else _HEAD[1]

    def _oven(self, sample: Sample, head_c: float | None) -> tuple[float | None, int]:
        sensor = self.sensors.oven
        if sensor is None:
            return None, 0
        n = sample.oven_count
        if not n:
            return None, _OVEN[0]
        value = sensor.temperature_c(sample.oven_sum / n, head_c)
        return value, 0 if value is not None else _OVEN[1]
