"""A plate taken up again from what was kept, at every moment of its life."""

from __future__ import annotations

import json
from typing import Any

import pytest

from control.procedure.by_hand import OVEN_UNIT, Hands, bake_of, finish_to
from control.procedure.plate_bench import NAMES, short
from platelink.contract.words import PlateAct
from platelink.control.procedure.in_flight import PlatesInFlight
from platelink.control.procedure.outputs import PlateNoted
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.table import OVER, StepState
from platelink.control.states import State
from platelink.simulated.plates import plan

PLAN = plan("p-1", short())
Snapshot = tuple[str, str]
"""What had just happened, and the snapshot as it lies on the disk."""


def moments() -> list[Snapshot]:
    """A plate with a hold in each step; what would be kept after everything it says."""
    hands, kept, seen = Hands(PlatesInFlight(OVEN_UNIT)), [], 0
    hands.take(hands.in_flight.make(PLAN, now=0.0))
    kept.append(("identify: made", json.dumps(hands.in_flight.plates["p-1"].snapshot())))
    held: set[str] = set()
    while hands.in_flight.plates:
        plate = hands.in_flight.plates["p-1"]
        if (
            PlateAct.HOLD in plate.acts()
            and plate.step.name not in held
            and plate.step.name != "dry"
        ):
            held.add(plate.step.name)
            hands.act("p-1", PlateAct.HOLD, reason="look")
        elif (
            plate.present.state is StepState.RUNNING and plate.step.name == "dry"
            and bake_of(plate).in_band_s > 5 and "dry" not in held
        ):  # fmt: skip
            held.add("dry")
            hands.act("p-1", PlateAct.HOLD, reason="look")
        else:
            hands.on(plate)
        new = [o for o in hands.outputs[seen:] if isinstance(o, PlateNoted)]
        seen = len(hands.outputs)
        if new and hands.in_flight.plates:
            text = json.dumps(hands.in_flight.snapshots(everything=True)["p-1"], allow_nan=False)
            kept.append((f"{plate.step.name}: {new[-1].noted.text}", text))
    return kept


MOMENTS = moments()


def resumed(text: str, down_s: float | None = 0.0, now: float = 5000.0) -> tuple[Hands, Plate]:
    hands = Hands(PlatesInFlight(OVEN_UNIT), now=now)
    hands.take(
        hands.in_flight.resume(PLAN, json.loads(text), down_s=down_s, away_s=down_s, now=now)
    )
    return hands, hands.in_flight.plates["p-1"]


def test_the_moments_are_of_every_kind() -> None:
    states = {json.loads(text)["steps"][json.loads(text)["index"]]["state"] for _, text in MOMENTS}
    assert {"ready", "running", "held", "restarting"} <= states
    assert {what.split(":")[0] for what, _ in MOMENTS} == set(NAMES)
    assert len(MOMENTS) > 25


@pytest.mark.parametrize("down_s", [0.0, 47.0, None])
@pytest.mark.parametrize(("what", "text"), MOMENTS, ids=[w[:60] for w, _ in MOMENTS])
def test_a_plate_goes_on_in_its_step_and_loses_none(
    what: str, text: str, down_s: float | None
) -> None:
    kept = json.loads(text)
    hands, plate = resumed(text, down_s)
    assert plate.index == kept["index"]
    before = [s["state"] for s in kept["steps"]]
    assert [str(s.state) for s in plate.steps][: plate.index] == before[: plate.index]
    assert plate.present.state not in OVER
    assert plate.acts(), "somebody can lead it on"
    given = plate.present.dose_mj_cm2
    cut = plate.cut
    if cut:
        assert plate.present.state in (StepState.HOLDING, StepState.HELD)
        assert PlateAct.RESTART not in plate.acts()
        run_id = plate.present.runs[-1]
        hands.take(
            hands.in_flight.exposure_recovered(run_id, 20.0, 4.0, 0.0, "told", now=hands.now)
        )
        assert plate.present.state is StepState.HELD
        assert plate.present.dose_mj_cm2 == pytest.approx(given + 22.0)
        assert "22.0 of" in plate.present.reason
    over = hands.finish("p-1")
    assert over.state is State.COMPLETE
    doubt = "is in doubt by 2.0 mJ/cm²: judge the plate"
    assert (doubt in over.reason) == cut
    assert any("give or take 2.0: judge the plate" in d for d in over.data["deviations"]) == cut
    assert [s["state"] for s in over.data["steps"]] == ["complete"] * len(NAMES)
    doses = [s["dose_mj_cm2"] for s in over.data["steps"] if s["kind"] == "expose"]
    assert doses == pytest.approx([60.0, 36.0])


