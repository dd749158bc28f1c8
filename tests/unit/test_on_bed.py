"""A plate's place on the bed goes with it into the record of its exposures."""

from __future__ import annotations

from dataclasses import asdict, replace

from platelink.sensing.budget import OnBed, Source
from platelink.simulated.plates import Operator, example, plan, unit_for_plates
from platelink.unit.outputs import RunBegun, RunEnded

PLACED = OnBed(
    experiment="bed-2", place_cm=None, low_pct=-4.0, mean_pct=-1.0, high_pct=2.0, position_pct=4.3
)


def test_each_exposure_of_the_plate_has_it_and_no_other() -> None:
    simulation = unit_for_plates()
    operator = Operator(simulation)
    for name, on_bed in (("P-1", PLACED), ("P-2", None)):
        simulation.make_plate(replace(plan(name, example()), on_bed=on_bed))
        operator.work()
    begun = {o.run_id: o for o in simulation.outputs if isinstance(o, RunBegun)}
    seen = dict.fromkeys(("P-1", "P-2"), 0)
    for ended in (o for o in simulation.outputs if isinstance(o, RunEnded)):
        start = begun[ended.run_id]
        assert ended.budget is not None
        (line,) = (one for one in ended.budget.lines if one.name == "position")
        seen[str(start.plate)] += 1
        if start.plate == "P-1":
            assert (line.value, line.source) == (4.3, Source.EXPERIMENT)
            assert start.request["on_bed"] == asdict(PLACED)
        else:
            assert line.source is not Source.EXPERIMENT and "on_bed" not in start.request
    assert seen["P-1"] == seen["P-2"] >= 3
    assert begun["P-1"].request["on_bed"] == asdict(PLACED)
