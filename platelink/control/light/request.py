"""What an exposure is asked for, what it is made with, and what it shows. Data only."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from platelink.control.contact.contact import ContactLimits
from platelink.control.states import State, Step
from platelink.link import messages as m
from platelink.sensing.light import LightSensors

BEEP_MS = 600
DARK_SHARE = 0.02
"""Share of the expected irradiance below which the lamp counts as dark."""
_POSITIVE = ("target_dose_mj_cm2", "max_light_s", "guard_factor", "silence_s", "tolerance_pct")


@dataclass(frozen=True, slots=True)
class Reciprocity:
    """How a plate stock answers to weak and strong light: effect ~ irradiance^p · time
    (Schwarzschild). By itself: dose alone counts."""

    p: float = 1.0
    reference_mw_cm2: float = 10.0
    """Irradiance at which a second counts the same for every p."""
    p_uncertainty: float | None = None
    """Standard uncertainty of p; None: not stated."""


PLAIN = Reciprocity()


@dataclass(frozen=True, slots=True)
class ExposureRequest:
    """What one exposure is to be. Doses in mJ/cm², times in seconds."""

    target_dose_mj_cm2: float
    contact: ContactLimits | None
    max_light_s: float
    """Longest time light may be on, whatever the lamps give."""
    guard_factor: float = 1.5
    """Guard time as a multiple of the predicted time."""
    silence_policy: m.SilencePolicy = m.SilencePolicy.FINISH
    silence_s: float = 2.0
    tolerance_pct: float = 1.0
    """Largest difference between our dose and the device's, as a share of the target."""
    abort_on_leak: bool = False
    """Contact lost in the light ends the exposure; else it is held and can go on."""
    reciprocity: Reciprocity = PLAIN
    """Of the plate stock."""

    def __post_init__(self) -> None:
        for name in _POSITIVE:
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0.0):
                raise ValueError(f"{name} = {value}: must be a number greater than 0")


@dataclass(frozen=True, slots=True)
class Optics:
    """The light side of the unit as an exposure needs it."""

    light: LightSensors
    adc_max: int
    expected_mw_cm2: float
    """Irradiance of fresh lamps; what was learned goes before it."""

    @property
    def dark_mw_cm2(self) -> float:
        """Not more than this is dark: a share of fresh lamps, for what a lesson says may be wrong,
        and what a dark reading may have drifted."""
        drift = self.light.max_dark_rise_mw_cm2
        return DARK_SHARE * self.expected_mw_cm2 + (drift if math.isfinite(drift) else 0.0)


@dataclass(frozen=True, slots=True)
class ExposureStatus:
    """The exposure as a face shows it."""

    state: State
    step: Step
    dose_mj_cm2: float
    target_dose_mj_cm2: float
    irradiance_mw_cm2: float
    remaining_s: float
    light_s: float
    waiting_for: tuple[str, ...]
    reason: str
    asks_what_fell: bool = False
    """A restart wants a person's word on what the lamps did."""
    uncertain_mj_cm2: float = 0.0
    """This much more may have fallen unseen."""

    def unheard(self) -> ExposureStatus:
        """While the device says nothing: what its light gives is not known."""
        if self.step in (Step.NONE, Step.CONTACT):
            return self
        unknown = math.nan
        return replace(
            self, dose_mj_cm2=unknown, irradiance_mw_cm2=unknown, remaining_s=unknown,
            light_s=unknown,
        )  # fmt: skip
