"""What goes wrong in a case, and when: everything follows from its seed.

All figures are invented; what a fault must be to be one is said where it is drawn.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from random import Random

from platesim import faults as f
from platesim.faults import Fault
from platesim.lamps import LampParameters
from platesim.plant import PlantParameters
from platesim.sensors import OVEN, VACUUM
from platesim.unit import UnitParameters
from platesim.vacuum import Leak, VacuumParameters

MOST_FAULTS = 4
BEFORE_S, LAST_S = -2.0, 24.0
"""Faults strike from this long before the first exposure is asked for to this long after."""
LONGEST_S = 14.0


@dataclass(frozen=True, slots=True)
class Killed:
    """The daemon is killed, and started again after ``down_s``; with ``unsent`` what it last
    recorded was not sent any more."""

    down_s: float
    unsent: bool


@dataclass(frozen=True, slots=True)
class NotWritable:
    """The journal cannot be written: disk full, or held by another."""


@dataclass(frozen=True, slots=True)
class ClockSet:
    """The computer's clock steps."""

    seconds: float


@dataclass(frozen=True, slots=True)
class Touched:
    """A person does something out of turn, so many times."""

    act: str
    times: int


Happening = Fault | Killed | NotWritable | ClockSet | Touched


@dataclass(frozen=True, slots=True)
class Strike:
    """Something happens at ``at_s`` after the first exposure is asked for, for ``for_s``."""

    kind: str
    at_s: float
    for_s: float
    happening: Happening


RECIPE = """
format = 1
id = "short"
title = "Two exposures and a washout (invented)"
[[step]]
kind = "expose"
name = "film"
dose_mj_cm2 = {dose}
tolerance_pct = 2.0
{contact}
[[step]]
kind = "wash"
name = "washout"
[[step.stage]]
name = "rub"
duration_s = 4.0
tolerance_s = 2.0
prompt = "Rub with a soft pad."
[[step]]
kind = "expose"
name = "hardening"
dose_mj_cm2 = 55.0
tolerance_pct = 2.0
contact = false
"""


CONTACT = """
[step.contact]
low_kpa = 55.0
high_kpa = 88.0
"""


@dataclass(frozen=True, slots=True)
class Case:
    """One seed."""

    seed: int
    unit: UnitParameters
    plate: bool
    """A whole plate; else two exposures."""
    contact: bool
    learns: bool
    """Nothing is known of its lamps' after-glow yet."""
    dose_mj_cm2: float
    strikes: tuple[Strike, ...]

    @property
    def recipe(self) -> str:
        """Of its plate, as TOML."""
        contact = CONTACT if self.contact else "contact = false"
        return RECIPE.format(dose=round(self.dose_mj_cm2, 3), contact=contact)


ACTS = ("hold", "restart", "stop", "abort", "expose", "begin", "done", "skip")
_FLIPS = {
    "light_sum": 64, "light_count": 32, "order_sum": 64, "order": 32, "tick": 32, "order_state": 8,
    "vacuum_sum": 32, "vacuum_count": 16, "outputs": 8, "inputs": 8, "latched": 8, "events": 8,
    "order_target": 64, "light_min": 16, "light_max": 16, "close_reason": 8,
}  # fmt: skip


def _flip(rng: Random) -> Happening:
    field = rng.choice(sorted(_FLIPS))
    return f.BitFlips(field, rng.randrange(_FLIPS[field]))


def _act(rng: Random) -> Happening:
    return Touched(rng.choice(ACTS), rng.choice((1, 1, 2)))


