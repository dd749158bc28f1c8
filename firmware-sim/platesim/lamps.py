"""UV lamp bank as a function of simulated time: strike, warm-up, ripple, noise, fade, after-glow.

The *envelope* is the light averaged over one ripple cycle; ripple is multiplicative with zero mean,
so the cycle mean of the light is the envelope. State changes only when the bank is switched or a
tube fails; between two changes the light is a closed formula of time (and of the seed).
"""

from __future__ import annotations

import cmath
import math
from dataclasses import dataclass
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from platesim.slow import SlowNoise

F64 = NDArray[np.float64]

_GLOW_END = 40.0
"""After-glow is taken as dark after this many of its time constants."""


class Light(NamedTuple):
    """Irradiance in mW/cm² over a time grid [sub-samples, ticks].

    ``bed`` and ``bed_envelope`` are the mean over the exposure bed with and without ripple;
    ``channels`` [channels, ticks] is what the sensors see at the last sub-sample of each tick."""

    bed_envelope: F64
    bed: F64
    channels: F64


class LightSource(Protocol):
    """What a plant needs of its light."""

    @property
    def lit(self) -> bool:
        """Switched on (not necessarily struck)."""

    def switch(self, on: bool, t_s: float) -> None:
        """Switch at time ``t_s``; the same state again changes nothing."""

    def light(self, start_s: float, offsets_s: F64) -> Light | None:
        """Light at ``start_s`` + offsets [sub-samples, ticks]; ``start_s`` is not before the last
        switching. None: dark."""


@dataclass(frozen=True, slots=True)
class Shutter:
    """Light gated by a shutter over burning lamps: linear travel between shut and open."""

    opening_s: float = 0.15
    closing_s: float = 0.20


@dataclass(frozen=True, slots=True)
class LampParameters:
    """A bank of tubes. All default values are invented."""

    irradiance_mw_cm2: float = 12.0
    """Bed mean of the fresh, warm bank."""
    output_fraction: float = 1.0
    """Share left beside the wear below: supply voltage, dirt on the glass."""
    burn_hours: float = 0.0
    starts: int = 0
    fade_hours: float = 2800.0
    """Output falls by 1/e in this many burn hours: 70 % after 1,000 h."""
    fade_hours_per_start: float = 0.3
    """One start wears like this many hours."""
    strike_s: float = 0.4
    """Delay from switching on to first light of a warm bank."""
    strike_cold_s: float = 1.0
    strike_jitter_s: float = 0.05
    """Each strike is later by a uniform share of this."""
    warmup: tuple[tuple[float, float], ...] = ((0.20, 5.0), (0.12, 45.0))
    """(missing share of the output at a cold strike, its time constant in s); a negative share is
    an overshoot."""
    cooling_s: float = 240.0
    """Time constant with which the bank grows cold while off."""
    rest_s: float = math.inf
    """Time off before time 0, after having been warm; inf: cold, 0: warm."""
    ripple_hz: float = 100.0
    ripple_depth: float = 0.15
    """Peak of the first harmonic as a share of the envelope."""
    ripple_phase_rad: float = 0.0
    ripple2_depth: float = 0.03
    ripple2_phase_rad: float = 0.5
    noise_fraction: float = 0.004
    """Standard deviation of the slow multiplicative noise (Ornstein-Uhlenbeck)."""
    noise_s: float = 2.0
    """Its correlation time."""
    mains_fraction: float = 0.0
    """Standard deviation of the output as the mains wander, slower than that."""
    mains_s: float = 40.0
    glow_fraction: float = 0.6
    """After-glow right after switching off, share of the light before."""
    glow_s: float = 0.008
    """Its time constant."""
    shutter: Shutter | None = None
    """With a shutter the lamps burn from time 0 on and the output moves the shutter."""
    tubes: int = 6
    tube_wear: tuple[float, ...] = ()
    """How much faster each tube wears than ``fade_hours`` says; empty: none."""
    tube_outputs: tuple[float, ...] = ()
    """Output of each tube relative to the others; empty: all 1."""
    tube_phases_rad: tuple[float, ...] = (0.0,)
    """Ripple phases, dealt to the tubes in turn (0, 2pi/3, 4pi/3: fed from three phases)."""
    views: tuple[tuple[float, ...], ...] = ()
    """How each light channel sees the tubes, one row of weights a channel; empty: like the bed."""
    colours: tuple[float, ...] = ()
    """How much more each light channel sees of light of another colour, as a share for each share
    of the output that is still missing: lamps warm up. Empty: no more than the plate."""
    plate_view: tuple[float, ...] = ()
    """How the plate's place sees the tubes; a sum of 1 is the mean of the bed, and so is empty."""

    def __post_init__(self) -> None:
        if sum(max(0.0, share) for share, _ in self.warmup) > 1.0:
            raise ValueError("warm-up shares add up to more than the whole output")
        if abs(self.ripple_depth) + abs(self.ripple2_depth) > 1.0:
            raise ValueError("ripple deeper than the light itself")
        if self.tube_wear and len(self.tube_wear) != self.tubes:
            raise ValueError(f"{self.tubes} tubes but wear of {len(self.tube_wear)}")
        if self.tubes < 1 or (self.tube_outputs and len(self.tube_outputs) != self.tubes):
            raise ValueError(f"{self.tubes} tubes but {len(self.tube_outputs)} tube outputs")
        if any(len(view) not in (0, self.tubes) for view in (*self.views, self.plate_view)):
            raise ValueError(f"each view needs {self.tubes} weights")


