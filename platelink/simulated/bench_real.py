"""The dose bench's profile *real*: units that are not as their calibration says.

Each seed is a unit: a bank of tubes over a bed, one sensor at its edge, plates somewhere on it; a
reference meter that is itself off, a calibration with it on one day, and some plates within one
month later. Between them and in them tubes age unequally, lamps are cold or warm and of another
colour then, mains wander, ripple passes the amplifier's filter, the converter bows, its reference,
the dark and the head's temperature move, the sensor drifts and browns, sees slanting light its own
way, and the plate stock's exponent is not quite the recipe's. The truth is the light at the plate,
with the plate's own exponent. What the shop states is what it could know: its meter's certificate,
a map of its bed, data sheets. All figures are invented.

The three numbers are measured against that truth: *control* is the counted dose against its
target; *plate to plate* each plate's true dose for a counted one, against the mean of its unit's;
*against the meter* the same against 1.
"""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from platelink.control.light.lessons import Lessons
from platelink.control.light.request import ExposureRequest, Optics, Reciprocity
from platelink.control.procedure.plan import StepDefaults
from platelink.control.states import Learned, State
from platelink.sensing.budget import Stated
from platelink.sensing.light import LightChannel, LightSensors
from platelink.sensing.readings import Converter, Sensors
from platelink.simulated.harness import Simulation, matching_sensors
from platelink.unit.core import Core
from platelink.unit.job import Job, UnitSettings
from platelink.unit.outputs import RunEnded
from platesim.board import build
from platesim.faults import WireParameters
from platesim.lamps import LampParameters
from platesim.plant import PlantParameters
from platesim.sensors import NOMINAL_V, LightSensor, SensorParameters
from platesim.sensors import Converter as SimulatedConverter
from platesim.unit import SimulatedUnit, UnitParameters

F64 = NDArray[np.float64]

PLATES = 3
"""Made by each unit within its month."""
FRESH_MW_CM2 = 12.0
FULL_SCALE_MW_CM2 = 20.0
SETTLE_S = 6.0
LIMIT_LOW_PCT, LIMIT_HIGH_PCT = 90.0, 99.0
"""U (k = 2) shall hold so many units."""
TUBES, PITCH_CM, HEIGHT_CM = 8, 8.0, 10.0
BED_CM = 15.0
"""Plates lie within so much of the bed's middle."""
SENSOR_CM = 18.0
METER_REL = 0.02
"""Standard uncertainty that the certificate of the reference meter states."""
FIT_REL = 0.004
P_UNCERTAINTY = 0.02
STATED = Stated(
    fit_pct=100.0 * FIT_REL, dark_counts=0.15, resolution_counts=0.06, temperature_pct_per_c=0.03,
    nonlinearity_counts=1.0, supply_pct=0.2, drift_pct_per_year=1.0, ageing_pct_per_year=3.0,
    cosine_pct=0.7, spectral_pct=2.5,
)  # fmt: skip
"""What the shop knows; ``position_pct`` is each unit's own."""


class Made(NamedTuple):
    """One plate: what was counted, what fell, and what was told; U in percent of the dose."""

    target_mj_cm2: float
    counted_mj_cm2: float
    true_mj_cm2: float
    plate_pct: float
    meter_pct: float


@dataclass(frozen=True, slots=True)
class Number:
    """One of the three numbers, over all units; in percent."""

    stated_pct: float | None
    """Mean of the U (k = 2) that was told; None: it is no uncertainty."""
    mean_pct: float
    within_95_pct: float
    """95 % of the errors lie within so much."""
    largest_pct: float
    covered_pct: float | None
    """Share of the units of which the error lies within the U told."""


@dataclass(frozen=True, slots=True)
class RealBench:
    """The three numbers on the same units."""

    units: int
    plates: int
    first_seed: int
    control: Number
    plate_to_plate: Number
    against_meter: Number

    @property
    def kept(self) -> bool:
        """U holds about 95 % of the units, neither fewer nor all."""
        both = (self.plate_to_plate.covered_pct, self.against_meter.covered_pct)
        return all(c is not None and LIMIT_LOW_PCT <= c <= LIMIT_HIGH_PCT for c in both)


