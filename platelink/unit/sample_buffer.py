"""Samples of one run, gathered into blocks for the journal. Pure."""

from __future__ import annotations

import functools
import math

import numpy as np

from platelink.link import messages as m
from platelink.link.utc import UtcAnchor
from platelink.runs import Channel, SampleBlock
from platelink.sensing.readings import Reading
from platelink.unit.outputs import RunSampled
from platelink.unit.stamp import Stamp

BLOCK_S = 1.0
"""Longest stretch of an exposure's samples held in memory: what kill -9 may cost."""
BAKE_BLOCK_S = 20.0
"""The same of a bake, which has a sample a second: its clock goes on from kept state."""
NOMINAL_TICK_S = 1e-3
"""Length of a device tick, near enough to count on over a restart."""


BAKE_COLUMNS = ("oven_c", "tick_s")
"""Of the columns below those of a bake: no light is counted in it."""


def run_channels(light_channels: int, only: tuple[str, ...] | None = None) -> tuple[Channel, ...]:
    """The columns of a run's samples; ``only`` those named."""
    every = _channels(light_channels)
    return tuple(c for c in every if only is None or c.name in only)


@functools.cache
def _channels(light_channels: int) -> tuple[Channel, ...]:
    each = [
        Channel(name=f"irradiance_{i}_mw_cm2", unit="mW/cm²", sensor=f"light {i}")
        for i in range(light_channels if light_channels > 1 else 0)
    ]
    return (
        Channel(name="irradiance_mw_cm2", unit="mW/cm²", description="weighted over the sensors"),
        *each,
        Channel(name="dose_mj_cm2", unit="mJ/cm²", description="running dose"),
        Channel(name="vacuum_kpa", unit="kPa", description="below the local atmosphere"),
        Channel(name="oven_c", unit="°C"),
        Channel(name="head_c", unit="°C", description="temperature of the light sensor's head"),
        Channel(name="tick_s", unit="s", description="fitted length of a device tick"),
        Channel(name="counting", unit="1", description="1 while light is counted"),
    )


class SampleBuffer:
    """Samples of one run, handed out in blocks. UTC stamps come from one anchor at the start, so
    a step of the computer's clock moves nothing within a run."""

    def __init__(
        self, run_id: str, light_channels: int, *, at: Stamp,
        only: tuple[str, ...] | None = None, last_ticks: int = -1, block_s: float = BLOCK_S,
    ) -> None:  # fmt: skip
        """``only``: columns recorded, without the device's sums; None is everything.
        ``last_ticks``: of the newest sample stored, of a run that is taken up again."""
        self.run_id = run_id
        self.gaps = 0
        self._n = light_channels
        self._only = only
        self._block_s = block_s
        self.utc = UtcAnchor(at.now, at.utc_ms)
        self._first_t = self._last_t = at.now
        self._last_ticks = last_ticks
        self._tick_s = NOMINAL_TICK_S
        self.tick_offset = 0
        """Added to the device's ticks: a device that starts anew within a run counts on here."""
        self._raw: list[tuple[int, ...]] = []
        self._values: list[tuple[float, ...]] = []

    def add(
        self, sample: m.Sample, reading: Reading, dose_mj_cm2: float, tick_s: float, counting: bool
    ) -> None:
        """Take one sample."""
        n = self._n
        if not self._raw:
            self._first_t = reading.t
        if reading.lost:
            self.gaps += 1
        ticks = reading.ticks + self.tick_offset
        if ticks <= self._last_ticks:
            self.device_restarted(reading.ticks, reading.t)
            ticks = reading.ticks + self.tick_offset
        self._last_ticks, self._last_t, self._tick_s = ticks, reading.t, tick_s
        self._raw.append(
            (
                ticks,
                self.utc.stamp_ms(reading.t),
                *sample.light_sum[:n],
                *sample.light_count[:n],
                *sample.light_min[:n],
                *sample.light_max[:n],
            )
        )
        nan = math.nan
        each = (reading.channel_mw_cm2 or (nan,) * n) if n > 1 else ()
        self._values.append(
            (
                _or_nan(reading.irradiance_mw_cm2),
                *each,
                dose_mj_cm2,
                _or_nan(reading.vacuum_kpa),
                _or_nan(reading.oven_c),
                _or_nan(reading.head_c),
                tick_s,
                float(counting),
            )
        )

    def device_restarted(self, tick: int, t: float) -> None:
        """The device counts anew and is at ``tick``: go on where its old count would be by now."""
        if self._last_ticks >= 0:
            passed = max(1, round((t - self._last_t) / self._tick_s))
            self.tick_offset = self._last_ticks + passed - tick

    def deadline(self) -> float | None:
        """When the samples in hand must be written."""
        return self._first_t + self._block_s if self._raw else None

    def due(self, t: float) -> tuple[RunSampled, ...]:
        """The samples in hand when they must be written."""
        deadline = self.deadline()
        block = self.take() if deadline is not None and t >= deadline else None
        return (block,) if block is not None else ()

    def take(self) -> RunSampled | None:
        """The samples in hand as one block."""
        if not self._raw:
            return None
        raw = np.array(self._raw, dtype=np.uint64)
        values = np.array(self._values, dtype=np.float64)
        self._raw, self._values = [], []
        n = self._n
        kinds = ("light_sum", "light_count", "light_min", "light_max")
        raw_names = [f"{kind}_{i}" for kind in kinds for i in range(n)]
        raw_names = raw_names if self._only is None else []
        value_names = [channel.name for channel in run_channels(n)]
        return RunSampled(
            self.run_id,
            SampleBlock(
                ticks=raw[:, 0].astype(np.int64),
                at_utc_ms=raw[:, 1].astype(np.int64),
                raw={name: raw[:, 2 + i].copy() for i, name in enumerate(raw_names)},
                values={
                    name: values[:, i].copy()
                    for i, name in enumerate(value_names)
                    if self._only is None or name in self._only
                },
            ),
        )


def _or_nan(value: float | None) -> float:
    return math.nan if value is None else value
