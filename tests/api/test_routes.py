"""What the routes do with stores, journal and daemon."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from plain_client import Client
from record import make
from whole_documents import ALARMS, STATUS, alarm, plate_now

from api.api_shop import AUDITOR, LEAD, OPERATOR, record, shop
from platelink.backlog import encoded
from platelink.client import ClientError
from platelink.recipe import example

LOT = {"name": "lot-7", "stock": "example-stock-a", "received_on": "2026-01-02",
       "best_before": "2027-01-01", "area_cm2": 5000.0}  # fmt: skip
SCREEN = {"name": "fine", "ruling_lines_per_cm": 120.0, "tint_pct": 80.0, "max_uses": 2}
FINE = example.text("plate-a-fine")


def refused(what: Any, *arguments: Any, **more: Any) -> tuple[str, str]:
    """Kind and text of a refusal."""
    with pytest.raises(ClientError) as caught:
        what(*arguments, **more)
    return caught.value.kind, str(caught.value)


# --- recipes --------------------------------------------------------------------------------


def test_a_recipe_from_file_to_approval(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        assert operator.recipes() == []
        assert refused(operator.recipe, "plate-a-fine")[0] == "unknown"
        assert refused(operator.recipe_diff, "a", "b")[0] == "unknown"
        added = operator.add_recipe(FINE, "first trial")
        assert (added["name"], added["state"], added["against"]) == (
            "plate-a-fine@1", "draft", None,
        )  # fmt: skip
        assert added["life"][0]["who"] == OPERATOR
        kind, text = refused(operator.add_recipe, FINE)
        assert kind == "refused" and "already has exactly this content" in text
        more = FINE.replace("340 mJ/cm2", "450 mJ/cm2")
        checked = operator.post("/recipe-check", toml=more)
        assert checked["against"] == "plate-a-fine@1"
        assert "340 mJ/cm² → 450 mJ/cm²" in checked["changes"][0]["text"]
        assert operator.add_recipe(more)["changes"] == checked["changes"]
        broadcast = operator.recipe_diff("plate-a-fine@1", "plate-a-fine@2")
        assert broadcast["changes"] == checked["changes"] and not broadcast["same"]
        assert refused(operator.approve_recipe, "plate-a-fine@2", "good")[0] == "no right"
        with this.client(LEAD) as lead:
            assert refused(lead.approve_recipe, "plate-a-fine@3", "good")[0] == "unknown"
            assert "say why" in refused(lead.approve_recipe, "plate-a-fine@2", " ")[1]
            approved = lead.approve_recipe("plate-a-fine@2", "prints well")
            assert approved["life"][-1] == {
                "state": "approved", "who": LEAD, "why": "prints well",
                "at_utc": "2026-06-01T08:00:00.000+00:00",
            }  # fmt: skip
            assert lead.retire_recipe("plate-a-fine@1", "never used")["state"] == "retired"
            assert "stays so" in refused(lead.approve_recipe, "plate-a-fine@1", "but yes")[1]
        assert [r["name"] for r in operator.recipes()] == ["plate-a-fine@2"]
        assert len(operator.recipes(every=True)) == 2
        shown = operator.recipe("plate-a-fine")
        assert shown["content"]["step"][1]["dose_mj_cm2"] == 450.0
        assert operator.add_recipe(operator.recipe_toml("plate-a-fine@1"))["revision"] == 3


def test_everything_wrong_with_a_recipe_is_told(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        bad = FINE.replace("340 mJ/cm2", "340").replace('kind = "prompt"', 'kind = "dance"')
        broadcast = client.post("/recipe-check", toml=bad)
        assert broadcast["ok"] is False and len(broadcast["problems"]) >= 2
        kind, text = refused(client.add_recipe, bad)
        assert kind == "misuse" and all(problem in text for problem in broadcast["problems"])
        assert client.recipes() == [] and not this.settings.recipes.exists()


# --- lots and screens -----------------------------------------------------------------------


def test_a_lot_and_what_is_done_to_it(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(LEAD) as lead:
        assert lead.supplies("lots") == []
        lead.add_supply("lots", **LOT)
        assert refused(lead.add_supply, "lots", **LOT)[0] == "refused"
        with this.client(OPERATOR) as operator:
            assert refused(operator.add_supply, "lots", **LOT)[0] == "no right"
            operator.at_supply("lots", "lot-7", "open", {})
            for _ in range(2):  # told twice, counted once
                operator.at_supply("lots", "lot-7", "use", {"area_cm2": 300.0, "ref": "plate-1"})
            operator.at_supply("lots", "lot-7", "count", {"area_cm2": 4600.0})
            kind, _ = refused(operator.at_supply, "lots", "lot-8", "open", {})
            assert kind == "unknown"
        shown = lead.supply("lots", "lot-7")
        assert (shown["area_left_cm2"], shown["uses"], shown["opened_on"]) == (
            4600.0, 1, "2026-06-01",
        )  # fmt: skip
        assert [e["who"] for e in shown["history"]] == [LEAD, OPERATOR, OPERATOR, OPERATOR]
        changed = lead.at_supply("lots", "lot-7", "change", {"best_before": None, "why": "tested"})
        assert changed["best_before"] is None
        this.later(days=400)
        with this.client(LEAD) as again:
            back = again.at_supply(
                "lots", "lot-7", "change", {"best_before": "2026-12-01", "why": "again"}
            )
            assert back["findings"][0]["name"] == "lot expired" and back["findings"][0]["blocks"]
            closed = again.at_supply("lots", "lot-7", "close", {"why": "too old"})
            assert closed["closed"] == "too old"
            assert refused(again.at_supply, "lots", "lot-7", "open", {})[0] == "refused"


def test_a_screen_and_its_uses(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        client.add_supply("screens", **SCREEN)
        for number in range(3):
            broadcast = client.at_supply("screens", "fine", "use", {"ref": f"plate-{number}"})
        assert broadcast["uses"] == 3 and broadcast["findings"][0]["name"] == "screen worn"
        client.at_supply("screens", "fine", "change", {"max_uses": None, "why": "a better film"})
        shown = client.supply("screens", "fine")
        assert shown["findings"] == [] and len(shown["history"]) == 5
        assert refused(client.at_supply, "screens", "fine", "change", {"why": "x"})[0] == "refused"
        client.at_supply("screens", "fine", "close", {"why": "scratched"})
        assert [s["closed"] for s in client.supplies("screens")] == ["scratched"]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"received_on": "2026-13-01"}, "is not a date"),
        ({"received_on": "yesterday"}, "body.received_on"),
        ({"area_cm2": -5.0}, "area_cm2"),
        ({"area_cm2": "much"}, "body.area_cm2"),
        ({"name": "lot 7"}, "name"),
        ({"name": ""}, "body.name"),
        ({"colour": "red"}, "body.colour"),
        ({"note": "\u0007"}, "note"),
        ({"note": "\ud800"}, "UTF-8|note"),
    ],
)
def test_a_bad_lot_says_what_is_wrong(tmp_path: Path, change: dict[str, Any], words: str) -> None:
    with shop(tmp_path) as this, this.client() as client:
        with pytest.raises(ClientError, match=words) as caught:
            client.add_supply("lots", **{**LOT, **change})
        assert caught.value.kind == "misuse"
        assert client.supplies("lots") == []


# --- runs -----------------------------------------------------------------------------------


def test_runs_are_found(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this, this.client(AUDITOR) as client:
        found = client.runs(limit=2)
        assert [r["run_id"] for r in found["runs"]] == ["r2", "r1"] and found["more"]
        older = client.runs(until=found["runs"][-1]["begun_utc"])
        assert [r["run_id"] for r in older["runs"]] == ["r0"] and not older["more"]
        assert [r["run_id"] for r in client.runs(search="ruSS")["runs"]] == ["r1"]
        assert len(client.runs(search="JOB-Ä")["runs"]) == 3
        assert client.runs(search="nothing")["runs"] == []
        assert client.runs(state="open")["runs"] == []
        assert [r["run_id"] for r in client.runs(plate="plate-0")["runs"]] == ["r0"]
        assert refused(client.runs, since="2026-03-02T08:00")[0] == "misuse"  # no time zone
        assert refused(client.runs, limit=0)[0] == "misuse"
        assert refused(client.runs, colour="red")[0] == "misuse"
        run = client.run("r1")
        assert run["dose_mj_cm2"] == 340.0 and run["channels"][0]["unit"] == "mW/cm²"
        events = client.get("/runs/r1/events")["events"]
        assert [e["name"] for e in events] == ["learned"]
        drawn = client.samples("r1", points=50)
        vacuum = drawn["series"]["vacuum_kpa"]
        assert drawn["samples"] == 400 and vacuum["unit"] == "kPa"
        assert None in vacuum["values"] and len(vacuum["values"]) < 200
        for path in ("/runs/r9", "/runs/r9/events", "/runs/r9/samples"):
            assert refused(client.get, path)[0] == "unknown"
        device = client.device()
        assert device["learned"]["afterglow_s"] == 0.011
        assert [lesson["run_id"] for lesson in device["lessons"]] == ["r2", "r1", "r0"]


def test_without_a_journal(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        kind, text = refused(client.runs)
        assert kind == "fault" and "journal.sqlite" in text
        assert client.plates() == {"in_flight": [], "on_record": []}
        device = client.device()
        assert device["learned"] is None and device["lessons"] == [] and device["firmware"] is None
        lamps = client.get("/lamps")
        assert lamps["since_utc"] is None and lamps["channels"] == []


# --- plates, exposures, alarms --------------------------------------------------------------


def plates_of(this: Any, *names: str) -> None:
    this.daemon.answer = lambda asked: {
        "run_id": None, "plates": [plate_now(name) for name in names]
    } if asked["do"] == "plates" else {"run_id": None, "plate": names[0]}  # fmt: skip


def test_a_plate_is_made_of_what_the_shop_has(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(LEAD) as lead:
        lead.add_recipe(FINE)
        lead.add_supply("lots", **LOT)
        with this.client(OPERATOR) as operator:
            kind, text = refused(operator.make_plate, recipe="plate-a-fine")
            assert kind == "no right" and "sign recipes" in text  # a draft
            lead.approve_recipe("plate-a-fine@1", "good")
            made = operator.make_plate(
                recipe="plate-a-fine", lot="lot-7", area_cm2=200.0, job="job-1"
            )
        assert made["plate"] == "plate-1" and made["revision"] == "plate-a-fine@1"
        asked = this.daemon.asked[-1]
        assert (asked["do"], asked["who"], asked["role"]) == ("plate_make", OPERATOR, "operator")
        plate = asked["plate"]
        assert plate["recipe"]["id"] == "plate-a-fine" and plate["job"] == "job-1"
        assert lead.supply("lots", "lot-7")["area_left_cm2"] == 4800.0
        assert [f["name"] for f in made["findings"]] == ["screen not entered"]
        assert plate["findings"] == [f["text"] for f in made["findings"]]
        assert refused(lead.make_plate, recipe="plate-b")[0] == "unknown"
        kind, text = refused(lead.make_plate, recipe="plate-a-fine", lot="lot-8")
        assert kind == "refused" and "lot-8 is not entered; add it, or take one of those" in text
        assert "no lot is named" in refused(lead.make_plate, recipe="plate-a-fine")[1]
        with pytest.raises(ClientError) as caught:
            lead.make_plate(recipe="plate-a-fine")
        assert caught.value.asks == ("no lot",)
        # what was accepted is not what stands against it now: it is asked again
        again = {"recipe": "plate-a-fine", "lot": "lot-8", "accept": ["no lot"]}
        assert refused(lead.make_plate, **again)[0] == "refused"
        assert this.daemon.asked[-1] is asked
        made = lead.make_plate(recipe="plate-a-fine", lot="lot-8", accept=["lot not entered"])
        assert [f["name"] for f in made["findings"]] == ["lot not entered", "screen not entered"]
        assert this.daemon.asked[-1]["plate"]["findings"] == [f["text"] for f in made["findings"]]
        assert "not counted" not in str(made["notices"])  # no area was given
        asked = this.daemon.asked[-1]
        this.later(days=300)
        with this.client(LEAD) as later:
            kind, text = refused(later.make_plate, recipe="plate-a-fine", lot="lot-7")
            assert kind == "refused" and "was good until 2027-01-01" in text
            later.retire_recipe("plate-a-fine@1", "old")
            assert "is retired" in refused(later.make_plate, recipe="plate-a-fine@1")[1]
        assert this.daemon.asked[-1] is asked


FILM = {"name": "F-12", "artwork": "invented-logo", "made_on": "2026-05-01", "density": 4.1}


def test_a_film_and_the_plates_that_came_from_it(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(LEAD) as lead:
        lead.add_recipe(FINE)
        lead.approve_recipe("plate-a-fine@1", "good")
        lead.add_supply("lots", **LOT)
        lead.add_supply("films", **FILM)
        with this.client(OPERATOR) as operator:
            assert refused(operator.add_supply, "films", **FILM)[0] == "no right"
            wanted = {"recipe": "plate-a-fine", "lot": "lot-7"}
            for _ in range(2):  # the double gives both the same name: one plate, one use
                operator.make_plate(**wanted, film="F-12")
            assert this.daemon.asked[-1]["plate"]["film"] == "F-12"
            kind, text = refused(operator.make_plate, **wanted, film="F-13")
            assert kind == "refused" and "F-13 is not entered" in text and "F-12" in text
            operator.make_plate(**wanted, film="F-13", accept=["film not entered"])
        shown = lead.supply("films", "F-12")
        assert shown["uses"] == 1
        assert [(e["act"], e["ref"]) for e in shown["history"]] == [
            ("added", None), ("used", "plate-1"),
        ]  # fmt: skip
        lead.at_supply("films", "F-12", "change", {"density": 3.0, "why": "measured again"})
        lead.at_supply("films", "F-12", "close", {"why": "scratched"})
        kind, text = refused(lead.make_plate, **wanted, film="F-12")
        assert kind == "refused" and "was retired (scratched)" in text


def test_an_old_lot_is_used_with_who_and_why_on_record(tmp_path: Path) -> None:
    with shop(tmp_path, people=True, expired_lot="warn") as this, this.client(LEAD) as lead:
        lead.add_recipe(FINE)
        lead.approve_recipe("plate-a-fine@1", "good")
        lead.add_supply("lots", **LOT, max_days_open=30)
        wanted = {"recipe": "plate-a-fine", "lot": "lot-7"}
        with pytest.raises(ClientError) as caught:
            lead.make_plate(**wanted)
        assert caught.value.asks == ("lot opening unknown",) and not caught.value.asks_why
        lead.at_supply("lots", "lot-7", "open", {"opened_on": "2026-04-01"})
        with this.client(OPERATOR) as operator:
            with pytest.raises(ClientError) as caught:
                operator.make_plate(**wanted)
            assert caught.value.asks == ("lot open too long",) and caught.value.asks_why
            accepted = {**wanted, "accept": ["lot open too long"], "area_cm2": 100.0}
            kind, text = refused(operator.make_plate, **accepted)
            assert kind == "refused" and "say why the plate is made all the same" in text
            before = len(this.daemon.asked)
            operator.make_plate(**accepted, accept_why="a wedge from it held as ever")
            assert len(this.daemon.asked) == before + 1
        told = this.daemon.asked[-1]["plate"]["findings"][0]
        assert told.endswith(f"; made all the same by {OPERATOR}: a wedge from it held as ever")
        used = lead.supply("lots", "lot-7")["history"][-1]
        assert (used["act"], used["who"], used["why"]) == (
            "used", OPERATOR, "a wedge from it held as ever",
        )  # fmt: skip


def test_what_was_read_of_a_lots_store_is_held_against_its_limits(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        client.add_supply("lots", **LOT, store_high_c=25.0)
        found = client.supply("lots", "lot-7")["findings"]
        assert [one["name"] for one in found] == ["store not read"]
        now = client.at_supply("lots", "lot-7", "stored", {"temp_c": 31.0, "rh_pct": 55.0})
        assert [(one["name"], one["blocks"]) for one in now["findings"]] == [
            ("lot stored badly", True)
        ]
        assert now["store"][0]["rh_pct"] == 55.0
        assert refused(client.at_supply, "lots", "lot-7", "stored", {})[0] == "refused"
        change = {"store_high_c": 32.0, "why": "tested, and good"}
        assert client.at_supply("lots", "lot-7", "change", change)["findings"] == []


def test_a_plate_that_the_unit_refuses_uses_nothing(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        client.add_recipe(FINE)
        client.add_supply("lots", **LOT)
        this.daemon.refuse("20 plates are in progress; end some first")
        kind, _ = refused(client.make_plate, recipe="plate-a-fine", lot="lot-7", area_cm2=200.0)
        assert kind == "refused"
        assert client.supply("lots", "lot-7")["area_left_cm2"] == 5000.0


def test_acts_on_a_plate(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        operator.act("plate-1", "done", step=2)
        assert this.daemon.asked[-1] == {
            "do": "plate", "plate": "plate-1", "act": "done", "step": 2, "who": OPERATOR,
            "role": "operator",
        }  # fmt: skip
        operator.act("plate-1", "measure", values={"points": {"a": 31.5}, "note": "ok"})
        assert this.daemon.asked[-1]["values"]["points"] == {"a": 31.5}
        before = len(this.daemon.asked)
        assert refused(operator.act, "plate-1", "skip", reason="x")[0] == "no right"
        assert "overdue" in refused(operator.act, "plate-1", "begin", accept_overdue=True)[1]
        assert refused(operator.act, "plate-1", "polish")[0] == "unknown"
        assert refused(operator.act, "plate-1", "done", step=-1)[0] == "misuse"
        assert refused(operator.act, "plate-1", "done", who="somebody else")[0] == "misuse"
        assert len(this.daemon.asked) == before
        with this.client(LEAD) as lead:
            lead.act("plate-1", "skip", reason="dry already")
            lead.act("plate-1", "begin", accept_overdue=True)
            assert this.daemon.asked[-1]["accept_overdue"] is True
            this.daemon.refuse("the plate has moved on")
            assert refused(lead.act, "plate-1", "done") == ("refused", "the plate has moved on")


def test_plates_in_flight_and_on_record(tmp_path: Path) -> None:
    with make.journal_at(tmp_path / "journal.sqlite") as journal:
        for plate in ("plate-1", "plate-2"):
            request = {"kind": "plate", "revision": "plate-a-fine@1", "recipe": {"id": "x"}}
            journal.append(make.start(journal, plate, step="plate", plate=plate, request=request))
            journal.append(make.event(journal, plate, name="plate made"))
        journal.append(make.start(journal, "r1", plate="plate-1", at=make.later(5.0)))
        journal.end_run("plate-1", make.later(9.0), "complete", "good", data={"verdict": "good"})
    with shop(tmp_path) as this, this.client() as client:
        plates_of(this, "plate-2")
        found = client.plates()
        assert [p["plate"] for p in found["in_flight"]] == ["plate-2"]
        assert [p["plate"] for p in found["on_record"]] == ["plate-1"]
        assert found["on_record"][0]["data"] == {"verdict": "good"}
        assert found["on_record"][0]["request"] == {"kind": "plate", "revision": "plate-a-fine@1"}
        assert (
            client.plates(search="stock a")["in_flight"]
            and not client.plates(search="zzz")["in_flight"]
        )
        assert client.plates(state="in flight")["on_record"] == []
        assert client.plates(state="complete")["in_flight"] == []
        whole = client.plate("plate-1")
        assert whole["now"] is None and whole["record"]["state"] == "complete"
        assert [p["run_id"] for p in whole["record"]["parts"]] == ["r1"]
        assert [e["name"] for e in whole["record"]["told"]] == ["plate made"]
        assert client.plate("plate-2")["now"]["state"] == "running"
        assert refused(client.plate, "plate-3")[0] == "unknown"
        assert refused(client.plate, "r1")[0] == "unknown"


def test_an_exposure_has_its_operator(tmp_path: Path) -> None:
    job = {"dose": "340 mJ/cm2", "contact": False}
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        assert operator.expose(job) == "run-1"
        assert this.daemon.asked[-1]["job"] == {**job, "operator": OPERATOR}
        operator.expose({**job, "operator": OPERATOR})
        assert "the person signed in" in refused(operator.expose, {**job, "operator": LEAD})[1]
        assert "overdue" in refused(operator.expose, {**job, "accept_overdue": True})[1]
        assert refused(operator.expose, {**job, "light": True})[0] == "misuse"
        assert refused(operator.expose, {})[0] == "misuse"
        assert refused(operator.command, "polish")[0] == "unknown"


def test_alarms(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        operator.alarm("oven hot", "acknowledge")
        assert this.daemon.asked[-1] == {
            "do": "alarm", "name": "oven hot", "act": "acknowledge", "who": OPERATOR,
            "role": "operator",
        }  # fmt: skip
        assert refused(operator.alarm, "oven hot", "shelve", minutes=5, why="x")[0] == "no right"
        with this.client(LEAD) as lead:
            lead.alarm("oven hot", "shelve", minutes=5, why="a new sensor comes")
            assert this.daemon.asked[-1]["minutes"] == 5.0
        alarms = ALARMS | {"list": [alarm("oven hot")], "unacknowledged": 1}
        this.hub.broadcast(encoded({"status": STATUS | {"alarms": alarms}}))
        assert operator.alarms()["unacknowledged"] == 1


def test_light_is_told_to_whoever_asks_and_never_old(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with shop(tmp_path, people=True) as this, this.browser() as browser:

        def told() -> str:
            return str(browser.get("/v1/light").json()["state"])

        assert told() == "unknown"
        on = {"state": "on", "measured": True, "output": True, "order": 3, "left_on": False}
        this.hub.broadcast(encoded({"status": STATUS | {"light": on}}))
        assert browser.get("/v1/light").json() == on
        monkeypatch.setattr(this.hub, "age_s", lambda: 1.1)
        assert told() == "unknown"


def test_what_a_daemon_in_trouble_answers(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        for kind in ("refused", "unknown", "fault", "misuse"):
            this.daemon.refuse("as it is", kind)
            assert refused(client.command, "hold") == (kind, "as it is")


def test_a_request_that_is_too_large(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.browser() as browser:
        answer = browser.post("/v1/sign-in", json={"name": "x", "secret": "y" * (1 << 20)})
        assert answer.status_code == 413 and answer.json()["kind"] == "misuse"


def test_answers_are_problems_of_one_form(tmp_path: Path) -> None:
    with shop(tmp_path) as this:
        client = this.client()
        for content, kind in ((b"{", "misuse"), (b"[]", "misuse"), (b"\xff", "misuse")):
            answer = client._http.post(
                "/v1/expose", content=content, headers={"content-type": "application/json"}
            )
            assert set(answer.json()) == {"error", "kind"} and answer.json()["kind"] == kind
            assert answer.headers["cache-control"] == "no-store"
            assert answer.headers["x-content-type-options"] == "nosniff"
            policy = answer.headers["content-security-policy"]
            assert policy == "default-src 'none'; frame-ancestors 'none'"
        plain = client._http.post("/v1/expose", content=b'{"dose": "1 mJ/cm2"}')
        assert plain.status_code in (415, 422)  # only JSON that says so: no form of another site
        assert this.daemon.asked == []


def test_no_daemon_no_unit(tmp_path: Path) -> None:
    from platelink.api.inprocess import in_process

    with shop(tmp_path) as this, in_process(this.settings) as transport:
        client = Client(tmp_path / "socket", transport=transport)
        kind, text = refused(client.status)
        assert kind == "fault" and "platelink serve" in text
        assert refused(client.expose, {"dose": "340 mJ/cm2"})[0] == "fault"
        client.add_recipe(FINE)
        assert client.recipes()[0]["life"][0]["who"] == client.me()["name"]
        assert client.plates()["in_flight"] == []
