"""Two thousand whole exposures of the daemon's own core against the AVR firmware, in lock-step.

Short ones, so that they fit into a test run: some seconds of light each, on units of different
lamps, resonators and reciprocity exponents. The plant's own integral is the truth.
"""

from __future__ import annotations

import os
import random
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context

import pytest

from platelink.control.light.request import ExposureRequest, Reciprocity
from platelink.control.states import Learned, State
from platelink.simulated.harness import Simulation, make_core
from platelink.unit.job import Job
from platesim.avrboard import AvrBoard
from platesim.avrbuild import ToolMissing
from platesim.lamps import LampParameters
from platesim.unit import SimulatedUnit, UnitParameters

UNITS = 8
EXPOSURES_EACH = 250
LISTEN_S = 15.0
REFERENCE_MW_CM2 = 10.0
WITHIN_PCT = 0.10


def expose_again_and_again(seed: int) -> list[float]:
    """Errors in percent of one unit's exposures; the first, its lesson, is left out."""
    rng = random.Random(seed)
    lamps = LampParameters(
        output_fraction=rng.uniform(0.5, 1.0), rest_s=60.0, strike_s=0.1, strike_cold_s=0.2
    )
    parameters = UnitParameters(lamps=lamps, clock_error_ppm=rng.uniform(-4000.0, 4000.0))
    p = rng.choice([1.0, rng.uniform(0.8, 1.0)])
    unit = SimulatedUnit(parameters, seed, board=AvrBoard)
    core = make_core(
        parameters,
        expected_mw_cm2=9.0,
        learned=Learned(afterglow_s=0.005),
    )
    simulation = Simulation(unit, core)
    simulation.run(lambda: False, LISTEN_S)
    errors = []
    for i in range(EXPOSURES_EACH + 1):
        target = rng.uniform(20.0, 32.0)
        unit.mark()
        simulation.ended = None
        law = Reciprocity(p, REFERENCE_MW_CM2)
        request = ExposureRequest(target, None, 100.0, reciprocity=law)
        simulation.expose(Job(f"{seed}-{i}", "film", request))
        simulation.run(lambda: simulation.ended is not None, 60.0)
        ended = simulation.ended
        assert ended is not None and ended.state is State.COMPLETE, ended
        errors.append(100.0 * (unit.true_dose_mj_cm2(p, REFERENCE_MW_CM2) / target - 1.0))
        simulation.outputs.clear()
    unit.board.close()
    return errors[1:]


@pytest.mark.alone
@pytest.mark.timeout(1800)
def test_thousands_of_exposures_end_at_their_dose() -> None:
    try:
        AvrBoard().close()
    except ToolMissing as missing:
        if os.environ.get("CI"):
            raise
        pytest.skip(str(missing))
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        errors = [e for unit in pool.map(expose_again_and_again, range(1, UNITS + 1)) for e in unit]
    sizes = sorted(map(abs, errors))
    print(
        f"{len(errors)} exposures: mean {sum(errors) / len(errors):+.4f} %, "
        f"99 % within {sizes[len(sizes) * 99 // 100]:.4f} %, largest {sizes[-1]:.4f} %"
    )
    assert len(errors) == UNITS * EXPOSURES_EACH
    assert sizes[-1] <= WITHIN_PCT
    assert abs(sum(errors) / len(errors)) < 0.02
