"""How old lot and bath are goes into the record of each plate that is made."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from record import make

from api.api_shop import Shop, shop
from api.test_routes import FINE, LOT
from platelink.contract.wire import PlateToMake
from platelink.control.procedure.plan import Ages, PlatePlan
from platelink.daemon.recovery import plan_of_run
from platelink.daemon.requests import plan_of
from platelink.runs import RunStart
from platelink.unit.plate_runs import plate_request

PLATE = {"recipe": "plate-a-fine", "lot": "lot-7"}


def told(this: Shop) -> Any:
    return this.daemon.asked[-1]["plate"].get("ages")


def washed(this: Shop, name: str, area_cm2: float | None, hours: float) -> None:
    """A plate on record whose washout began."""
    with make.journal_at(this.settings.journal) as journal:
        at = this.now + timedelta(hours=hours)
        request = {"kind": "plate", "area_cm2": area_cm2}
        journal.append(make.start(journal, name, at, step="plate", plate=name, request=request))
        steps = {"steps": [{"name": "wash", "kind": "wash", "state": "complete"}]}
        journal.end_run(name, at, "complete", "done", data=steps)


def test_what_stores_and_journal_tell(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        client.add_recipe(FINE)
        client.approve_recipe("plate-a-fine@1", "good")
        client.add_supply("lots", **LOT)
        client.make_plate(**PLATE)
        assert told(this) is None
        client.at_supply("lots", "lot-7", "open", {})
        client.add_supply("maintenance", name="Bath", days=30)
        washed(this, "P-1", 900.0, 1.0)
        washed(this, "P-2", 600.0, 2.0)
        this.later(days=3)
        client.make_plate(**PLATE)
        ages = told(this)
        assert ages["lot_open_days"] == 3.0 and ages["bath_days"] == pytest.approx(3.0, abs=0.01)
        assert ages["bath_m2"] == pytest.approx(0.15)
        client.at_supply("maintenance", "Bath", "done", {"note": "new bath"})
        client.make_plate(**PLATE)
        assert (told(this)["bath_m2"], told(this)["bath_days"]) == (
            0.0,
            pytest.approx(0.0, abs=0.01),
        )
        washed(this, "P-3", None, 1.0)
        this.later(days=1)
        client.make_plate(**PLATE)
        assert told(this)["bath_m2"] is None and told(this)["bath_days"] is not None


@pytest.mark.parametrize("ages", [None, {"lot_open_days": 3.0, "bath_days": 2.5, "bath_m2": None}])
def test_they_are_in_the_record_and_taken_up_again_from_there(ages: dict[str, Any] | None) -> None:
    from platelink.simulated.plates import example

    asked = PlateToMake(recipe=example().content(), plate="P-1", ages=ages)
    plan: PlatePlan = plan_of(asked, "A. Example")
    assert plan.ages == (None if ages is None else Ages(**ages))
    request = plate_request(plan)
    assert request.get("ages") == ages and ("ages" in request) is (ages is not None)
    start = RunStart(id="j-1", run_id="P-1", unit="u", at_utc=make.T0, step="plate",
                     operator="A. Example", request=request)  # fmt: skip
    assert plan_of_run(start).ages == plan.ages
