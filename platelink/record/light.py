"""Counts to light, written a second time for whoever doubts the first. Pure.

Independent of the controller's code on purpose: the check of a run must not share its mistakes.
``irradiance = sum(w · slope / (1 + coeff · (head - reference)) · (mean counts - dark))`` with the
weights ``w`` normalised to sum 1; effective irradiance ``E_ref · (E / E_ref)^p`` (Schwarzschild).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

import numpy as np
import numpy.typing as npt
from pydantic import BaseModel, ConfigDict, Field

from platelink.runs import Finite, RunEvent

Floats = npt.NDArray[np.float64]
Positive = Annotated[Finite, Field(gt=0.0)]
NotNegative = Annotated[Finite, Field(ge=0.0)]


class LightChannel(BaseModel):
    """Calibration of one channel as recorded with the run; facts beyond it are left alone."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    dark_counts: Finite
    slope_mw_cm2_per_count: Positive
    temp_coeff_per_c: Finite = 0.0
    reference_temp_c: Finite = 25.0
    weight: NotNegative = 1.0


class LightCalibration(BaseModel):
    """``conditions["light"]`` of a run's start."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    channels: Annotated[tuple[LightChannel, ...], Field(min_length=1)]
    tick_s: Positive | None = None
    """Length of a device tick, where the samples have no column of it."""
    reciprocity_p: Positive = 1.0
    reference_mw_cm2: Positive = 10.0

    def irradiance_mw_cm2(self, mean_counts: Floats, dark_counts: Floats, head_c: Floats) -> Floats:
        """Irradiance of n windows; counts [channels, n], ``head_c`` [n], NaN where not measured."""
        weights = np.array([c.weight for c in self.channels])
        weights = weights / weights.sum() if weights.sum() > 0.0 else weights
        total = np.zeros(head_c.shape)
        for i, channel in enumerate(self.channels):
            warmer_c = np.where(np.isnan(head_c), 0.0, head_c - channel.reference_temp_c)
            slope = channel.slope_mw_cm2_per_count / (1.0 + channel.temp_coeff_per_c * warmer_c)
            total += weights[i] * slope * (mean_counts[i] - dark_counts[i])
        return total

    def rate_mw_cm2(self, irradiance_mw_cm2: Floats) -> Floats:
        """Effective dose gathered in one second of this irradiance."""
        light = np.maximum(irradiance_mw_cm2, 0.0)
        if self.reciprocity_p == 1.0:
            return light
        reference = self.reference_mw_cm2
        return np.asarray(reference * (light / reference) ** self.reciprocity_p)


def darks_of(
    calibration: LightCalibration, events: Sequence[RunEvent]
) -> tuple[npt.NDArray[np.int64], Floats]:
    """Dark counts by time: (ticks from which on, [channels, times]).

    The calibration's hold until a reading taken in the run (``dark_counts_0`` ... in an event's
    data) replaces them from its tick on."""
    times = [np.iinfo(np.int64).min]
    darks = [[c.dark_counts for c in calibration.channels]]
    for event in events:
        read = dark_reading(event.data, len(calibration.channels))
        if read is not None and event.ticks is not None:
            times.append(event.ticks)
            darks.append(read)
    return np.array(times, np.int64), np.array(darks, np.float64).T


def dark_reading(data: Mapping[str, Any], channels: int) -> list[float] | None:
    """A dark reading in an event's data; None where there is none for every channel."""
    values = [data.get(f"dark_counts_{i}") for i in range(channels)]
    if not all(isinstance(value, int | float) for value in values):
        return None
    return [float(value) for value in values if value is not None]