def seen_from(x_cm: float, cosine_error: float = 0.0) -> F64:
    """Weight of each tube's light at a place: a long tube gives 1 / r, and aslant its cosine.
    ``cosine_error``: how much more a sensor sees of light from the horizon, as a share."""
    tubes = (np.arange(TUBES) - (TUBES - 1) / 2.0) * PITCH_CM
    cosine = HEIGHT_CM / np.hypot(tubes - x_cm, HEIGHT_CM)
    weights: F64 = cosine**2 * (1.0 + cosine_error * (1.0 - cosine))
    return weights


MIDDLE = seen_from(0.0)


@dataclass(frozen=True, slots=True)
class RealUnit:
    """What a seed is, in truth; see the head of this file."""

    seed: int
    place_cm: float
    cosine_error: float
    fresh: tuple[float, ...]
    """Output of each tube at the calibration."""
    fade_per_year: tuple[float, ...]
    calibrated: date
    first_day: int
    """After the calibration, of the month."""
    slope_error: float
    """Of the calibration: meter and fit."""
    drift_per_year: float
    ageing_per_year: float
    colour_per_fade: float
    """How much more the sensor sees of aged lamps, as a share of what they have faded by."""
    warm_up_colour: float
    coefficient_per_c: float
    sensor: LightSensor
    bow_lsb: float
    """Of the converter."""
    law: Reciprocity
    plate_p: float

    @property
    def eye(self) -> F64:
        """How the sensor sees the tubes."""
        return seen_from(SENSOR_CM, self.cosine_error)

    def bed(self) -> F64:
        """Light over the bed on the day of the calibration, as the shop's meter finds it moved over
        it: 1 where all tubes are new, in the middle."""
        places = np.linspace(-BED_CM, BED_CM, 17)
        tubes = np.array(self.fresh) / MIDDLE.sum()
        return np.array([seen_from(float(x)) @ tubes for x in places])

    def stated(self) -> Stated:
        """What the shop states."""
        bed = self.bed()
        half = (bed.max() - bed.min()) / 2.0
        return replace(STATED, position_pct=100.0 * float(half / bed.mean()))


def real_unit(seed: int) -> RealUnit:
    """The unit of a seed."""
    rng = random.Random(seed)  # noqa: S311 -- a seeded scenario, not a secret
    sensor = LightSensor(
        full_scale_mw_cm2=FULL_SCALE_MW_CM2,
        dark_counts=rng.uniform(10.0, 30.0),
        dark_counts_per_c=rng.uniform(-0.03, 0.03),
        temperature_coefficient_per_c=-0.0012,
        noise_lsb=rng.uniform(0.3, 1.0),
        filter_s=1e-3,
    )
    p = rng.choice([1.0, 1.0, rng.uniform(0.8, 1.2)])
    law = Reciprocity(p, 9.0, P_UNCERTAINTY if p != 1.0 else None)
    return RealUnit(
        seed=seed,
        place_cm=rng.uniform(-BED_CM, BED_CM),
        cosine_error=rng.uniform(-0.1, 0.1),
        fresh=tuple(rng.gauss(1.0, 0.03) for _ in range(TUBES)),
        fade_per_year=tuple(rng.uniform(0.15, 0.25) for _ in range(TUBES)),
        calibrated=date(2026, 1, 15),
        first_day=rng.randrange(0, 300),
        slope_error=(1.0 + rng.gauss(0.0, METER_REL)) * (1.0 + rng.gauss(0.0, FIT_REL)) - 1.0,
        drift_per_year=rng.uniform(-0.01, 0.01),
        ageing_per_year=rng.uniform(0.0, 0.03),
        colour_per_fade=rng.uniform(-0.15, 0.15),
        warm_up_colour=rng.uniform(-0.02, 0.02),
        coefficient_per_c=-0.0012 + rng.uniform(-0.0003, 0.0003),
        sensor=sensor,
        bow_lsb=rng.uniform(-1.0, 1.0),
        law=law,
        plate_p=p + (rng.gauss(0.0, P_UNCERTAINTY) if p != 1.0 else 0.0),
    )


