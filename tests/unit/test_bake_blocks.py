"""A bake's temperatures go into the record in blocks, and none is left out of them."""

from __future__ import annotations

import numpy as np

from platelink.simulated.plates import Operator, example, plan, unit_for_plates
from platelink.unit.outputs import RunBegun, RunClosed, RunSampled
from platelink.unit.sample_buffer import BAKE_BLOCK_S


def baking(until_s: float | None):
    """A plate with a bake, made until so long after the bake began, or to its end."""
    simulation = unit_for_plates()
    simulation.make_plate(plan("plate-1", example()))
    operator = Operator(simulation)
    if until_s is None:
        operator.work()
        return simulation
    while not any(isinstance(o, RunBegun) and o.kind == "bake" for o in simulation.outputs):
        operator.look()
        simulation.run(lambda: False, 1.0)
    simulation.run(lambda: False, until_s)
    return simulation


def sampled(simulation):
    begun = [o for o in simulation.outputs if isinstance(o, RunBegun) and o.kind == "bake"]
    bake = begun[0].run_id
    parts = [o for o in simulation.outputs if isinstance(o, RunSampled) and o.run_id == bake]
    return bake, [part.block for part in parts]


def test_a_bake_is_written_in_blocks_and_its_rest_before_its_end():
    simulation = baking(None)
    bake, blocks = sampled(simulation)
    assert all(20 <= len(block) <= 22 for block in blocks[:-1])
    ticks = np.concatenate([block.ticks for block in blocks])
    steps_s = np.diff(ticks) * 1e-3
    assert steps_s.min() > 0.9
    assert steps_s.max() < 1.2  # no sample is missing between two blocks
    order = [type(o) for o in simulation.outputs if getattr(o, "run_id", None) == bake]
    assert order[-2:] == [RunSampled, RunClosed]


def test_what_a_bake_has_in_hand_is_written_when_the_process_ends():
    simulation = baking(50.5)
    _, blocks = sampled(simulation)
    told = sum(len(block) for block in blocks)
    (rest,) = [o.block for o in simulation.core.flush() if isinstance(o, RunSampled)]
    assert 47 <= told + len(rest) <= 54
    assert len(rest) <= BAKE_BLOCK_S + 1  # what kill -9 would have cost
    assert not [o for o in simulation.core.flush() if isinstance(o, RunSampled)]
