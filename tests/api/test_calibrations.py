"""A calibration over the service's routes: who may do what, and what the answers hold."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from api.api_shop import AUDITOR, COUNTS, LEAD, METER, OPERATOR, NotingDaemon, Shop, record, shop
from platelink.client import ClientError

SLOPE, DARK = 0.0149, 21.3


class Counting(NotingDaemon):
    """A device that counts what the test says."""

    def __init__(self) -> None:
        super().__init__()
        self.mean, self.settled = DARK, True
        self.answer = self._counts

    def _counts(self, asked: dict[str, Any]) -> dict[str, Any]:
        if asked["do"] != "counts":
            return self.usual(asked)
        low, high = int(self.mean) - 2, int(self.mean) + 3
        counts = COUNTS["counts"] | {"mean": self.mean, "low": low, "high": high}
        text = "settled" if self.settled else "not settled: +3.00 ± 0.10 counts in 6 s; wait"
        return COUNTS | {"counts": counts, "settled": self.settled, "text": text}


def calibrating(directory: Path) -> Any:
    return shop(directory, people=True, daemon=Counting())


def refused(what: Any, *arguments: Any, **more: Any) -> tuple[str, str]:
    with pytest.raises(ClientError) as caught:
        what(*arguments, **more)
    return caught.value.kind, str(caught.value)


def read(this: Shop, client: Any, name: str = "light 0@1") -> None:
    this.daemon.mean = DARK
    client.post(f"/calibrations/{name}/dark")
    for e in (4.0, 7.0, 9.5, 12.0):
        this.daemon.mean = DARK + e / SLOPE
        client.post(f"/calibrations/{name}/level", reference=f"{e} mW/cm2")


def test_from_begin_to_approval(tmp_path: Path) -> None:
    with calibrating(tmp_path) as this, this.client(OPERATOR) as operator:
        assert operator.get("/calibrations") == {"calibrations": []}
        assert refused(operator.get, "/calibrations/light 0@1")[0] == "unknown"
        begun = operator.post("/calibrations", sensor="light 0", reference=METER)
        assert (begun["name"], begun["stage"], begun["begun_by"]) == (
            "light 0@1", "reading", OPERATOR,
        )  # fmt: skip
        kind, text = refused(operator.post, "/calibrations/light 0@1/finish", due_on="2027-06-01")
        assert kind == "refused" and "no dark reading" in text and "no levels" in text
        read(this, operator)
        done = operator.post("/calibrations/light 0@1/finish", due_on="2027-06-01")
        assert done["gain"] == pytest.approx(SLOPE, rel=1e-3)
        assert done["u"] / done["top"] == pytest.approx(0.07, rel=0.02)
        assert (done["stage"], done["days_left"], done["in_force"]) == ("finished", 365, False)
        kind, _ = refused(operator.post, "/calibrations/light 0@1/approve", why="good")
        assert kind == "no right"
        this.daemon.asked.clear()
        with this.client(LEAD) as lead:
            assert "say why" in refused(lead.post, "/calibrations/light 0@1/approve", why=" ")[1]
            held = lead.post("/calibrations/light 0@1/approve", why="as the meter")
        assert held["in_force"] and held["approved_by"] == LEAD
        told = [asked for asked in this.daemon.asked if asked["do"] == "calibrations"]
        assert len(told) == 1 and told[0]["who"] == LEAD  # the unit is told at once
        (sensor,) = operator.get("/device")["sensors"]
        assert (sensor["calibration"], sensor["certificate"]) == ("light 0@1", "EX-117")
        assert (sensor["due_on"], sensor["days_left"]) == ("2027-06-01", 365)
        whole = operator.get("/calibrations/light 0@1")
        assert [v["reference"] for v in whole["level"]] == [4.0, 7.0, 9.5, 12.0]
        assert all(abs(v["residual"]) < 0.01 for v in whole["level"])
        assert whole["level"][0]["x"] == pytest.approx(4.0 / SLOPE)  # above the dark
        assert [s["act"] for s in whole["history"]][-2:] == ["finished", "approved"]
        with this.client(AUDITOR) as auditor:
            assert auditor.get("/calibrations/light 0@1")["reference"]["certificate"] == "EX-117"
            assert refused(auditor.post, "/calibrations", sensor="light 0", reference=METER)[0] == (
                "no right"
            )
        kind, _ = refused(operator.post, "/calibrations/light 0@1/drop", why="wrong meter")
        assert kind == "no right"  # one that holds is a lead's to drop


def test_nothing_is_taken_that_has_not_settled(tmp_path: Path) -> None:
    with calibrating(tmp_path) as this, this.client(OPERATOR) as operator:
        operator.post("/calibrations", sensor="light 0", reference=METER)
        this.daemon.settled = False
        for act, body in (("dark", {}), ("level", {"reference": "5 mW/cm2"})):
            kind, text = refused(operator.post, f"/calibrations/light 0@1/{act}", **body)
            assert kind == "refused" and "not settled" in text
        assert operator.get("/calibrations/light 0@1")["level"] == []


def test_what_is_typed_wrongly(tmp_path: Path) -> None:
    with calibrating(tmp_path) as this, this.client(OPERATOR) as operator:
        kind, text = refused(operator.post, "/calibrations", sensor="oven", reference=METER)
        assert kind == "unknown" and "there are: light 0" in text
        bad = METER | {"due_on": "2026-13-01"}
        assert (
            "not a date"
            in refused(operator.post, "/calibrations", sensor="light 0", reference=bad)[1]
        )
        operator.post("/calibrations", sensor="light 0", reference=METER)
        for reference, words in (("12", "the unit is missing"), ("12 kPa", "not known here")):
            kind, text = refused(
                operator.post, "/calibrations/light 0@1/level", reference=reference
            )
            assert kind == "misuse" and words in text
        text = refused(operator.post, "/calibrations/light 0@1/leave-out", level=1, why="slipped")[
            1
        ]
        assert "no level 1 in use; in use: none" in text


def test_own_work_is_approved_by_another_lead(tmp_path: Path) -> None:
    with calibrating(tmp_path) as this, this.client(LEAD) as lead:
        lead.add_person("Eva Invented", "lead", "another long secret")
        lead.post("/calibrations", sensor="light 0", reference=METER)
        read(this, lead)
        lead.post("/calibrations/light 0@1/finish", due_on="2027-06-01")
        kind, text = refused(lead.post, "/calibrations/light 0@1/approve", why="good")
        assert kind == "refused" and "is your own" in text


def test_a_unit_that_is_down_reads_it_at_its_next_start(tmp_path: Path) -> None:
    with calibrating(tmp_path) as this, this.client(LEAD) as lead:
        lead.post("/calibrations", sensor="light 0", reference=METER)
        read(this, lead)
        lead.post("/calibrations/light 0@1/finish", due_on="2027-06-01")
        this.daemon.refuse("no daemon of this unit runs", "fault")
        assert lead.post("/calibrations/light 0@1/approve", why="good")["in_force"]


def test_new_lamps_of_an_approved_calibration_stand_in_the_lamps_story(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with calibrating(tmp_path) as this, this.client(LEAD) as lead, this.client(OPERATOR) as reads:
        assert not lead.get("/lamps")["entered"]
        reads.post("/calibrations", sensor="light 0", cause="new lamps", reference=METER)
        read(this, reads)
        reads.post("/calibrations/light 0@1/finish", due_on="2027-03-01")
        assert not lead.get("/lamps")["entered"], "nobody has approved it yet"
        lead.post("/calibrations/light 0@1/approve", why="compared")
        lamps = lead.get("/lamps")
        assert lamps["entered"] and lamps["since_utc"] is not None and lamps["starts"] == 0
