"""The dose bench: seeded exposures on the simulated unit, ended by platelink and by two usual ways.

Each seed is a unit of its own: lamps faded by 0 to 60 %, cold or warm, ripple, noise, after-glow or
shutter, a 10-bit converter that fresh lamps fill to 60 %, a resonator off by up to 0.5 %, one
message in ten lost, a stall of 500 ms of the host every few seconds, a reciprocity exponent of 0.8
to 1. The true dose is the plant's own integral of its light, never the controller's sums.

*timer* is what a shop would do: seconds for the dose, read off once with fresh, warm lamps.
*poll and compare* is a plain host loop: take the mean irradiance of each message, multiply by the
time since the last one came, switch off when the sum has reached the target.
"""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

from platelink.control.light.request import ExposureRequest, Reciprocity
from platelink.control.states import Learned, State
from platelink.link import messages as m
from platelink.link import outputs as link
from platelink.link.session import Session
from platelink.simulated.harness import Simulation, make_core, matching_sensors
from platelink.unit.job import Job
from platesim.board import build
from platesim.faults import WireParameters
from platesim.lamps import LampParameters, Shutter
from platesim.plant import PlantParameters
from platesim.sensors import LightSensor, SensorParameters
from platesim.unit import SimulatedUnit, UnitParameters

FRESH_MW_CM2 = 12.0
FULL_SCALE_MW_CM2 = 20.0
"""Light at the top of the converter: room for ripple above fresh lamps."""
REFERENCE_MW_CM2 = 10.0
SETTLE_S = 15.0
"""The daemon has listened this long when an exposure is asked for: it knows the device's clock."""
LESSON_MJ_CM2 = 40.0
"""A short exposure before the one that counts: the unit's last plate tells its after-glow."""
LIMIT_PCT = 0.10
METHODS = ("platelink", "timer", "poll_and_compare")


@dataclass(frozen=True, slots=True)
class Errors:
    """How far exposures of one method were from their targets, all in percent."""

    n: int
    mean_error_pct: float
    """Signed."""
    p99_error_pct: float
    max_error_pct: float


@dataclass(frozen=True, slots=True)
class DoseBench:
    """All methods on the same seeds."""

    limit_pct: float
    first_seed: int
    methods: dict[str, Errors]


@dataclass(frozen=True, slots=True)
class Case:
    """One seeded exposure."""

    seed: int
    target_mj_cm2: float
    reciprocity_p: float
    unit: UnitParameters


def make_case(seed: int) -> Case:
    """The unit and the exposure of a seed."""
    rng = random.Random(seed)  # noqa: S311 -- a seeded scenario, not a secret
    fade = rng.uniform(0.0, 0.6)
    shutter = Shutter(rng.uniform(0.05, 0.3), rng.uniform(0.05, 0.3))
    lamps = LampParameters(
        irradiance_mw_cm2=FRESH_MW_CM2,
        output_fraction=1.0 - fade,
        rest_s=rng.choice([math.inf, rng.uniform(5.0, 300.0)]),
        ripple_hz=rng.choice([100.0, 120.0]),
        ripple_depth=rng.uniform(0.0, 0.4),
        ripple_phase_rad=rng.uniform(0.0, 2.0 * math.pi),
        noise_fraction=rng.uniform(0.0, 0.01),
        glow_s=rng.uniform(0.002, 0.02),
        warmup=((rng.uniform(0.05, 0.35), rng.uniform(3.0, 12.0)), (0.1, rng.uniform(20.0, 60.0))),
        shutter=rng.choice([None, None, shutter]),
    )
    light = LightSensor(
        full_scale_mw_cm2=FULL_SCALE_MW_CM2,
        dark_counts=rng.uniform(8.0, 30.0),
        noise_lsb=rng.uniform(0.3, 1.0),
        temperature_coefficient_per_c=rng.uniform(-0.002, 0.002),
    )
    wire = WireParameters(
        delay_s=0.002, jitter_s=0.004, loss=0.10, stall_every_s=rng.uniform(2.0, 8.0), stall_s=0.5
    )
    unit = UnitParameters(
        lamps=lamps,
        plant=PlantParameters(sensors=SensorParameters(light=(light,))),
        wire=wire,
        clock_error_ppm=rng.uniform(-5000.0, 5000.0),
    )
    return Case(seed, rng.uniform(120.0, 480.0), rng.choice([1.0, rng.uniform(0.8, 1.0)]), unit)


def by_platelink(case: Case) -> float:
    """Error in percent of an exposure ended by the product's own core."""
    unit = SimulatedUnit(case.unit, case.seed)
    core = make_core(
        case.unit,
        expected_mw_cm2=FRESH_MW_CM2,
        learned=Learned(afterglow_known=False),
    )
    simulation = Simulation(unit, core)
    simulation.run(lambda: False, SETTLE_S)
    for target in (LESSON_MJ_CM2, case.target_mj_cm2):
        unit.mark()
        request = ExposureRequest(
            target, contact=None, max_light_s=600.0, guard_factor=4.0,
            reciprocity=Reciprocity(case.reciprocity_p, REFERENCE_MW_CM2),
        )  # fmt: skip
        simulation.expose(Job(f"seed-{case.seed}", "film", request))
        simulation.run(lambda: simulation.ended is not None, 900.0)
    ended = simulation.ended
    if ended is None or ended.state is not State.COMPLETE:
        raise RuntimeError(f"seed {case.seed}: {ended}")
    return error_pct(case, unit)


