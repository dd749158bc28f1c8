"""A plate's place on a bed that an experiment has measured."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from record import make

from api.api_shop import Shop, shop
from api.test_routes import FINE, LOT, refused

PLACE = {"x_cm": 12.0, "y_cm": 3.0, "width_cm": 4.0, "height_cm": 6.0}
PLATE = {"recipe": "plate-a-fine", "lot": "lot-7"}


def begun(this: Shop, **head: Any) -> Any:
    client = this.client()
    client.add_recipe(FINE)
    client.approve_recipe("plate-a-fine@1", "good")
    client.add_supply("lots", **LOT)
    client.post("/experiments", kind="bed", head=head)
    for y in (0.0, 10.0, 20.0):
        for x in (0.0, 10.0, 20.0):  # light that rises by 1 % a cm
            read = {"x_cm": x, "y_cm": y, "irradiance_mw_cm2": 10.0 * (1.0 + 0.01 * (x - 10.0))}
            client.post("/experiments/bed-1/read", reading=read)
    return client


def test_the_plate_names_the_experiment_and_what_light_it_gets(tmp_path: Path) -> None:
    with shop(tmp_path) as this, begun(this, sensor_cm=[10.0, 10.0]) as client:
        client.make_plate(**PLATE)
        assert this.daemon.asked[-1]["plate"].get("on_bed") is None  # nothing is concluded
        client.post("/experiments/bed-1/conclude")
        client.make_plate(**PLATE, place=PLACE)
        there = this.daemon.asked[-1]["plate"]["on_bed"]
        assert there["experiment"] == "bed-1" and list(there["place_cm"]) == [12.0, 3.0, 4.0, 6.0]
        figures = [there[name] for name in ("low_pct", "mean_pct", "high_pct")]
        assert figures == pytest.approx([2.0, 4.0, 6.0])
        client.make_plate(**PLATE)
        anywhere = this.daemon.asked[-1]["plate"]["on_bed"]
        assert anywhere["place_cm"] is None
        assert anywhere["position_pct"] > there["position_pct"]
        kind, text = refused(client.make_plate, **PLATE, place=PLACE | {"x_cm": 18.0})
        assert kind == "refused" and "lies beyond the places that were measured" in text


def test_a_bed_measured_with_other_lamps_is_not_used(tmp_path: Path) -> None:
    with shop(tmp_path) as this, begun(this, sensor_cm=[10.0, 10.0]) as client:
        client.post("/experiments/bed-1/conclude")
        changed = {"who": "Otto", "why": "new", "burn_h": 0.0}
        with make.journal_at(this.settings.journal) as journal:
            at = make.later(-60.0)  # before the bed was measured
            old = make.event(journal, None, name="lamps changed", data=changed, at=at)
            journal.append(old)
        client.make_plate(**PLATE)
        assert this.daemon.asked[-1]["plate"]["on_bed"] is not None
        this.later(days=1)
        with make.journal_at(this.settings.journal) as journal:
            new = make.event(journal, None, name="lamps changed", data=changed, at=this.now)
            journal.append(new)
        made = client.make_plate(**PLATE)
        asked = this.daemon.asked[-1]["plate"]
        assert asked.get("on_bed") is None
        assert "bed not measured since lamps" in [one["name"] for one in made["findings"]]
        assert any("is of the lamps before" in text for text in asked["findings"])


def test_a_place_that_no_experiment_knows_is_refused(tmp_path: Path) -> None:
    with shop(tmp_path) as this, begun(this) as client:
        client.post("/experiments/bed-1/conclude")  # it does not say where the sensor is
        kind, text = refused(client.make_plate, **PLATE, place=PLACE)
        assert kind == "refused" and "says where the sensor is (sensor_cm)" in text
        client.make_plate(**PLATE)
        assert this.daemon.asked[-1]["plate"].get("on_bed") is None
