"""How much faster than real time an exposure, and a whole plate with hands and oven, run in one
process, firmware and plant included."""

from __future__ import annotations

import math
import time

from platelink.control.light.request import ExposureRequest
from platelink.simulated.harness import Simulation, make_core
from platelink.simulated.plates import example, make, unit_for_plates
from platelink.unit.job import Job
from platelink.unit.plate_view import unit_status
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

UNIT = UnitParameters(lamps=LampParameters(burn_hours=900.0, starts=600, rest_s=60.0))
DOSE_MJ_CM2 = 340.0
EXPECTED_MW_CM2 = 8.0
ROUNDS = 5
LISTEN_S = 10.0


def bench_speed() -> dict[str, float | int]:
    """Simulated seconds for each second of this computer, the best of some rounds: of an exposure
    with its frames, and of a plate of an example recipe from the first step to the last."""
    best, simulated_s, frames = 0.0, 0.0, 0
    for _ in range(ROUNDS):
        unit = SimulatedUnit(UNIT, seed=7)
        simulation = Simulation(unit, make_core(UNIT, expected_mw_cm2=EXPECTED_MW_CM2))
        started = time.perf_counter()
        simulation.run(lambda: False, LISTEN_S)
        request = ExposureRequest(DOSE_MJ_CM2, contact=None, max_light_s=300.0)
        simulation.expose(Job("bench", "film", request))
        while simulation.ended is None:
            simulation.step(400.0)
        taken_s = time.perf_counter() - started
        simulated_s = unit.time_s
        frames = unit_status(simulation.core, now=simulation.now).link.frames
        best = max(best, simulated_s / taken_s)
    return {
        "simulated_s": round(simulated_s, 1),
        "frames": frames,
        "times_real_time": round(best, 1),
        "us_per_frame": round(1e6 * simulated_s / best / frames, 1),
        **_plate(),
    }


def _plate() -> dict[str, float]:
    fastest_s, plate_s = math.inf, 0.0
    for _ in range(ROUNDS):
        simulation = unit_for_plates()
        began_s, started = simulation.now, time.perf_counter()
        make(simulation, example(), "p-1")
        taken_s, plate_s = time.perf_counter() - started, simulation.now - began_s
        fastest_s = min(taken_s, fastest_s)
    return {
        "plate_s": round(plate_s, 1),
        "plate_times_real_time": round(plate_s / fastest_s, 1),
        "plates_per_s": round(1.0 / fastest_s, 2),
    }
