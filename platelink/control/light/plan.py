"""What one stretch of light is to do. Data only."""

from __future__ import annotations

from dataclasses import dataclass

from platelink.control.states import Learned
from platelink.link import messages as m

NO_LIGHT_S = 5.0
"""Longest strike of a lamp; later the sensor is blind or the lamp is out."""


@dataclass(frozen=True, slots=True)
class StretchPlan:
    """What one stretch is to do; times in seconds, dose the total of the whole exposure."""

    order: int
    target_dose_mj_cm2: float
    predicted_s: float
    """Light expected to be needed."""
    guard_s: float
    silence_s: float
    silence_policy: m.SilencePolicy
    expected_mw_cm2: float
    dark_mw_cm2: float
    """Not more than this is dark."""
    learned: Learned
    adc_max: int
    """Counts at the top of the device's converter."""
    tolerance_pct: float
    """Largest difference between our dose and the device's, as a share of the target."""
    seen_mw_cm2: float = 0.0
    """The lamps as an earlier stretch of the same exposure saw them; 0 before."""
    device_ends: bool = False
    """The guard time is what the device's own limits of light leave: it says nothing of lamps."""