def wear_fraction(parameters: LampParameters, burn_hours: float, starts: int) -> float:
    """Output left after burn hours and starts, as a share of the fresh output."""
    hours = burn_hours + starts * parameters.fade_hours_per_start
    return math.exp(-hours / parameters.fade_hours)


class _Tables:
    """Waves and decays over the offsets of a chunk: time is regular, so they are computed once."""

    __slots__ = ("_decays", "_offsets", "_parameters", "_waves")

    def __init__(self, parameters: LampParameters) -> None:
        self._parameters = parameters
        self._offsets = np.zeros((1, 0))
        self._waves = self._decays = np.zeros((1, 0, 1))

    def waves(self, offsets_s: F64) -> F64:
        """cos, sin of the ripple and of its second harmonic: [offsets flattened, 4]."""
        self._fit(offsets_s)
        return self._waves[:, : offsets_s.shape[1]].reshape(offsets_s.size, -1)

    def decays(self, offsets_s: F64) -> F64:
        """exp(-offset / tau) for each warm-up term: [offsets flattened, terms]."""
        self._fit(offsets_s)
        return self._decays[:, : offsets_s.shape[1]].reshape(offsets_s.size, -1)

    def _fit(self, offsets_s: F64) -> None:
        known, n = self._offsets, offsets_s.shape[1]
        if n <= known.shape[1] and (
            len(known) == len(offsets_s)
            and known[0, 0] == offsets_s[0, 0]
            and known[-1, n - 1] == offsets_s[-1, -1]
        ):
            return
        self._offsets = offsets_s
        angle = 2.0 * math.pi * self._parameters.ripple_hz * offsets_s
        waves = (np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle))
        self._waves = np.stack(waves, axis=-1)
        taus = np.array([tau for _, tau in self._parameters.warmup])
        self._decays = np.exp(-offsets_s[..., None] / taus)


class LampState(NamedTuple):
    """Everything the light depends on beside time."""

    on: bool
    changed_s: float
    strike_s: float
    """When the lamps light, or lit; inf: not since they were last off."""
    missing: tuple[float, ...]
    """Missing output shares (see ``LampParameters.warmup``) at the strike, or at ``changed_s``."""
    glow: float
    """After-glow at ``changed_s``, share of the full output."""
    opening: float
    """Shutter position at ``changed_s``: 0 shut, 1 open."""


