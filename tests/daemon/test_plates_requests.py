"""Plates and alarms as the service asks for them: good requests, bad ones, and what is shown."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from control.procedure.plate_bench import NAMES, short
from held_to_contract import held
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from daemon.test_plates_crash import WHO, Shop, in_light, in_shop
from platelink.contract.plates import PlateNow
from platelink.contract.unit import Status
from platelink.contract.wire import MakePlate, read_request
from platelink.contract.words import PlateAct
from platelink.control.procedure.plan import PlatePlan
from platelink.control.procedure.table import StepState
from platelink.daemon.requests import plan_of
from platelink.recipe.steps import InspectStep
from platelink.record.reader import JournalReader
from platelink.simulated.plates import WARM_UNIT, good_values
from platelink.unit.plate_runs import plate_request

RECIPE = short()
GOOD: dict[str, Any] = {"plate": "p-1", "recipe": RECIPE.content(), "revision": "short@1"}
NO_UTF8 = "\ud800"


def plan_of_asked(asked: Any, who: str) -> PlatePlan:
    request = read_request({"do": "plate_make", "plate": asked, "who": who})
    assert isinstance(request, MakePlate)
    return plan_of(request.plate, who)


def test_a_whole_plan() -> None:
    asked = GOOD | {"job": "17", "lot": "lot-1", "note": "n", "area_cm2": 40, "findings": ["old"]}
    plan = plan_of_asked(asked, WHO)
    assert (plan.plate, plan.revision, plan.who) == ("p-1", "short@1", WHO)
    assert (plan.job, plan.lot, plan.note, plan.area_cm2) == ("17", "lot-1", "n", 40.0)
    assert plan.findings == ("old",)
    assert plan.recipe == RECIPE
    assert plan.content_hash == RECIPE.content_hash()
    # the record of its start says which film, and the plate goes on from there
    filmed = plan_of_asked(asked | {"film": "F-12"}, WHO)
    assert (plan.film, filmed.film) == (None, "F-12")
    assert plan_of_asked(plate_request(filmed), WHO).film == "F-12"
    assert plan_of_asked({"recipe": RECIPE.content()}, WHO).plate.startswith("plate-")


@pytest.mark.parametrize(
    ("change", "who", "words"),
    [
        ({"recipe": None}, WHO, "recipe"),
        ({"recipe": {"format": 1}}, WHO, "recipe"),
        ({"plate": "a b"}, WHO, "use letters, digits"),
        ({"plate": "x" * 61}, WHO, "60 at most"),
        ({"plate": NO_UTF8}, WHO, "use letters"),
        ({}, "  ", "who makes"),
        ({"area_cm2": 0}, WHO, "area_cm2"),
        ({"area_cm2": True}, WHO, "area_cm2"),
        ({"area_cm2": float("nan")}, WHO, "area_cm2"),
        ({"area_cm2": "40"}, WHO, "area_cm2"),
        ({"findings": "old"}, WHO, "findings"),
        ({"findings": [NO_UTF8]}, WHO, "UTF-8"),
        ({"revision": NO_UTF8}, WHO, "UTF-8"),
        ({"note": NO_UTF8}, WHO, "UTF-8"),
        ({"lot": ["x"]}, WHO, "lot"),
        ({"job": "x" * 201}, WHO, "at most 200"),
    ],
)
def test_a_plan_that_cannot_be(change: dict[str, Any], who: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        plan_of_asked(GOOD | change, who)


def test_a_plan_must_be_an_object() -> None:
    with pytest.raises(ValueError, match="give an object"):
        plan_of_asked([], WHO)


def whole(tmp_path: Path, work: Any) -> Shop:
    return in_shop(tmp_path, work)


def test_what_is_shown_at_every_step(tmp_path: Path) -> None:
    """Plain JSON all the way, the present step with what its kind has, and only acts that are
    taken."""
    own = {"expose": "exposure", "bake": "bake", "inspect": "inspect"}
    seen: dict[str, set[str]] = {}

    async def work(shop: Shop) -> None:
        while "p-1" in shop.room.plates:
            shop.lead()
            await asyncio.sleep(0.5)
            status = shop.daemon.ask("status")
            json.dumps(status, allow_nan=False)
            told = next(line["status"] for line in reversed(shop.daemon.lines) if "status" in line)
            held(Status, told)
            if not status["plates"]:
                break
            (plate,) = status["plates"]
            now, at = plate["now"], plate["step"]
            assert [s["name"] for s in plate["steps"]] == list(NAMES)
            assert plate["steps"][at] == {"name": now["name"], "kind": now["kind"],
                                          "state": now["state"]}  # fmt: skip
            assert own.get(now["kind"], "stage") in now
            assert set(now["acts"]) <= {str(act) for act in PlateAct}
            seen.setdefault(now["kind"], set()).add(now["state"])
            (shown,) = shop.daemon.ask("plates")["plates"]
            held(PlateNow, shown)
            assert shown["steps"][at]["asked"]["name"] == now["name"]
            assert status["bed"]["free"] is (status["bed"]["plate"] is None)
            if now["kind"] == "expose" and now["state"] == "running":
                assert status["bed"]["plate"] == "p-1"
                assert (
                    now["exposure"]["dose_mj_cm2"] <= 1.02 * now["exposure"]["target_dose_mj_cm2"]
                )
        await shop.end()

    whole(tmp_path, work)
    assert set(seen) == {"prompt", "expose", "wash", "blow_off", "bake", "inspect"} - {"prompt"}
    assert {"running"} <= seen["bake"]


def test_an_act_of_one_plate_hears_nothing_of_another(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        await in_light(shop)
        assert shop.daemon.ask("plate_make", plate=GOOD | {"plate": "p-2"}, who=WHO)["ok"]
        answer = shop.daemon.ask("plate", plate="p-2", act="done", who=WHO)
        assert answer["ok"], answer
        assert not shop.daemon.events("refused")
        busy = shop.daemon.ask("plate", plate="p-2", act="begin", who=WHO)
        assert "waits for the exposure bed: plate p-1" in busy["error"]
        assert shop.daemon.ask("plate", plate="p-2", act="abort", who=WHO, reason="test")["ok"]
        assert shop.bench.unit.lamp_on
        await shop.finish()

    whole(tmp_path, work).judge()


def test_who_and_why_are_in_the_record(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        await in_light(shop)
        ask = shop.daemon.ask
        assert ask("plate", plate="p-1", act="hold", who="Ada", reason="a look")["ok"]
        await shop.daemon.until(lambda: shop.plate.present.state is StepState.HELD)
        assert ask("plate", plate="p-1", act="skip", who="Eve", reason="by hand")["ok"]
        await shop.finish()

    shop = whole(tmp_path, work)
    with JournalReader.open(shop.config.journal.path) as journal:
        events = journal.events("p-1")
    asked = [e.data for e in events if e.name == "asked"]
    assert asked == [{"act": "hold", "who": "Ada", "reason": "a look"}]
    (skipped,) = [e.data for e in events if e.data.get("to") == "skipped"]
    assert (skipped["who"], skipped["reason"]) == ("Eve", "by hand")


def test_a_plate_whose_run_cannot_be_begun_is_not_made(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        again = shop.daemon.ask("plate_make", plate=GOOD, who=WHO)
        assert "already in progress" in again["error"]
        assert shop.daemon.ask("plate", plate="p-1", act="stop", who=WHO, reason="test")["ok"]
        again = shop.daemon.ask("plate_make", plate=GOOD, who=WHO)
        assert not again["ok"], "its id is in the journal already"
        assert not shop.room.plates
        journal = shop.daemon.shell.journal
        journal._db.rows("PRAGMA query_only = ON")
        full = shop.daemon.ask("plate_make", plate=GOOD | {"plate": "p-2"}, who=WHO)
        assert not full["ok"]
        assert not shop.room.plates
        journal._db.rows("PRAGMA query_only = OFF")
        await shop.end()

    whole(tmp_path, work)


def test_a_full_disk_in_mid_plate_loses_nothing(tmp_path: Path) -> None:
    """The exposure that has begun goes on, the next one is refused, the bake goes on without its
    curve; what waited is written when it can be."""

    async def work(shop: Shop) -> None:
        await in_light(shop)
        journal = shop.daemon.shell.journal
        journal._db.rows("PRAGMA query_only = ON")
        await shop.to("dry", StepState.READY)
        assert not shop.act(PlateAct.BEGIN)
        assert shop.plate.present.state is StepState.RUNNING
        await shop.daemon.until(lambda: shop.plate.step.name == "back")
        assert shop.act(PlateAct.BEGIN)
        assert shop.plate.present.state is StepState.READY
        assert shop.daemon.shell.core.bed.exposure is None
        journal._db.rows("PRAGMA query_only = OFF")
        await shop.daemon.until(lambda: not shop.daemon.ask("status")["journal"]["pending"], 3.0)
        await shop.finish()

    data = whole(tmp_path, work).judge()
    assert data["judgement"] == "good"


def port_away(shop: Shop) -> Any:
    shown = shop.daemon.ask("status")["alarms"]["list"]
    return next((alarm for alarm in shown if alarm["name"] == "port cannot be opened"), None)


def test_alarms_are_answered_by_name(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        ask, bench = shop.daemon.ask, shop.bench
        bench.there = False
        await asyncio.sleep(4.0)
        alarm = port_away(shop)
        assert (alarm["name"], alarm["state"]) == ("port cannot be opened", "unacknowledged")
        for wrong, words in (
            ({"act": "explode"}, "use acknowledge"),
            ({"name": "nothing"}, "no such alarm"),
            ({"act": "shelve", "why": "cable", "minutes": "5"}, "give a number"),
            ({"act": "shelve", "why": "cable", "minutes": float("nan")}, "an end in the future"),
            ({"act": "shelve", "why": "", "minutes": 5}, "say why"),
            ({"why": NO_UTF8}, "UTF-8"),
        ):
            answer = ask(
                "alarm",
                **({"name": "port cannot be opened", "act": "acknowledge", "who": "Ada"} | wrong),
            )
            assert words in answer["error"], (wrong, answer)
        assert ask("alarm", name="port cannot be opened", act="acknowledge", who="Ada")["ok"]
        alarm = port_away(shop)
        assert (alarm["state"], alarm["who"]) == ("acknowledged", "Ada")
        await shop.crash(1.0)
        await shop.daemon.until(lambda: not shop.daemon.shell.core.up, 5.0)
        assert port_away(shop)["state"] == "acknowledged"
        bench.there = True
        await shop.daemon.until(lambda: shop.daemon.shell.core.up, 60.0)
        await asyncio.sleep(2.0)
        assert port_away(shop) is None
        await shop.end()

    whole(tmp_path, work)


plain = (
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8)
    | st.sampled_from(["p-1", *map(str, PlateAct), "port cannot be opened", "acknowledge", NO_UTF8])
)  # fmt: skip
anything = st.recursive(
    plain,
    lambda inner: (
        st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3)
    ),
    max_leaves=6,
)
FIELDS = ("plate", "act", "who", "reason", "step", "values", "accept_overdue", "name", "why",
          "minutes")  # fmt: skip
requests = st.fixed_dictionaries(
    {"do": st.sampled_from(["plate", "plate_make", "plates", "alarm", "status"])},
    optional=dict.fromkeys(FIELDS, anything),
)


def test_no_request_however_odd_is_more_than_refused(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        shell = shop.daemon.shell

        @settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
        @given(requests)
        def ask(request: dict[str, Any]) -> None:
            answer = shell.handle(request)
            assert answer["ok"] or (answer["error"] and answer["kind"] in ("refused", "unknown"))
            json.dumps(shell.status().model_dump(mode="json"), allow_nan=False)
            assert shell.journaling.refused == ""

        ask()
        await shop.end()

    whole(tmp_path, work)


def test_a_note_of_an_inspection_is_kept(tmp_path: Path) -> None:
    async def work(shop: Shop) -> None:
        await shop.to("inspect", StepState.READY)
        step = shop.plate.step
        assert isinstance(step, InspectStep)
        bad = good_values(step) | {"note": NO_UTF8}
        assert "UTF-8" in shop.act(PlateAct.MEASURE, values=bad)
        assert not shop.act(PlateAct.MEASURE, values=good_values(step) | {"note": "a fine one"})
        await asyncio.sleep(0.5)
        await shop.end()

    data = whole(tmp_path, work).judge()
    assert data["steps"][-1]["note"] == "a fine one"


def test_without_a_plate_nothing_is_shown(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path, parameters=WARM_UNIT)
        async with Daemon(config, Bench(WARM_UNIT)) as daemon:
            assert daemon.ask("plates")["plates"] == []
            assert (
                "not in progress" in daemon.ask("plate", plate="p-9", act="begin", who=WHO)["error"]
            )

    in_simulated_time(work())