def test_what_was_in_doubt_before_is_so_after_the_next_crash() -> None:
    """Both exposures together have nearly given the dose, but nobody knows how nearly."""
    first = next(
        text for what, text in MOMENTS if what.startswith("film: ") and resumed(text)[1].cut
    )
    hands, plate = resumed(first)
    run_id = plate.present.runs[-1]
    hands.take(hands.in_flight.exposure_recovered(run_id, 20.0, 4.0, 0.0, "told", now=hands.now))
    assert not hands.act("p-1", PlateAct.RESTART)
    hands, plate = resumed(json.dumps(plate.snapshot(), allow_nan=False))
    assert plate.cut and plate.present.unsure_mj_cm2 == 2.0
    run_id, left = plate.present.runs[-1], 60.0 - plate.present.dose_mj_cm2
    hands.take(
        hands.in_flight.exposure_recovered(run_id, left - 0.5, 0.0, 0.0, "told", now=hands.now)
    )
    assert plate.present.state is StepState.HELD  # 0.5 are missing of 60, but 2.0 are not known
    assert "give or take 2.0" in plate.present.reason
    assert hands.finish("p-1").state is State.COMPLETE


@pytest.mark.parametrize(("what", "text"), MOMENTS[::3], ids=[w[:60] for w, _ in MOMENTS[::3]])
def test_twice_in_a_row_is_as_once(what: str, text: str) -> None:
    _, once = resumed(text, 3.0)
    again = json.dumps(once.snapshot(), allow_nan=False)
    _, twice = resumed(again, 0.0)
    assert [s.state for s in twice.steps] == [s.state for s in once.steps]
    assert (twice.cut, twice.index) == (once.cut, once.index)
    assert [s.dose_mj_cm2 for s in twice.steps] == [s.dose_mj_cm2 for s in once.steps]


def snapshot_in(step: str, *acts: PlateAct) -> str:
    hands = finish_to(PlatesInFlight(OVEN_UNIT), PLAN, step)
    for act in acts:
        assert not hands.act("p-1", act)
    return json.dumps(hands.in_flight.plates["p-1"].snapshot(), allow_nan=False)


def test_oven_minutes_are_not_counted_while_nobody_measures() -> None:
    hands = finish_to(PlatesInFlight(OVEN_UNIT), PLAN, "dry")
    for _ in range(8):
        hands.on(hands.in_flight.plates["p-1"])
    had_s = bake_of(hands.in_flight.plates["p-1"]).in_band_s
    text = json.dumps(hands.in_flight.plates["p-1"].snapshot())
    _, plate = resumed(text, 300.0)
    status = bake_of(plate)
    assert (status.in_band_s, status.gap_s) == (had_s, 300.0)
    assert status.elapsed_s >= 300.0 + had_s


def test_a_stage_goes_on_while_the_program_does_not() -> None:
    _, plate = resumed(snapshot_in("washout", PlateAct.BEGIN), 4.0)
    stage = plate.work.status().stage
    assert stage is not None and stage.elapsed_s == pytest.approx(4.0)
    assert plate.present.state is StepState.RUNNING
    _, plate = resumed(snapshot_in("washout", PlateAct.BEGIN), None)
    assert plate.present.state is StepState.HELD
    assert "not known" in plate.present.reason