KINDS: dict[str, Callable[[Random], Happening]] = {
    # the lamp
    "weld": lambda r: f.RelayWelds(),
    "no_strike": lambda r: f.LampsDoNotStrike(),
    "late_contactor": lambda r: f.ContactorSticks(r.uniform(0.05, 0.5)),
    "tube": lambda r: f.TubeFails(r.randrange(6)),
    # what measures light
    "dark": lambda r: f.SensorDimmed(0, 0.0),
    "frozen": lambda r: f.GaugeStuck(0),
    "saturated": lambda r: f.SensorDimmed(0, r.uniform(4.0, 8.0)),
    "stray": lambda r: f.StrayLight(r.uniform(0.25, 1.0)),
    "light_offset": lambda r: f.GaugeShifts(0, counts=r.choice((-12.0, 40.0, 300.0))),
    # what measures the rest, and what it measures
    "vacuum_frozen": lambda r: f.GaugeStuck(VACUUM),
    "vacuum_wanders": lambda r: f.GaugeShifts(VACUUM, counts_per_s=r.uniform(-12.0, 12.0)),
    "oven_offset": lambda r: f.GaugeShifts(OVEN, counts=r.uniform(-200.0, 200.0)),
    "leak": lambda r: f.LeakOpens(Leak(conductance_l_s=r.uniform(0.05, 2.0))),
    "pump": lambda r: f.PumpStops(),
    # the wire
    "stall": lambda r: f.HostStalls(r.uniform(0.1, 6.0)),
    "flip": _flip,
    "garbage": lambda r: f.GarbageSent(r.randrange(1, 400)),
    "echo": lambda r: f.LineEchoes(),
    "unplug": lambda r: f.Unplugged(),
    # the device
    "reset": lambda r: f.DeviceResets(),
    "hang": lambda r: f.DeviceHangs(),
    "forget": lambda r: f.OrderForgotten(),
    "version": lambda r: f.SpeaksVersion(r.choice((0, 2, 255))),
    "clock_jump": lambda r: f.ClockJumps(r.choice((-60_000, -900, 40, 700, 3_000_000))),
    "lid": lambda r: f.InterlockOpens(),
    "stop_button": lambda r: f.StopPressed(),
    # the host
    "kill": lambda r: Killed(r.choice((0.2, 3.0, 12.0)), r.random() < 0.3),
    "disk": lambda r: NotWritable(),
    "clock_set": lambda r: ClockSet(r.choice((-7200.0, -3.0, 90.0, 86_400.0))),
    # people
    "act": _act,
}
"""What can go wrong, drawn from a generator."""
_MOMENTARY = {"stall", "flip", "garbage", "reset", "forget", "clock_jump", "clock_set", "act"}


def draw(seed: int) -> Case:
    """The case of a seed. One in thirty has no fault at all: a judge who always finds nothing
    wrong, or always something, is seen."""
    rng = Random(seed)  # noqa: S311 -- a seeded case, not a secret
    lamps = LampParameters(
        output_fraction=rng.uniform(0.5, 1.0),
        rest_s=rng.choice((0.0, 30.0, 1e9)),
        strike_cold_s=rng.uniform(0.4, 1.0),
        warmup=((rng.uniform(0.05, 0.2), rng.uniform(3.0, 8.0)),),
        glow_s=rng.uniform(0.002, 0.02),
    )
    unit = UnitParameters(
        plant=PlantParameters(vacuum=VacuumParameters(volume_l=1.6)),
        lamps=lamps,
        wire=f.WireParameters(jitter_s=0.003, loss=rng.choice((0.0, 0.0, 0.02, 0.1))),
        clock_error_ppm=rng.uniform(-4000.0, 4000.0),
    )
    strikes = tuple(_strike(rng) for _ in range(rng.randrange(MOST_FAULTS + 1)))
    return Case(
        seed=seed,
        unit=unit,
        plate=rng.random() < 0.4,
        contact=rng.random() < 0.5,
        learns=rng.random() < 0.5,
        dose_mj_cm2=rng.uniform(50.0, 120.0),
        strikes=tuple(sorted(strikes, key=lambda s: s.at_s)) if seed % 30 else (),
    )


def _strike(rng: Random) -> Strike:
    kind = rng.choice(sorted(KINDS))
    for_s = 0.0 if kind in _MOMENTARY else rng.choice((0.3, 2.0, LONGEST_S)) * rng.uniform(0.5, 1.0)
    return Strike(kind, rng.uniform(BEFORE_S, LAST_S), for_s, KINDS[kind](rng))