def channel_of(unit: RealUnit) -> LightChannel:
    """The light channel as the shop calibrated it: for the mean of the bed."""
    sensor = unit.sensor
    meter = float(unit.bed().mean())
    counts = sensor.counts_per_mw_cm2 * float(unit.eye @ np.array(unit.fresh) / unit.eye.sum())
    return LightChannel(
        dark_counts=sensor.dark_counts + 1.0,
        slope_mw_cm2_per_count=meter / counts * (1.0 + unit.slope_error),
        temp_coeff_per_c=sensor.temperature_coefficient_per_c,
        reference_temp_c=sensor.reference_c,
        calibrated_on=unit.calibrated,
        rel_uncertainty=METER_REL,
    )


def plant_of(unit: RealUnit, plate: int) -> tuple[UnitParameters, date]:
    """The unit on the day of a plate."""
    rng = random.Random(f"{unit.seed}-{plate}")  # noqa: S311
    day = unit.first_day + rng.randrange(0, 30)
    years = day / 365.25
    tubes = np.array(unit.fresh) * np.exp(-np.array(unit.fade_per_year) * years)
    faded = 1.0 - float(tubes.mean()) / float(np.mean(unit.fresh))
    gain = (
        (1.0 + unit.drift_per_year * years) * (1.0 - unit.ageing_per_year * years)
        * (1.0 + unit.colour_per_fade * faded)
    )  # fmt: skip
    lamps = LampParameters(
        irradiance_mw_cm2=FRESH_MW_CM2,
        output_fraction=float(tubes.mean()),
        tubes=TUBES,
        tube_outputs=tuple(map(float, tubes)),
        plate_view=tuple(map(float, seen_from(unit.place_cm) / MIDDLE.sum())),
        views=(tuple(map(float, unit.eye)),),
        colours=(unit.warm_up_colour,),
        rest_s=rng.choice([math.inf, rng.uniform(5.0, 600.0)]),
        ripple_hz=rng.choice([100.0, 120.0]),
        ripple_depth=rng.uniform(0.05, 0.4),
        ripple_phase_rad=rng.uniform(0.0, 2.0 * math.pi),
        tube_phases_rad=rng.choice([(0.0,), (0.0, 2.0 * math.pi / 3.0, 4.0 * math.pi / 3.0)]),
        mains_fraction=0.01,
        warmup=((0.2, rng.uniform(3.0, 8.0)), (0.1, rng.uniform(20.0, 60.0))),
    )
    sensor = replace(unit.sensor, gain=gain, temperature_coefficient_per_c=unit.coefficient_per_c)
    converter = SimulatedConverter(
        bow_lsb=unit.bow_lsb,
        dnl_lsb=0.3,
        reference_v=NOMINAL_V * (1.0 + rng.uniform(-0.002, 0.002)),
        reference_v_per_s=rng.uniform(-2e-5, 2e-5),
    )
    sensors = SensorParameters(
        light=(sensor,), converter=converter, ambient_c=rng.uniform(14.0, 32.0)
    )
    parameters = UnitParameters(
        lamps=lamps,
        plant=PlantParameters(sensors=sensors),
        wire=WireParameters(delay_s=0.002, jitter_s=0.004, loss=0.02),
        clock_error_ppm=rng.uniform(-5000.0, 5000.0),
    )
    return parameters, unit.calibrated + timedelta(days=day)


