"""An experiment over the service's routes: who may do what, and what the answers hold."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from record import make

from api.api_shop import AUDITOR, LEAD, OPERATOR, record, shop
from platelink.client import ClientError
from platelink.contract.experiments import (
    EXPERIMENT_ACTS,
    ExperimentConcluded,
    ExperimentDropped,
    HeadChanged,
    NewExperiment,
    ReadingCorrected,
    ReadingLeftOut,
    ReadingTaken,
    RunNamed,
    RunTakenOff,
)
from platelink.events.steps import PlateCorrected
from platelink.web.guide import GUIDES

WEDGES = ((312.0, 4, 5), (340.0, 4, 6), (371.0, 5, 6))


def refused(what: Any, *arguments: Any, **more: Any) -> tuple[str, str]:
    with pytest.raises(ClientError) as caught:
        what(*arguments, **more)
    return caught.value.kind, str(caught.value)


def wedge(dose: float, held: int, washed: int) -> dict[str, Any]:
    return {"dose_mj_cm2": f"{dose:g} mJ/cm2", "held": held, "washed": washed}


def test_from_begin_to_a_dose_with_its_interval(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        assert operator.get("/experiments") == {"experiments": []}
        assert refused(operator.get, "/experiments/wedge-1")[0] == "unknown"
        begun = operator.post("/experiments", kind="wedge", head={"hold_step": 5})
        assert (begun["name"], begun["stage"], begun["begun_by"], begun["conclusion"]) == (
            "wedge-1", "reading", OPERATOR, None,
        )  # fmt: skip
        for one in WEDGES:
            operator.post("/experiments/wedge-1/read", reading=wedge(*one))
        # a run gives its dose, and its whole name
        operator.post("/experiments/wedge-1/read", reading={"run": "r1", "held": 4, "washed": 6})
        operator.post("/experiments/wedge-1/name-run", run="r2")
        this.later(minutes=20.0)
        done = operator.post("/experiments/wedge-1/conclude")
        assert done["stage"] == "concluded" and done["runs"] == ["r2", "r1"]
        told = done["conclusion"]
        figure = told["figure"]
        assert told["told"] and figure["low"] < figure["value"] < figure["high"]
        assert f"{figure['value']:.0f} mJ/cm² holds" in told["text"] and told["fit"] == "wedge 1"
        assert told["readings"] == [1, 2, 3, 4] and told["who"] == OPERATOR
        whole = operator.get("/experiments/wedge-1")
        assert whole["reading"][3]["dose_mj_cm2"] == 340.0
        assert [step["act"] for step in whole["history"]] == [
            "begun", *["read"] * 4, "named", "concluded",
        ]  # fmt: skip
        with this.client(AUDITOR) as auditor:
            assert auditor.get("/experiments/wedge-1")["conclusion"] == told
            assert auditor.get("/experiments")["experiments"][0]["name"] == "wedge-1"
            for path in ("", *(f"/wedge-1/{act}" for act in EXPERIMENT_ACTS.values())):
                kind, text = refused(auditor.post, f"/experiments{path}", why="x")
                assert kind == "no right" and "may not make experiments" in text, path


def test_corrections_stand_beside_what_was_typed(tmp_path: Path) -> None:
    with shop(tmp_path, people=True) as this, this.client(LEAD) as plain:
        lead = plain.typed
        lead.begin_experiment(NewExperiment(kind="wedge"))
        lead.at_experiment("wedge-1", ReadingTaken(reading=wedge(340.0, 4, 5)))
        lead.at_experiment("wedge-1", ReadingTaken(reading=wedge(371.0, 4, 5)))
        lead.at_experiment("wedge-1", ExperimentConcluded())
        better = ReadingCorrected(number=2, reading=wedge(371.0, 5, 6), why="misread")
        assert lead.at_experiment("wedge-1", better).stage == "reading"
        lead.at_experiment("wedge-1", ReadingLeftOut(number=1, why="the film slipped"))
        lead.at_experiment("wedge-1", HeadChanged(head={"hold_step": 5}, why="asked for"))
        whole = lead.experiment("wedge-1")
        assert [(one.corrected, one.left_out) for one in whole.reading] == [
            (False, "the film slipped"), (True, None),
        ]  # fmt: skip
        assert whole.conclusion is not None and whole.conclusion.readings == [1, 2]
        assert whole.history[2].body["typed"] == wedge(371.0, 4, 5)
        told = lead.at_experiment("wedge-1", ExperimentConcluded()).conclusion
        assert told is not None and told.readings == [2] and "step 5" in told.lines[1]
        lead.at_experiment("wedge-1", ExperimentDropped(why="another stock"))
        assert [one.stage for one in lead.experiments()] == ["dropped"]
        assert "is discarded" in refused(lead.at_experiment, "wedge-1", ExperimentConcluded())[1]


def test_what_cannot_be_is_refused_in_a_sentence(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        kind, text = refused(operator.post, "/experiments", kind="depth", head={"target_um": -4})
        assert kind == "refused" and "target_um = -4: must be greater than 0" in text
        assert refused(operator.post, "/experiments", kind="gloss")[0] == "misuse"
        operator.post("/experiments", kind="wedge")
        for reading, words in (
            (wedge(340.0, 5, 5), "look again at which end"),
            (wedge(2e6, 4, 5), "at most 1000000 mJ/cm²"),
            ({"run": "r", "held": 4, "washed": 5}, "more than one run begins with 'r'"),
            ({"run": "nobody", "held": 4, "washed": 5}, "no run begins with 'nobody'"),
            ({"held": 4, "washed": 5}, "give the dose, or the run"),
        ):
            kind, text = refused(operator.post, "/experiments/wedge-1/read", reading=reading)
            assert kind == "refused" and words in text, reading
        assert (
            refused(operator.typed.at_experiment, "wedge-1", RunNamed(run="nobody"))[0] == "refused"
        )
        off = RunTakenOff(run="r1", why="no part of it")
        assert "was not named" in refused(operator.typed.at_experiment, "wedge-1", off)[1]
        assert operator.get("/experiments/wedge-1")["reading"] == []


def test_a_run_without_a_whole_dose_gives_none(tmp_path: Path) -> None:
    from record import make

    with make.journal_at(tmp_path / "journal.sqlite") as journal:
        for run_id, state in (("a1", "stopped"), ("b1", "complete")):
            journal.append(make.start(journal, run_id))
            if state == "stopped":
                journal.end_run(run_id, make.later(9.0), "stopped", "a test", dose_mj_cm2=120.0)
    with shop(tmp_path, people=True) as this, this.client(OPERATOR) as operator:
        operator.post("/experiments", kind="wedge")
        for run in ("a1", "b1"):
            reading = {"run": run, "held": 4, "washed": 5}
            kind, text = refused(operator.post, "/experiments/wedge-1/read", reading=reading)
            assert kind == "refused" and "has no whole dose" in text
        # with its dose typed it may be named all the same
        reading |= {"dose_mj_cm2": 120.0}
        assert operator.post("/experiments/wedge-1/read", reading=reading)["runs"] == ["b1"]


def test_a_design_says_which_doses_to_expose(tmp_path: Path) -> None:
    with shop(tmp_path) as this, this.client() as client:
        doses = client.get("/experiment-design", kind="depth", dose="230 mJ/cm2")["doses_mj_cm2"]
        assert len(doses) == 8 and doses.count(230.0) == 4
        staggered = client.get("/experiment-design", kind="wedge", dose="0.35 J/cm2", n=4)
        assert len(staggered["doses_mj_cm2"]) == 4
        assert "the unit is missing" in refused(
            client.get, "/experiment-design", kind="wedge", dose="350"
        )[1]  # fmt: skip
        assert "five patches" in refused(
            client.get, "/experiment-design", kind="depth", dose="350 mJ/cm2", n=3
        )[1]  # fmt: skip


def test_a_dose_corrected_later_reaches_the_next_conclusion_and_is_said_before(
    tmp_path: Path,
) -> None:
    path = tmp_path / "journal.sqlite"
    with make.journal_at(path) as journal:
        journal.append(make.start(journal, "P-1", step="plate", plate="P-1"))
        for n, dose in enumerate((312.0, 340.0, 371.0)):
            run_id = f"r{n}"
            journal.append(make.start(journal, run_id, plate="P-1"))
            journal.end_run(run_id, make.later(60.0), "complete", "done", dose_mj_cm2=dose)
        journal.end_run("P-1", make.later(90.0), "complete", "done")
    with shop(tmp_path) as this, this.client() as client:
        client.post("/experiments", kind="wedge")
        for n, (_, held, washed) in enumerate(WEDGES):
            reading = {"run": f"r{n}", "held": held, "washed": washed}
            client.post("/experiments/wedge-1/read", reading=reading)
        first = client.post("/experiments/wedge-1/conclude")["conclusion"]
        with make.journal_at(path) as journal:
            for n, was in enumerate((312.0, 340.0, 371.0)):
                told = PlateCorrected("P-1", f"dose r{n}", was, 1.1 * was, LEAD, "the meter erred")
                at = make.later(100.0 + n)
                journal.append(make.event(journal, None, name=told.name, data=told.data(), at=at))
        whole = client.get("/experiments/wedge-1")
        assert [one["dose_mj_cm2"] for one in whole["reading"]] == [312.0, 340.0, 371.0]
        now = [one["dose_now_mj_cm2"] for one in whole["reading"]]
        assert now == pytest.approx([343.2, 374.0, 408.1])
        again = client.post("/experiments/wedge-1/conclude")["conclusion"]
        assert again["figure"]["value"] == pytest.approx(1.1 * first["figure"]["value"], rel=1e-6)
        whole = client.get("/experiments/wedge-1")
        assert [one["dose_now_mj_cm2"] for one in whole["reading"]] == [None] * 3
        renewed = [step for step in whole["history"] if step["act"] == "corrected"]
        assert "corrected the dose of run r0 from 312.00 to 343.20 mJ/cm²" in renewed[0]["why"]
        assert refused(client.post, "/experiments/wedge-1/conclude")[0] == "refused"  # nothing new


def test_a_dose_that_the_record_no_longer_has_stands_as_it_was_taken(tmp_path: Path) -> None:
    record(tmp_path / "journal.sqlite")
    with shop(tmp_path) as this, this.client() as client:
        client.post("/experiments", kind="wedge")
        reading = {"run": "r1", "held": 4, "washed": 6}
        client.post("/experiments/wedge-1/read", reading=reading)
        (tmp_path / "journal.sqlite").rename(tmp_path / "away.sqlite")
        assert client.get("/experiments/wedge-1")["reading"][0]["dose_now_mj_cm2"] is None
        assert client.post("/experiments/wedge-1/conclude")["readings"] == 1


@pytest.mark.parametrize("kind", ["screens", "washout"])
def test_what_the_page_asks_of_screens_and_washout_is_enough_to_conclude(
    tmp_path: Path, kind: str
) -> None:
    text = files("platelink.finding").joinpath("examples", f"{kind}.toml").read_text("utf-8")
    example, guide = tomllib.loads(text), GUIDES[kind]
    asked = {name: [one.name for one in getattr(guide, name)] for name in ("head", "reading")}
    head = {key: example[key] for key in asked["head"] if key in example}
    with shop(tmp_path) as this, this.client() as client:
        client.post("/experiments", kind=kind, head=head)
        for one in example["reading"]:
            reading = {key: one[key] for key in asked["reading"] if key in one}
            client.post(f"/experiments/{kind}-1/read", reading=reading)
        told = client.post(f"/experiments/{kind}-1/conclude")["conclusion"]
        assert told["told"] and told["lines"]