class LampBank:
    """The bank: switched by the unit, asked for its light."""

    def __init__(self, parameters: LampParameters, *, channels: int = 1, seed: int = 0) -> None:
        self.parameters = parameters
        self.burn_hours = parameters.burn_hours
        self.starts = parameters.starts
        self._noise = SlowNoise(parameters.noise_s, seed)
        self._mains = SlowNoise(parameters.mains_s, seed + 1_000_003)
        self._tables = _Tables(parameters)
        self._strikes = np.random.default_rng((seed, 1))
        self.strikes = True
        """Off: they stay dark when they are switched on."""
        self._alive = np.ones(parameters.tubes)
        outputs = parameters.tube_outputs or (1.0,) * parameters.tubes
        self._wear = np.array(parameters.tube_wear or (1.0,) * parameters.tubes)
        self._outputs = np.array(outputs) / np.mean(outputs)
        rows = [(1.0,) * parameters.tubes, *parameters.views]
        rows += [rows[0]] * (channels - len(parameters.views))
        views = np.array(rows[: channels + 1])
        self._views = views / views.sum(axis=1, keepdims=True)
        if parameters.plate_view:
            self._views[0] = parameters.plate_view
        self._colours = np.resize([*parameters.colours, *[0.0] * channels], channels)[:, None]
        missing = tuple(
            share * -math.expm1(-parameters.rest_s / parameters.cooling_s)
            for share, _ in parameters.warmup
        )
        self.state = LampState(False, 0.0, math.inf, missing, 0.0, 0.0)
        if parameters.shutter is not None:
            self.state = self.state._replace(strike_s=self._next_strike(0.0, missing))
        self._weigh()

    @property
    def lit(self) -> bool:
        return self.state.on

    @property
    def output_fraction(self) -> float:
        """Present share of the fresh, complete bank's warm output."""
        return float(self._gains[0] / self.parameters.irradiance_mw_cm2)

    def fail_tube(self, tube: int) -> None:
        """The tube goes dark for good."""
        self._alive[tube] = 0.0
        self._weigh()

    def switch(self, on: bool, t_s: float) -> None:
        state, p = self.state, self.parameters
        if on == state.on:
            return
        if p.shutter is not None:
            self.state = state._replace(
                on=on, changed_s=t_s, opening=float(self._opening(np.array([t_s]))[0])
            )
        elif on:
            self.starts += 1
            missing = self._cooled(t_s)
            self.state = LampState(True, t_s, self._next_strike(t_s, missing), missing, 0.0, 0.0)
        else:
            struck = t_s >= state.strike_s
            burnt_s = t_s - state.strike_s if struck else 0.0
            self.burn_hours += burnt_s / 3600.0
            level = float(self._envelope(t_s, np.zeros((1, 1)))[0, 0])
            missing = tuple(
                m * math.exp(-burnt_s / tau)
                for m, (_, tau) in zip(state.missing, p.warmup, strict=True)
            )
            glow = p.glow_fraction * level if struck else 0.0
            self.state = LampState(False, t_s, math.inf, missing, glow, 0.0)
        self._weigh()

    def light(self, start_s: float, offsets_s: F64) -> Light | None:
        if self._dark_from(start_s):
            return None
        envelope = self._envelope(start_s, offsets_s)
        light = self._light(start_s, offsets_s, envelope)
        if not self.parameters.colours:
            return light
        missing = np.clip(1.0 - envelope[-1], 0.0, 1.0)
        return light._replace(channels=light.channels * (1.0 + self._colours * missing))

    def _light(self, start_s: float, offsets_s: F64, envelope: F64) -> Light:
        bed_envelope = self._gains[0] * envelope
        p = self.parameters
        if not (p.ripple_depth or p.ripple2_depth) or not (self.state.on or p.shutter):
            channels = envelope[-1] * self._gains[1:, None]
            return Light(bed_envelope, bed_envelope, channels)
        waves = self._tables.waves(offsets_s)
        bed = self._ripple(start_s, waves, 0).reshape(offsets_s.shape)
        bed *= bed_envelope
        if self._alike:
            return Light(bed_envelope, bed, bed[-1:].repeat(len(self._gains) - 1, axis=0))
        last, seen = waves[-offsets_s.shape[1] :], envelope[-1]
        rows = [
            self._gains[row] * seen * self._ripple(start_s, last, row)
            for row in range(1, len(self._gains))
        ]
        return Light(bed_envelope, bed, np.stack(rows))

    def _dark_from(self, t_s: float) -> bool:
        state, p = self.state, self.parameters
        if state.on:
            return False
        if p.shutter is not None:
            return t_s - state.changed_s >= p.shutter.closing_s * state.opening
        return state.glow == 0.0 or t_s - state.changed_s > _GLOW_END * p.glow_s

    def _envelope(self, start_s: float, offsets_s: F64) -> F64:
        """Bank output as a share of full, without ripple."""
        state, p = self.state, self.parameters
        if not state.on and p.shutter is None:
            glow: F64 = state.glow * np.exp((state.changed_s - start_s - offsets_s) / p.glow_s)
            return glow
        level = self._burning(start_s - state.strike_s, offsets_s)
        if p.noise_fraction:
            middle_s = start_s + 0.5 * (offsets_s[0] + offsets_s[-1])
            level *= 1.0 + p.noise_fraction * self._noise.at(middle_s)
        if p.mains_fraction:
            middle_s = start_s + 0.5 * (offsets_s[0] + offsets_s[-1])
            level *= 1.0 + p.mains_fraction * self._mains.at(middle_s)
        if p.shutter is not None:
            level *= self._opening(start_s + offsets_s)
        return level

    def _burning(self, since_s: float, offsets_s: F64) -> F64:
        """Output after the strike; 0 before it."""
        missing, warmup = self.state.missing, self.parameters.warmup
        if since_s >= 0.0:  # all struck: the exponentials are products with a table
            left = [
                -m * math.exp(-since_s / tau) for m, (_, tau) in zip(missing, warmup, strict=True)
            ]
            level: F64 = self._tables.decays(offsets_s) @ np.array(left)
            level += 1.0
            return level.reshape(offsets_s.shape)
        burning = np.maximum(since_s + offsets_s, 0.0)
        level = np.ones_like(offsets_s)
        for m, (_, tau) in zip(missing, warmup, strict=True):
            level -= m * np.exp(burning / -tau)
        level[since_s + offsets_s < 0.0] = 0.0
        return level

    def _opening(self, t_s: F64) -> F64:
        """Shutter position, 0..1."""
        shutter, state = self.parameters.shutter, self.state
        assert shutter is not None
        travel = shutter.opening_s if state.on else -shutter.closing_s
        if travel == 0.0:
            return np.full_like(t_s, 1.0 if state.on else 0.0)
        return np.clip(state.opening + (t_s - state.changed_s) / travel, 0.0, 1.0)

    def _ripple(self, start_s: float, waves: F64, row: int) -> F64:
        """Factor with mean 1 over a cycle, from the table of waves."""
        first, second = self._ripples[row]
        turn = 2.0 * math.pi * math.fmod(self.parameters.ripple_hz * start_s, 1.0)
        first, second = first * cmath.exp(1j * turn), second * cmath.exp(2j * turn)
        weights = np.array((first.real, -first.imag, second.real, -second.imag))
        factor: F64 = waves @ weights
        factor += 1.0
        return factor

    def _cooled(self, t_s: float) -> tuple[float, ...]:
        """Missing shares after the rest since the last change."""
        kept = math.exp(-(t_s - self.state.changed_s) / self.parameters.cooling_s)
        return tuple(
            share - (share - m) * kept
            for m, (share, _) in zip(self.state.missing, self.parameters.warmup, strict=True)
        )

    def _next_strike(self, t_s: float, missing: tuple[float, ...]) -> float:
        p = self.parameters
        if not self.strikes:
            return math.inf
        whole = sum(abs(share) for share, _ in p.warmup)
        coldness = sum(abs(m) for m in missing) / whole if whole else 0.0
        jitter = p.strike_jitter_s * float(self._strikes.random())
        return t_s + p.strike_s + (p.strike_cold_s - p.strike_s) * coldness + jitter

    def _weigh(self) -> None:
        """Gain and ripple of the bed (row 0) and of each channel from the tubes now alive."""
        p = self.parameters
        full = p.irradiance_mw_cm2 * p.output_fraction
        worn = wear_fraction(p, self.burn_hours, self.starts) ** self._wear
        shares = self._views * (self._outputs * self._alive * worn)
        self._gains = full * shares.sum(axis=1)
        phases = np.resize(np.array(p.tube_phases_rad), p.tubes)
        total = np.maximum(shares.sum(axis=1), 1e-12)
        first = (shares @ np.exp(1j * phases)) / total * np.exp(1j * p.ripple_phase_rad)
        second = (shares @ np.exp(2j * phases)) / total * np.exp(1j * p.ripple2_phase_rad)
        self._ripples = [
            (p.ripple_depth * complex(a), p.ripple2_depth * complex(b))
            for a, b in zip(first, second, strict=True)
        ]
        self._alike = bool(np.all(shares == shares[0]))