def error_pct(case: Case, unit: SimulatedUnit) -> float:
    """True dose against the target, percent."""
    true = unit.true_dose_mj_cm2(case.reciprocity_p, REFERENCE_MW_CM2)
    return 100.0 * (true / case.target_mj_cm2 - 1.0)


class NaiveHost:
    """A host without standing order: opens, reads, and closes by itself."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.unit = SimulatedUnit(case.unit, case.seed)
        self.session = Session()
        self.session.port_opened(now=0.0)
        self.light = matching_sensors(case.unit).light
        self.samples: list[tuple[m.Sample, float]] = []

    def run(self, until: Callable[[], bool], limit_s: float) -> None:
        """Let time pass, samples land in ``samples`` with their time of arrival."""
        session, unit = self.session, self.unit
        end = unit.time_s + limit_s
        while not until() and unit.time_s < end:
            now = unit.time_s
            outputs = session.receive(unit.read(), now=now) + session.tick(now=now)
            self.samples += [(o.sample, now) for o in outputs if isinstance(o, link.SampleReceived)]
            unit.write(session.data_to_send())
            due = session.next_deadline()
            wake = min(end, math.inf if due is None else due, now + 0.25)
            unit.advance_to_data(max(1e-4, wake - now))

    def open(self) -> None:
        """Lamp on, with nothing but a distant guard."""
        order = m.Arm(1, (1, 0, 0, 0), 0, 2**40, 1_800_000, 0xFFFF, m.SilencePolicy.FINISH)
        self.session.send(order, now=self.unit.time_s)
        self.session.send(m.Open(1), now=self.unit.time_s)
        self.run(lambda: self.unit.lamp_on, 5.0)

    def close(self) -> float:
        """Lamp off; the error in percent once its after-glow is over."""
        self.session.send(m.Close(1), now=self.unit.time_s)
        self.run(lambda: not self.unit.lamp_on, 5.0)
        self.run(lambda: False, 2.0)
        return error_pct(self.case, self.unit)


def by_timer(case: Case) -> float:
    """Error in percent of the seconds that were right for fresh, warm lamps."""
    host = NaiveHost(case)
    host.run(lambda: False, 1.0)  # the lid's switch has settled
    host.open()
    fresh_rate = REFERENCE_MW_CM2 * (FRESH_MW_CM2 / REFERENCE_MW_CM2) ** case.reciprocity_p
    host.run(lambda: False, case.target_mj_cm2 / fresh_rate)
    return host.close()


def by_poll_and_compare(case: Case) -> float:
    """Error in percent of a loop that reads irradiance, sums and switches off."""
    host = NaiveHost(case)
    host.run(lambda: len(host.samples) > 40, 30.0)
    first, last = host.samples[0][0], host.samples[-1][0]
    dark = (last.light_sum[0] - first.light_sum[0]) / (last.light_count[0] - first.light_count[0])
    light = host.light.with_dark([dark])
    host.open()
    dose, done, before = 0.0, len(host.samples), host.unit.time_s
    p = case.reciprocity_p

    def reached() -> bool:
        nonlocal dose, done, before
        for sample, now in host.samples[done:]:
            last = host.samples[done - 1][0]
            ticks = sample.light_count[0] - last.light_count[0]
            counts = (sample.light_sum[0] - last.light_sum[0]) / ticks
            irradiance = max(0.0, light.irradiance_mw_cm2([counts], None))
            dose += REFERENCE_MW_CM2 * (irradiance / REFERENCE_MW_CM2) ** p * (now - before)
            before = now
            done += 1
        return dose >= case.target_mj_cm2

    host.run(reached, 900.0)
    return host.close()


_BY = {"platelink": by_platelink, "timer": by_timer, "poll_and_compare": by_poll_and_compare}


def errors_of(seed: int, methods: Sequence[str] = METHODS) -> tuple[float, ...]:
    """Error in percent of each method on one seed, in their order."""
    case = make_case(seed)
    return tuple(_BY[method](case) for method in methods)


def run_bench(n: int, *, first_seed: int = 1, processes: int = 2) -> DoseBench:
    """All methods on ``n`` seeds."""
    build()  # once, and where a missing compiler can be told
    seeds: Iterable[int] = range(first_seed, first_seed + n)
    with ProcessPoolExecutor(processes) as pool:
        rows = list(pool.map(errors_of, seeds, chunksize=max(1, min(10, n // processes))))
    return DoseBench(LIMIT_PCT, first_seed, by_method(rows))


def by_method(rows: Sequence[tuple[float, ...]]) -> dict[str, Errors]:
    """What came of rows of ``errors_of``."""
    return {m: summary([row[i] for row in rows]) for i, m in enumerate(METHODS[: len(rows[0])])}


def summary(errors: list[float]) -> Errors:
    """Mean of signed errors, and 99th percentile and maximum of their sizes."""
    sizes = sorted(abs(e) for e in errors)
    return Errors(
        n=len(errors),
        mean_error_pct=sum(errors) / len(errors),
        p99_error_pct=sizes[math.ceil(0.99 * len(sizes)) - 1],
        max_error_pct=sizes[-1],
    )
