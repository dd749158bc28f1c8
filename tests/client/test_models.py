"""The client's models at the real routes: each method asks its own route and reads its answer."""

from __future__ import annotations

import json
from pathlib import Path

import httpx
import pytest
from api.api_shop import AUDITOR, LEAD, OPERATOR, SECRETS, record, shop
from whole_documents import STATUS

from platelink.api.inprocess import InProcess
from platelink.client import Client, ClientError, request
from platelink.client.stated import read
from platelink.contract.base import Reasoned
from platelink.contract.people import NewRole, NewSecret
from platelink.contract.plates import ActOnPlate, NewPlate, PlatesQuery
from platelink.contract.recipes import RecipeFile
from platelink.contract.runs import RunsQuery, SamplesQuery
from platelink.contract.stock import (
    LotChange,
    LotClosed,
    LotCounted,
    LotOpened,
    LotUsed,
    NewLot,
    NewScreen,
    ScreenChange,
    ScreenClosed,
    ScreenUsed,
)
from platelink.contract.unit import (
    AlarmAnswer,
    ExposureJob,
    StatusLine,
    StatusNow,
    read_line,
)
from platelink.contract.words import AlarmAct, Command, PlateAct, Role
from platelink.recipe import example

FINE = example.text("plate-a-fine")


def test_every_method_at_the_real_routes(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this:
        client = Client(tmp_path / "socket", transport=InProcess(this.app, this._runner))
        session = client.sign_in(LEAD, SECRETS[LEAD])
        assert (session.role, client.me().name) == (Role.LEAD, LEAD)
        assert client.status().unit == "unit-1" and client.alarms().list == []
        client.alarm("oven hot", AlarmAct.SHELVE, AlarmAnswer(minutes=5.0, why="a new sensor"))
        assert this.daemon.asked[-1]["minutes"] == 5.0
        assert client.expose(ExposureJob(dose="340 mJ/cm2", contact=False)) == "run-1"
        assert this.daemon.asked[-1]["job"] == {
            "dose": "340 mJ/cm2", "operator": LEAD, "contact": False,
        }  # fmt: skip
        assert client.command(Command.HOLD, "a look").run_id == "run-1"
        client.act("plate-1", PlateAct.DONE, ActOnPlate(step=2))
        assert (this.daemon.asked[-1]["act"], this.daemon.asked[-1]["step"]) == ("done", 2)
        assert client.device().lamps == "wired"

        added = client.add_recipe(RecipeFile(toml=FINE, why="first"))
        assert client.approve_recipe(added.name, "good").state == "approved"
        assert [one.name for one in client.recipes(every=True)] == [added.name]
        assert client.recipe(added.name).content["id"] == "plate-a-fine"
        assert client.recipe_diff(added.name, added.name).same
        assert client.recipe_toml(added.name).startswith("format = 1")
        client.stock.add_lot(NewLot(name="lot-7", stock="example-stock-a", received_on="2026-01-02",
                              best_before="2027-01-01", area_cm2=5000.0))  # fmt: skip
        made = client.make_plate(NewPlate(recipe="plate-a-fine", lot="lot-7", area_cm2=200.0))
        assert (made.plate, made.revision) == ("plate-1", added.name)
        assert client.retire_recipe(added.name, "old").state == "retired"

        for act in (LotOpened(), LotUsed(area_cm2=300.0), LotCounted(area_cm2=4000.0)):
            client.stock.at_lot("lot-7", act)
        assert (
            client.stock.at_lot("lot-7", LotChange(best_before=None, why="tested")).best_before
            is None
        )
        assert client.stock.at_lot("lot-7", LotChange(note="x", why="told")).note == "x"
        client.stock.at_lot("lot-7", LotClosed(why="empty"))
        assert [client.stock.lot("lot-7").closed, *(one.name for one in client.stock.lots())] == [
            "empty", "lot-7",
        ]  # fmt: skip
        client.stock.add_screen(NewScreen(name="fine", ruling_lines_per_cm=48.0, tint_pct=80.0))
        assert client.stock.at_screen("fine", ScreenUsed(ref="plate-1")).uses == 1
        assert client.stock.at_screen("fine", ScreenChange(max_uses=2, why="thin")).max_uses == 2
        assert client.stock.at_screen("fine", ScreenClosed(why="torn")).closed == "torn"
        assert len(client.stock.screen("fine").history) == 4 and len(client.stock.screens()) == 1

        found = client.runs(RunsQuery(limit=2))
        assert [run.run_id for run in found.runs] == ["r2", "r1"] and found.more
        assert client.run("r1").dose_mj_cm2 == 340.0
        assert client.samples("r1", SamplesQuery(points=50)).series["vacuum_kpa"].unit == "kPa"
        assert client.plates(PlatesQuery(state="in flight")).on_record == []
        with pytest.raises(ClientError, match="there is no plate"):
            client.plate("plate-9")

        assert client.at_person(OPERATOR, "role", NewRole(role=Role.AUDITOR, why="x")).role == (
            Role.AUDITOR
        )
        client.at_person(AUDITOR, "secret", NewSecret(secret="another long one", why="forgot"))
        client.at_person(AUDITOR, "close", Reasoned(why="has left"))
        assert [one.open for one in client.people()] == [True, True, False]
        assert client.people_history(AUDITOR, 1)[0].act == "closed"
        assert client.sign_out().signed_out


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"dose": "1 mJ/cm2", "note": "x" * 201}, "note: 201 characters, at most 200 are kept"),
        ({"dose": "\ud800"}, "dose: holds what UTF-8 cannot"),
        ({"dose": 5}, "the unit is missing"),
        ({"dose": "1 mJ/cm2", "max_light_s": 0.0}, "max_light_s: must be above 0"),
        ({"dose": "1 mJ/cm2", "light": 1}, "light: not known; use dose, step"),
    ],
)
def test_what_is_wrong_with_a_request_is_said_before_it_is_sent(
    values: dict[str, object], words: str
) -> None:
    with pytest.raises(ClientError, match=words) as caught:
        request(ExposureJob, **values)  # type: ignore[arg-type] -- as a program may do it
    assert caught.value.kind == "misuse"


def test_a_newer_service_is_read_and_an_older_one_is_told(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        client = Client(tmp_path / "socket", transport=InProcess(this.app, this._runner))
        this.daemon.answer = lambda asked: STATUS | {"weather": "fine"}
        assert client.status().unit == "unit-1"
        line = {"status": STATUS | {"weather": "fine"}, "more": 1}
        assert isinstance(read_line(json.dumps(line)), StatusLine)
        assert read_line('{"weather": "fine"}') is None
    with pytest.raises(ClientError, match=r"another release \(link: Field required\)") as caught:
        read(StatusNow, httpx.Response(200, json={"unit": "unit-1"}))
    assert caught.value.kind == "fault"