def make_plate(unit: RealUnit, plate: int) -> Made:
    """One plate, made by the product's own core."""
    parameters, day = plant_of(unit, plate)
    channel = channel_of(unit)
    sensors = replace(matching_sensors(parameters), light=LightSensors((channel,)))
    core = _core(unit, sensors)
    simulated = SimulatedUnit(parameters, unit.seed * 100 + plate)
    begun_ms = round(datetime.combine(day, time(8), UTC).timestamp() * 1000.0)
    simulation = Simulation(simulated, core, begun_ms=begun_ms)
    simulation.run(lambda: False, SETTLE_S)
    target = random.Random(f"{unit.seed}-{plate}-dose").uniform(60.0, 180.0)  # noqa: S311
    request = ExposureRequest(
        target, contact=None, max_light_s=600.0, guard_factor=4.0, reciprocity=unit.law
    )
    simulated.mark()
    simulation.expose(Job(f"unit-{unit.seed}-{plate}", "film", request))
    simulation.run(lambda: simulation.ended is not None, 900.0)
    over = next((o for o in simulation.outputs if isinstance(o, RunEnded)), None)
    if over is None or over.ended.state is not State.COMPLETE or over.budget is None:
        raise RuntimeError(f"seed {unit.seed}, plate {plate}: {over}")
    true = simulated.true_dose_mj_cm2(unit.plate_p, unit.law.reference_mw_cm2)
    told = over.budget
    return Made(target, over.ended.dose_mj_cm2, true, told.plate.expanded, told.meter.expanded)


def _core(unit: RealUnit, sensors: Sensors) -> Core:
    settings = UnitSettings(
        optics=Optics(sensors.light, (1 << sensors.adc_bits) - 1, FRESH_MW_CM2),
        advisory=False,
        frame_ticks=50,
        conditions={},
        steps=StepDefaults(),
        stated=unit.stated(),
    )
    learned = Learned(afterglow_s=0.6 * 0.008)
    return Core(settings, Converter(sensors), Lessons(learned, FRESH_MW_CM2), now=0.0)


def plates_of(seed: int) -> tuple[Made, ...]:
    """All plates of a seed's unit."""
    unit = real_unit(seed)
    return tuple(make_plate(unit, plate) for plate in range(PLATES))


def run_real(n: int, *, first_seed: int = 1, processes: int = 2) -> RealBench:
    """``n`` units."""
    build()  # once, and where a missing compiler can be told
    with ProcessPoolExecutor(processes) as pool:
        return judged(list(pool.map(plates_of, range(first_seed, first_seed + n))), first_seed)


def judged(units: Sequence[Sequence[Made]], first_seed: int) -> RealBench:
    """What came of the plates of some units. Against the meter one plate of each unit is judged:
    its plates share most of that error."""
    control, plate, meter = list[float](), list[tuple[float, float]](), list[tuple[float, float]]()
    for made in units:
        ratios = [one.true_mj_cm2 / one.counted_mj_cm2 for one in made]
        n, mean = len(made), sum(ratios) / len(made)
        control += [100.0 * (one.counted_mj_cm2 / one.target_mj_cm2 - 1.0) for one in made]
        # The mean holds the plate itself: of the variance of its own error (n - 1) / n are seen.
        seen = 100.0 * math.sqrt(n / (n - 1.0))
        plate += [
            (seen * (ratio / mean - 1.0), one.plate_pct)
            for ratio, one in zip(ratios, made, strict=True)
        ]
        meter.append((100.0 * (ratios[0] - 1.0), made[0].meter_pct))
    return RealBench(
        units=len(units), plates=sum(map(len, units)), first_seed=first_seed,
        control=_number(control, None),
        plate_to_plate=_number([e for e, _ in plate], [u for _, u in plate]),
        against_meter=_number([e for e, _ in meter], [u for _, u in meter]),
    )  # fmt: skip


def _number(errors: list[float], told: list[float] | None) -> Number:
    sizes = sorted(abs(e) for e in errors)
    held = sum(abs(e) <= u for e, u in zip(errors, told, strict=True)) if told else None
    return Number(
        stated_pct=sum(told) / len(told) if told else None,
        mean_pct=sum(errors) / len(errors),
        within_95_pct=sizes[math.ceil(0.95 * len(sizes)) - 1],
        largest_pct=sizes[-1],
        covered_pct=None if held is None else 100.0 * held / len(errors),
    )
