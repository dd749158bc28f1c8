"""Maintenance by the service: what is due is counted from the record."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

from record import make

from api.api_shop import LEAD, OPERATOR, record, shop
from api.test_routes import refused
from platelink.contract.service import SensorSettings


def test_maintenance_is_due_by_the_record_and_done_by_somebody(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        record(this.settings.journal, 3)  # of 2026-03-02, 20 s of light each
        this.now = make.later(600.0)
        this.enter_people()
        with this.client(LEAD) as lead, this.client(OPERATOR) as operator:
            seal = {"name": "seal", "exposures": 3, "last_done_on": "2026-03-01"}
            assert refused(operator.add_supply, "maintenance", **seal)[0] == "no right"
            added = lead.add_supply("maintenance", **seal)
            assert added["due_since_utc"] == make.later(150.0).isoformat(timespec="milliseconds")
            assert added["intervals"][0]["text"] == "exposures 3 of 3"
            brushes = {"name": "brushes", "days": 30, "last_done_on": "2026-03-01"}
            assert lead.add_supply("maintenance", **brushes)["due_since_utc"] is None
            kind, text = refused(lead.add_supply, "maintenance", name="bath")
            assert kind == "misuse" and "needs an interval" in text
            lamps = {"name": "lamps", "lamp_h": 900.0, "reset_by": "lamp change"}
            lead.add_supply("maintenance", **lamps)
            kind, text = refused(operator.at_supply, "maintenance", "lamps", "done", {})
            assert kind == "refused" and "platelink lamps changed" in text
            listed = [one["name"] for one in lead.get("/maintenance")["items"]]
            assert listed[0] == "seal"
            done = operator.at_supply("maintenance", "seal", "done", {"note": "new seal"})
            assert done["due_since_utc"] is None and done["intervals"][0]["used"] == 0.0
            last = lead.supply("maintenance", "seal")["history"][-1]
            assert (last["act"], last["who"], last["why"]) == ("done", OPERATOR, "new seal")
            change = {"exposures": None, "days": 9, "why": "by the papers"}
            lead.at_supply("maintenance", "seal", "change", change)
            only = {"days": None, "why": "x"}
            assert refused(lead.at_supply, "maintenance", "seal", "change", only)[0] == "refused"
            assert lead.at_supply("maintenance", "seal", "close", {"why": "sold"})["closed"]
            assert refused(operator.at_supply, "maintenance", "seal", "done", {})[0] == "refused"


def test_a_calibration_that_has_ended_is_due_maintenance(tmp_path: Path) -> None:
    ended = SensorSettings(name="oven", due_on=date(2026, 5, 30), settings={})
    with shop(tmp_path, sensors=(ended,)) as this, this.client() as client:
        (one,) = client.get("/maintenance")["items"]
        assert (one["name"], one["reset_by"]) == ("calibration of oven", "calibration")
        assert one["due_since_utc"] is not None and "good until 2026-05-30" in str(one["intervals"])
        this.now = datetime(2026, 5, 30, 12, tzinfo=UTC)  # its last day
        assert client.get("/maintenance")["items"][0]["due_since_utc"] is None


def test_washed_area_that_no_plate_names_is_no_interval(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        with make.journal_at(this.settings.journal) as journal:
            wash = {"steps": [{"name": "wash", "kind": "wash", "state": "complete"}]}
            request = {"kind": "plate", "area_cm2": None}
            journal.append(make.start(journal, "P-1", step="plate", plate="P-1", request=request))
            journal.end_run("P-1", make.later(60.0), "complete", "done", data=wash)
        bath = {"name": "bath", "washed_m2": 15.0}
        kind, text = refused(client.add_supply, "maintenance", **bath)
        assert kind == "refused" and "nothing measures washed_m2" in text
        client.add_supply("maintenance", name="bath", days=7)
        change = {"washed_m2": 15.0, "why": "x"}
        assert refused(client.at_supply, "maintenance", "bath", "change", change)[0] == "refused"
