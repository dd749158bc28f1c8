"""Vacuum frame: pump curve, leaks of several kinds, venting, altitude. Pressures in kPa absolute.

Pump-down of a volume V at speed S: p(t) = p_end + (p0 - p_end) exp(-S t / V) (any handbook of
vacuum technology). A leak lets in C · p_atm · psi(p / p_atm), with psi the flow function of an
orifice: 1 while the flow is choked, falling to 0 as the frame reaches the atmosphere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace

_GAMMA = 1.4  # air
_CHOKED = (2.0 / (_GAMMA + 1.0)) ** (_GAMMA / (_GAMMA - 1.0))
"""Pressure ratio below which the flow through an orifice no longer grows: 0.528 for air."""


@dataclass(frozen=True, slots=True)
class Leak:
    """Air getting in between two times of the simulation. Values are conductances for choked flow.

    Constant: only ``conductance_l_s``. Sudden: ``start_s`` within the run. Growing slowly:
    ``growth_l_s2``. Fluttering (an edge that lifts and falls back): ``flutter_hz``."""

    conductance_l_s: float
    start_s: float = -math.inf
    end_s: float = math.inf
    growth_l_s2: float = 0.0
    flutter_hz: float = 0.0
    flutter_depth: float = 1.0

    def at(self, t_s: float) -> float:
        """Conductance at time ``t_s``, L/s."""
        if not self.start_s <= t_s < self.end_s:
            return 0.0
        conductance = self.conductance_l_s
        if self.growth_l_s2:
            conductance += self.growth_l_s2 * (t_s - max(self.start_s, 0.0))
        if self.flutter_hz:
            swing = 0.5 + 0.5 * math.sin(2.0 * math.pi * self.flutter_hz * t_s)
            conductance *= 1.0 - self.flutter_depth * swing
        return max(0.0, conductance)


@dataclass(frozen=True, slots=True)
class VacuumParameters:
    """Frame and pump. All default values are invented."""

    volume_l: float = 8.0
    speed_l_s: float = 1.6
    end_kpa_abs: float = 15.0
    """What the pump reaches against a tight frame."""
    atmosphere_kpa_abs: float = 101.325
    vents_when_off: bool = True
    """The valve lets air in when the pump is off; else the frame keeps its vacuum but for leaks."""
    vent_s: float = 1.5
    """Time constant of venting."""
    rests_at_kpa_abs: float = 0.0
    """A vacuum switch lets the pump rest at this pressure; 0: it runs all the time."""
    resumes_at_kpa_abs: float = 0.0
    """And lets it run again at this one."""
    pulsation_kpa: float = 0.0
    """Amplitude of the tone that a running pump puts on the pressure."""
    pulsation_hz: float = 23.0
    warms_by_kpa: float = 0.0
    """A pump that has just started reaches so much less, and less and less of it as it warms."""
    warms_s: float = 40.0
    bounce_kpa: float = 0.0
    """First swing of the blanket as the pump draws it down; it dies away."""
    bounce_hz: float = 1.5
    bounce_s: float = 2.0
    weather_kpa_per_h: float = 0.0
    """How the air pressure moves."""
    leaks: tuple[Leak, ...] = (Leak(0.002),)


def flow_function(ratio: float) -> float:
    """psi: flow through an orifice relative to choked flow, for downstream / upstream pressure."""
    if ratio <= _CHOKED:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    g = _GAMMA
    flow = ratio ** (2.0 / g) - ratio ** ((g + 1.0) / g)
    peak = _CHOKED ** (2.0 / g) - _CHOKED ** ((g + 1.0) / g)
    return math.sqrt(flow / peak)


def atmosphere_kpa_abs(altitude_m: float) -> float:
    """Pressure of the International Standard Atmosphere (ISO 2533) below 11 km."""
    return float(101.325 * (1.0 - 0.0065 * altitude_m / 288.15) ** 5.255877)


class VacuumFrame:
    """The frame: pressure, leaks, pump."""

    __slots__ = (
        "_opened", "parameters", "pressure_kpa_abs", "pump_on_s", "pump_works", "resting", "rests",
    )  # fmt: skip

    def __init__(self, parameters: VacuumParameters) -> None:
        self.parameters = parameters
        self.pressure_kpa_abs = parameters.atmosphere_kpa_abs
        self._opened: dict[Leak, Leak] = {}
        self.pump_works = True
        self.pump_on_s = 0.0
        """When it was switched on last."""
        self.resting = False
        """The vacuum switch has let the pump rest."""
        self.rests: list[bool] = []
        """The same at the times of the newest ``course``."""

    @property
    def leaks(self) -> tuple[Leak, ...]:
        """The frame's own leaks and those opened."""
        return (*self.parameters.leaks, *self._opened.values())

    def atmosphere_kpa_abs(self, t_s: float) -> float:
        """The air around it."""
        v = self.parameters
        return v.atmosphere_kpa_abs + v.weather_kpa_per_h * t_s / 3600.0

    def bounce_kpa(self, t_s: float) -> float:
        """What the blanket's swing adds to the pressure."""
        v, since_s = self.parameters, t_s - self.pump_on_s
        if not v.bounce_kpa or since_s < 0.0:
            return 0.0
        swing = math.cos(2.0 * math.pi * v.bounce_hz * since_s)
        return v.bounce_kpa * math.exp(-since_s / v.bounce_s) * swing

    def open_leak(self, leak: Leak, now_s: float) -> None:
        """A new leak whose own times count from now."""
        self._opened[leak] = replace(
            leak, start_s=now_s + max(leak.start_s, 0.0), end_s=now_s + leak.end_s
        )

    def close_leak(self, leak: Leak) -> None:
        """End an opened leak."""
        self._opened.pop(leak, None)

    def course(self, t_s: float, step_s: float, steps: int, *, pumping: bool) -> list[float]:
        """Pressures from ``t_s`` on at ``steps + 1`` times; the present one first. Sets
        ``rests``, nothing else.

        Exact where the inflow is constant over a step (tight frame, choked leak)."""
        p = self.pressure_kpa_abs
        course, resting = [p], self.resting
        self.rests = [resting]
        leaks = active(self.leaks, t_s, t_s + step_s * steps)
        for k in range(steps):
            middle_s = t_s + (k + 0.5) * step_s
            conductance = sum(leak.at(middle_s) for leak in leaks)
            resting = self._rests(p, resting, pumping)
            pump = pumping and self.pump_works and not resting
            p = self._stepped(p, middle_s, conductance, step_s, pump=pump, valve=pumping)
            course.append(p)
            self.rests.append(resting)
        return course

    def _rests(self, p: float, resting: bool, pumping: bool) -> bool:
        """What the vacuum switch makes of a pressure."""
        v = self.parameters
        return pumping and p < (v.resumes_at_kpa_abs if resting else v.rests_at_kpa_abs)

    def _stepped(
        self, p: float, t_s: float, conductance: float, step_s: float, *, pump: bool, valve: bool
    ) -> float:
        v, atm = self.parameters, self.atmosphere_kpa_abs(t_s)
        inflow = conductance * atm * flow_function(p / atm) if conductance else 0.0  # kPa L/s
        if not pump:
            if not valve and v.vents_when_off:
                return atm + (p - atm) * math.exp(-step_s / v.vent_s)
            return min(atm, p + inflow * step_s / v.volume_l)
        cold = v.warms_by_kpa * math.exp(-max(0.0, t_s - self.pump_on_s) / v.warms_s)
        rest = v.end_kpa_abs + cold + inflow / v.speed_l_s
        return min(atm, rest + (p - rest) * math.exp(-v.speed_l_s * step_s / v.volume_l))


def active(leaks: Iterable[Leak], start_s: float, end_s: float) -> list[Leak]:
    """The leaks that overlap the span."""
    return [leak for leak in leaks if leak.start_s < end_s and leak.end_s > start_s]
