"""The plant around the board: light, vacuum, oven, head temperature -> blocks of converter counts.

Ticks are made in chunks on a fixed grid, ahead of time, and only the ticks the board consumed are
committed. When something changes in mid-chunk (an output, a fault) the rest of the chunk is made
again from the state at that tick with the same noise, so the result does not depend on how the
caller splits time. Light is computed at several sub-samples a tick: the board samples the last one,
the truth integrates all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from platesim.lamps import Light, LightSource
from platesim.oven import OvenParameters, OvenState, stepped
from platesim.sensors import (
    BANDGAP,
    COLUMNS,
    HEAD,
    NOMINAL_V,
    OVEN,
    U16,
    VACUUM,
    WATER,
    Converter,
    Filter,
    GaugeNoise,
    GaugeNoiseSource,
    LightSensor,
    LinearSensor,
    SensorParameters,
)
from platesim.truth import Truth
from platesim.vacuum import VacuumFrame, VacuumParameters

F64 = NDArray[np.float64]

CHUNK_TICKS = 1000
_IDEAL = Converter()
_COURSE_TICKS = 100
"""Spacing of the pressures computed within a chunk; linear in between."""


@dataclass(frozen=True, slots=True)
class PlantParameters:
    """Everything around the board but the light."""

    vacuum: VacuumParameters = field(default_factory=VacuumParameters)
    oven: OvenParameters = field(default_factory=OvenParameters)
    sensors: SensorParameters = field(default_factory=SensorParameters)
    water_c: float = 23.5
    """The washout water at the start."""
    subsamples: int = 4
    """Points of light a tick."""


class Plant:
    """The simulated world, in device ticks of ``tick_s`` true seconds."""

    def __init__(
        self,
        parameters: PlantParameters,
        source: LightSource,
        *,
        channels: int,
        tick_s: float,
        seed: int,
    ) -> None:
        self.parameters = parameters
        self.source = source
        self.channels = channels
        self.tick_s = tick_s
        self.frame = VacuumFrame(parameters.vacuum)
        self.oven = OvenState(parameters.oven.start_c, False)
        self.head_c = parameters.sensors.ambient_c
        self.water_c = parameters.water_c
        self.ticks = 0
        """Ticks passed since the beginning."""
        self.truth = Truth(tick_s)
        self.pumping = False
        self.door_open = False
        self.stuck: dict[int, int] = {}
        """Columns that no longer move, with their count."""
        self.transmission = [1.0] * channels
        """What reaches each light sensor: dirt, a hand in front of it."""
        self.stray_mw_cm2 = 0.0
        """Light from elsewhere, on bed and sensors."""
        self.shifts: dict[int, tuple[float, float, float]] = {}
        """Columns that are off: by counts, by counts more a second, since this time."""
        self._rng = np.random.default_rng((seed, 2))
        self._bandgap_noise = np.random.default_rng((seed, 12))
        s = parameters.sensors
        self._light = [s.light[min(c, len(s.light) - 1)] for c in range(channels)]
        self._amplifiers = [
            Filter(one.filter_s, tick_s, CHUNK_TICKS) if one.filter_s else None
            for one in self._light
        ]
        sub = (np.arange(parameters.subsamples) + 0.5) / parameters.subsamples
        self._offsets_s = (np.arange(CHUNK_TICKS) + sub[:, None]) * tick_s
        self._index = np.arange(1.0, CHUNK_TICKS + 1.0)
        self._mean = np.full(parameters.subsamples, 1.0 / parameters.subsamples)
        self.analog: U16 = np.zeros((CHUNK_TICKS, COLUMNS), np.uint16)
        """Counts, a row a tick; see ``made``."""
        self._columns = [*range(channels), VACUUM, OVEN, HEAD]
        sensors: list[LightSensor | LinearSensor] = [*self._light, s.vacuum, s.oven, s.head]
        if s.water is not None:
            self._columns.insert(channels, WATER)
            sensors.insert(channels, s.water)
        self._noise_lsb = np.array([s.noise_lsb for s in sensors], np.float32)[:, None]
        odd = s.vacuum_noise != GaugeNoise()
        self._gauge_noise = GaugeNoiseSource(s.vacuum_noise, seed, tick_s) if odd else None
        self._top = np.array([2.0**s.adc_bits - 1.0 for s in sensors])[:, None]
        self._position = CHUNK_TICKS  # ticks of the present chunk consumed
        self._made_from = CHUNK_TICKS  # where the rest of the chunk was last made
        self._recorded = CHUNK_TICKS  # where the truth ends
        self._settled = True  # nothing made beyond the present tick, or it no longer holds
        self._noise: NDArray[np.float32] = np.zeros((0, 0), np.float32)
        self._bed: tuple[F64, F64] | None = None
        self._course: list[float] = []
        self._oven_end = self.oven
        self._head_end_c = self.head_c

    @property
    def time_s(self) -> float:
        """True time of the last tick passed."""
        return self.ticks * self.tick_s

    def made(self) -> tuple[int, int]:
        """Make sure that there are counts of the next ticks: their first row in ``analog``, and
        how many there are (at least 1)."""
        if self._position == CHUNK_TICKS:
            self._next_chunk()
        elif self._settled:
            self._make()
        return self._position, CHUNK_TICKS - self._position

    def commit(self, ticks: int) -> None:
        """The board consumed so many of them."""
        self._position += ticks
        self.ticks += ticks
        if self.source.lit:
            self.truth.add_lit(ticks)
        if self._position == CHUNK_TICKS:
            self._settle()

    def changed(self) -> None:
        """Call before anything but time changes: settle the state at the present tick."""
        if not self._settled:
            self._settle()

    def set_drive(self, *, lamp: bool, pump: bool) -> None:
        """What is switched on from the present tick on."""
        if lamp == self.source.lit and pump == self.pumping:
            return
        self.changed()
        if lamp != self.source.lit:
            self.source.switch(lamp, self.time_s)
            self.truth.switched(lamp, self.time_s)
        if pump and not self.pumping:
            self.frame.pump_on_s = self.time_s
        self.pumping = pump

    def pressure_kpa_abs(self) -> float:
        """Present pressure in the frame."""
        share = self._share()
        if not share:
            return self.frame.pressure_kpa_abs
        at = share * (len(self._course) - 1)
        k = min(int(at), len(self._course) - 2)
        low, high = self._course[k], self._course[k + 1]
        return low + (high - low) * (at - k)

    def present_count(self, column: int) -> int:
        """Newest count of a column of the analog block."""
        return int(self.analog[self._position - 1, column])

    def settled_truth(self) -> Truth:
        """The truth up to the present tick."""
        self._record()
        return self.truth

    def mark(self) -> None:
        """Begin a new truth at the present tick."""
        self._record()
        self.truth.mark(self.time_s, lit=self.source.lit)

    def _next_chunk(self) -> None:
        rows = len(self._columns)
        noise = self._rng.standard_normal((rows, CHUNK_TICKS), np.float32)
        noise *= self._noise_lsb
        if self._gauge_noise is not None:
            noise[-3] += self._gauge_noise.ticks(CHUNK_TICKS)
        self._noise = noise
        for amplifier in filter(None, self._amplifiers):
            amplifier.chunk_over()
        self._position = self._recorded = 0
        self._make()

    def _make(self) -> None:
        """Make the rest of the chunk from the present state."""
        at = self._made_from = self._position
        n = CHUNK_TICKS - at
        span_s = n * self.tick_s
        self._settled = False
        light = self._strayed(self.source.light(self.time_s, self._offsets_s[:, :n]), n)
        steps = -(-n // _COURSE_TICKS)
        self._course = self.frame.course(
            self.time_s, span_s / steps, steps, pumping=self.pumping
        )  # fmt: skip
        self._oven_end = stepped(
            self.parameters.oven, self.oven, span_s, door_open=self.door_open
        )  # fmt: skip
        self._head_end_c = self._head_after(span_s)
        self._bed = None
        if light is not None:
            self._bed = (self._mean @ light.bed_envelope, self._mean @ light.bed)
        self._digitise(at, n, light)

    def _strayed(self, light: Light | None, n: int) -> Light | None:
        """The lamps' light and that from elsewhere."""
        stray = self.stray_mw_cm2
        if not stray:
            return light
        if light is None:
            bed = np.zeros((len(self._offsets_s), n))
            light = Light(bed, bed, np.zeros((self.channels, n)))
        return Light(light.bed_envelope + stray, light.bed + stray, light.channels + stray)

    def _digitise(self, at: int, n: int, light: Light | None) -> None:
        """Write the counts of the rest of the chunk."""
        sensors, share = self.parameters.sensors, self._index[:n] * (1.0 / n)
        head = self.head_c + (self._head_end_c - self.head_c) * share
        counts = np.empty((len(self._columns), n))
        for c, sensor in enumerate(self._light):
            amplifier = self._amplifiers[c]
            if light is None and amplifier is None and not sensor.dark_counts_per_c:
                counts[c] = sensor.dark_counts
                continue
            seen = light.channels[c] * self.transmission[c] if light is not None else 0.0
            passed = amplifier.make(at, seen) if amplifier is not None else seen
            counts[c] = sensor.counts(passed, head)
        if sensors.water is not None:
            counts[-4] = sensors.water.counts(np.full(n, self.water_c))
        course = np.array(self._course)
        grid = np.arange(len(course)) * (1.0 / (len(course) - 1))
        if self.pumping and self.parameters.vacuum.bounce_kpa:
            seconds = self.time_s + n * self.tick_s * grid
            course += [self.frame.bounce_kpa(t) for t in map(float, seconds)]
        if not sensors.vacuum_is_absolute:
            course = self.frame.atmosphere_kpa_abs(self.time_s) - course
        counts[-3] = np.interp(share, grid, sensors.vacuum.counts(course))
        self._pulsate(counts[-3], n)
        oven = self.oven.temperature_c
        counts[-2] = sensors.oven.counts(oven + (self._oven_end.temperature_c - oven) * share)
        counts[-1] = sensors.head.counts(head)
        for column, (off, off_per_s, since_s) in self.shifts.items():
            seconds = self.time_s - since_s + self._index[:n] * self.tick_s
            counts[self._columns.index(column)] += off + off_per_s * seconds
        converter = sensors.converter
        if converter != _IDEAL:  # the gauge hangs on the same supply: its counts stay
            share = NOMINAL_V / self._supply_v(n)
            counts[:-3] *= share
            counts[-2:] *= share
        counts += self._noise[:, at:]
        if converter != _IDEAL:
            for one, top in zip(counts, self._top, strict=True):
                one[:] = converter.bent(one, float(top[0]))
        counts += 0.5  # rounds to the nearest count, as the conversion to whole numbers cuts off
        np.minimum(np.maximum(counts, 0.0, out=counts), self._top, out=counts)
        block = self.analog[at:]
        for row, column in enumerate(self._columns):
            block[:, column] = counts[row]
        if converter.bandgap_v is not None:
            whole = (1 << sensors.light[0].adc_bits) * converter.bandgap_v / self._supply_v(n)
            block[:, BANDGAP] = whole + self._bandgap_noise.normal(0.5, 0.5, n)
        for column, count in self.stuck.items():
            block[:, column] = count

    def _supply_v(self, n: int) -> F64:
        """The converter's reference in the rest of the chunk."""
        converter = self.parameters.sensors.converter
        seconds = self.time_s + self._index[:n] * self.tick_s
        return converter.reference_v + converter.reference_v_per_s * seconds

    def _pulsate(self, counts: F64, n: int) -> None:
        """Put a running pump's tone on the gauge's counts."""
        vacuum = self.parameters.vacuum
        if not (vacuum.pulsation_kpa and self.pumping and self.frame.pump_works):
            return
        runs = ~np.array(self.frame.rests[1:]).repeat(_COURSE_TICKS)[:n]
        t = self.time_s + self._index[:n] * self.tick_s
        tone = vacuum.pulsation_kpa * np.sin(2.0 * np.pi * vacuum.pulsation_hz * t)
        counts += self.parameters.sensors.vacuum.counts_per_unit * tone * runs

    def _head_after(self, seconds: float) -> float:
        s = self.parameters.sensors
        rest = s.ambient_c + (s.head_rise_c if self.source.lit else 0.0)
        return rest + (self.head_c - rest) * math.exp(-seconds / s.head_s)

    def _settle(self) -> None:
        """Bring truth and slow state from where the chunk was made up to the present tick."""
        self._record()
        share = self._share()
        self.frame.pressure_kpa_abs = self.pressure_kpa_abs()
        self.frame.resting = self.frame.rests[math.ceil(share * (len(self.frame.rests) - 1))]
        low, high = self.oven.temperature_c, self._oven_end.temperature_c
        self.oven = OvenState(low + (high - low) * share, self._oven_end.heating)
        self.head_c += (self._head_end_c - self.head_c) * share
        self._settled = True

    def _share(self) -> float:
        """Consumed share of what was made last; 0 where that is settled already."""
        if self._settled:
            return 0.0
        return (self._position - self._made_from) / (CHUNK_TICKS - self._made_from)

    def _record(self) -> None:
        """Give the light of the consumed ticks to the truth."""
        if self._bed is not None and self._recorded < self._position:
            part = slice(self._recorded - self._made_from, self._position - self._made_from)
            self.truth.add(self._bed[0][part], self._bed[1][part])
        self._recorded = self._position
