"""Named units and what happens to them, as data. All values are invented."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from platesim.board import BoardFactory, HostBoard
from platesim.faults import (
    DeviceResets,
    GaugeStuck,
    InterlockOpens,
    LeakOpens,
    Planned,
    TubeFails,
    Unplugged,
    WireParameters,
)
from platesim.lamps import LampParameters, Shutter
from platesim.oven import HEAVY, LIGHT, OvenParameters
from platesim.plant import PlantParameters
from platesim.sensors import VACUUM, LinearSensor, SensorParameters
from platesim.trace import TraceSource, measured_uv_a
from platesim.unit import SimulatedUnit, UnitParameters
from platesim.vacuum import Leak, VacuumParameters, atmosphere_kpa_abs


@dataclass(frozen=True, slots=True)
class Scenario:
    """A unit, the faults planned for it, and the light it plays instead of its lamps."""

    about: str
    parameters: UnitParameters = field(default_factory=UnitParameters)
    planned: tuple[Planned, ...] = ()
    trace_day: int | None = None
    """Play this day of the measured UV-A series."""
    trace_compression: float = 1.0


_FRESH = LampParameters(burn_hours=20.0, starts=40)
_FADED = LampParameters(burn_hours=1400.0, starts=900)
_ALTITUDE_M = 1750.0


def _lamps(**changes: object) -> UnitParameters:
    return UnitParameters(lamps=replace(_FADED, **changes))  # type: ignore[arg-type]


def _leaking(leak: Leak) -> PlantParameters:
    return PlantParameters(vacuum=VacuumParameters(leaks=(leak,)))


SCENARIOS: dict[str, Scenario] = {
    "fresh": Scenario("new lamps, cold start, tight frame", UnitParameters(lamps=_FRESH)),
    "faded": Scenario("lamps at about half their output", UnitParameters(lamps=_FADED)),
    "plate": Scenario(
        "faded lamps, the oven on for a while: for whole plates",
        UnitParameters(
            lamps=_FADED,
            plant=PlantParameters(
                vacuum=VacuumParameters(volume_l=2.5),
                oven=OvenParameters(setpoint_c=58.0, start_c=57.4),
            ),
        ),
    ),
    "bath": Scenario(
        "as plate, with a probe in the washout water",
        UnitParameters(
            lamps=_FADED,
            plant=PlantParameters(
                vacuum=VacuumParameters(volume_l=2.5),
                oven=OvenParameters(setpoint_c=58.0, start_c=57.4),
                sensors=SensorParameters(water=LinearSensor(40.0, 12.0)),
            ),
        ),
    ),
    "light-oven": Scenario(
        "as plate, in an oven of thin sheet: it falls fast behind its closed door",
        UnitParameters(
            lamps=_FADED,
            plant=PlantParameters(
                vacuum=VacuumParameters(volume_l=2.5),
                oven=replace(LIGHT, setpoint_c=58.0, start_c=57.4),
            ),
        ),
    ),
    "heavy-oven": Scenario(
        "as plate, in an oven of bricks: it falls slowly with its door open",
        UnitParameters(
            lamps=_FADED,
            plant=PlantParameters(
                vacuum=VacuumParameters(volume_l=2.5),
                oven=replace(HEAVY, setpoint_c=58.0, start_c=57.4),
            ),
        ),
    ),
    "unequal-tubes": Scenario(
        "tubes that aged unequally, seen by four sensors, on mains that wander",
        UnitParameters(
            light_channels=4,
            lamps=replace(
                _FADED,
                tube_wear=(0.7, 1.4, 0.9, 1.2, 0.8, 1.1),
                mains_fraction=0.006,
                views=tuple(
                    tuple(max(0.05, 1.0 - 0.22 * abs(t - 5 * c / 3)) for t in range(6))
                    for c in range(4)
                ),
            ),
        ),
    ),
    "warm": Scenario("faded lamps that burnt a minute ago", _lamps(rest_s=60.0)),
    "cold": Scenario(
        "faded lamps in a cold room: slow strike, long warm-up",
        _lamps(strike_cold_s=2.5, warmup=((0.35, 8.0), (0.25, 60.0)), rest_s=math.inf),
    ),
    "shutter": Scenario(
        "warm lamps behind a shutter", _lamps(shutter=Shutter(), rest_s=0.0, glow_fraction=0.0)
    ),
    "three-phase": Scenario(
        "tubes fed from three phases",
        _lamps(tube_phases_rad=(0.0, 2.0 * math.pi / 3.0, 4.0 * math.pi / 3.0)),
    ),
    "leak-in-exposure": Scenario(
        "the blanket's edge lifts after 6 s of light, for 5 s",
        UnitParameters(lamps=_FADED),
        (Planned(LeakOpens(Leak(0.9)), at_light_s=6.0, for_s=5.0),),
    ),
    "leak-growing": Scenario(
        "a leak that grows all the time",
        UnitParameters(lamps=_FADED, plant=_leaking(Leak(0.002, growth_l_s2=0.0008))),
    ),
    "leak-fluttering": Scenario(
        "an edge that lifts and falls back",
        UnitParameters(lamps=_FADED, plant=_leaking(Leak(0.25, flutter_hz=0.7))),
    ),
    "tube-failing": Scenario(
        "a tube goes dark after 10 s of light",
        UnitParameters(lamps=_FADED),
        (Planned(TubeFails(3), at_light_s=10.0),),
    ),
    "high-altitude": Scenario(
        f"a shop at {_ALTITUDE_M:.0f} m: 85 kPa cannot be reached",
        UnitParameters(
            lamps=_FADED,
            plant=PlantParameters(
                vacuum=VacuumParameters(
                    atmosphere_kpa_abs=atmosphere_kpa_abs(_ALTITUDE_M), end_kpa_abs=12.0
                )
            ),
        ),
    ),
    "stuck-gauge": Scenario(
        "the vacuum gauge freezes after 3 s of light",
        UnitParameters(lamps=_FADED),
        (Planned(GaugeStuck(VACUUM), at_light_s=3.0),),
    ),
    "lid-opens": Scenario(
        "the lid is opened after 5 s of light, for 4 s",
        UnitParameters(lamps=_FADED),
        (Planned(InterlockOpens(), at_light_s=5.0, for_s=4.0),),
    ),
    "unplugged": Scenario(
        "the cable is out for 3 s after 5 s of light",
        UnitParameters(lamps=_FADED),
        (Planned(Unplugged(), at_light_s=5.0, for_s=3.0),),
    ),
    "brown-out": Scenario(
        "the device loses its supply for a moment after 5 s of light",
        UnitParameters(lamps=_FADED),
        (Planned(DeviceResets(), at_light_s=5.0),),
    ),
    "bad-wire": Scenario(
        "a tenth of the frames lost, some spoilt, late frames, a host that stalls",
        UnitParameters(
            lamps=_FADED,
            clock_error_ppm=4000.0,
            wire=WireParameters(
                jitter_s=0.02, loss=0.1, corruption=0.01, garbage=0.01, stall_every_s=10.0
            ),
        ),
    ),
    "own-timer": Scenario(
        "lamps on the unit's own timer, out of the board's reach",
        UnitParameters(lamps=_FADED, own_timer=True),
    ),
    "trace": Scenario(
        "measured daylight UV-A, a thousand times faster",
        UnitParameters(lamps=_FADED),
        trace_day=2,
        trace_compression=1000.0,
    ),
    "trace-own-timer": Scenario(
        "the same daylight behind the unit's own shutter",
        UnitParameters(own_timer=True),
        trace_day=2,
        trace_compression=1000.0,
    ),
}


def build(name: str, seed: int, board: BoardFactory = HostBoard) -> SimulatedUnit:
    """The unit of a named scenario with a board. ``KeyError`` for another name;
    ``TraceUnavailable`` when its recorded light is not installed."""
    scenario = SCENARIOS[name]
    source = None
    if scenario.trace_day is not None:
        trace = measured_uv_a(scenario.trace_day).compressed(scenario.trace_compression)
        source = TraceSource(trace, channels=scenario.parameters.light_channels)
    return SimulatedUnit(
        scenario.parameters, seed, planned=scenario.planned, source=source, board=board
    )