def stopping(state: str) -> str:
    """A snapshot in the short moment in which the lamp is going off."""
    hands = finish_to(PlatesInFlight(OVEN_UNIT), PLAN, "film")
    hands.act("p-1", PlateAct.BEGIN)
    hands.move(State(state))
    return json.dumps(hands.in_flight.plates["p-1"].snapshot())


@pytest.mark.parametrize(("passing", "end"), [("stopping", "stopped"), ("aborting", "aborted")])
def test_a_plate_that_was_being_ended_is_ended(passing: str, end: str) -> None:
    hands, plate = resumed(stopping(passing))
    assert (str(plate.present.state), plate.cut) == (passing, True)
    run_id = plate.present.runs[-1]
    hands.take(hands.in_flight.exposure_recovered(run_id, 20.0, 0.0, 0.0, "told", now=hands.now))
    assert str(hands.over["p-1"].state) == end


def test_a_full_dose_completes_the_step_whatever_was_going_on() -> None:
    for text in (stopping("holding"), snapshot_in("film", PlateAct.BEGIN)):
        hands, plate = resumed(text)
        run_id = plate.present.runs[-1]
        hands.take(
            hands.in_flight.exposure_recovered(run_id, 59.5, 0.5, 0.0, "told", now=hands.now)
        )
        assert plate.step.name == "washout"
        assert any("film interrupted" in d for d in plate.progress.deviations)


@pytest.mark.parametrize(("act", "end"), [(PlateAct.STOP, "stopped"), (PlateAct.ABORT, "aborted")])
def test_what_was_cut_can_be_ended_before_its_device_has_told(act: PlateAct, end: str) -> None:
    hands, plate = resumed(snapshot_in("film", PlateAct.BEGIN))
    assert plate.acts() == (PlateAct.HOLD, PlateAct.STOP, PlateAct.ABORT)
    assert not hands.act("p-1", act, reason="enough")
    assert plate.on_bed, "the lamp may still be on"
    run_id = plate.present.runs[-1]
    hands.take(hands.in_flight.exposure_recovered(run_id, 20.0, 0.0, 0.0, "told", now=hands.now))
    assert str(hands.over["p-1"].state) == end
    assert hands.over["p-1"].data["steps"][1]["dose_mj_cm2"] == 20.0


def test_a_held_exposure_that_was_cut_can_be_skipped_and_its_dose_is_not_lost() -> None:
    hands, plate = resumed(snapshot_in("film", PlateAct.BEGIN, PlateAct.HOLD))
    assert plate.cut
    assert "waiting for the device's report" in hands.act("p-1", PlateAct.RESTART)
    assert not hands.act("p-1", PlateAct.SKIP, reason="made by hand")
    run_id = plate.steps[1].runs[-1]
    hands.take(hands.in_flight.exposure_recovered(run_id, 20.0, 0.0, 0.0, "told", now=hands.now))
    assert plate.step.name == "washout"
    assert plate.steps[1].facts["dose_mj_cm2"] == 20.0
    over = hands.finish("p-1")  # and the next exposure is led as ever
    assert over.data["steps"][5]["dose_mj_cm2"] == pytest.approx(36.0)


def test_an_account_counts_once() -> None:
    hands, plate = resumed(snapshot_in("film", PlateAct.BEGIN))
    run_id = plate.present.runs[-1]
    for _ in range(2):
        hands.take(
            hands.in_flight.exposure_recovered(run_id, 20.0, 0.0, 0.0, "told", now=hands.now)
        )
    assert plate.present.dose_mj_cm2 == 20.0


@pytest.mark.parametrize(
    "change",
    [
        {"format": 99}, {"index": 99}, {"index": -1}, {"steps": []}, {"machine": {}},
        {"steps": [{"state": "asleep"}]},
    ],
)  # fmt: skip
def test_what_nobody_wrote_is_an_error(change: dict[str, Any]) -> None:
    kept = json.loads(snapshot_in("washout", PlateAct.BEGIN)) | change
    with pytest.raises((KeyError, ValueError, TypeError)):
        resumed(json.dumps(kept))
