"""A plate taken up again from what was kept, at every moment of its life."""

from __future__ import annotations

import json
from typing import Any

import pytest

from platelink.cli.simulated_plate import plan
from platelink.control.bake import Bake
from platelink.control.procedure.plate import Plate
from platelink.control.procedure.room import PlateRoom
from platelink.control.procedure.said import Act, PlateNoted
from platelink.control.procedure.table import OVER, StepState
from platelink.control.stages import Stages
from platelink.control.states import State
from procedure.by_hand import OVEN_UNIT, Hands, finish_to
from procedure.plate_bench import NAMES, short

PLAN = plan("p-1", short())
Kept = tuple[str, str]
"""What had just happened, and the snapshot as it lies on the disk."""


def moments() -> list[Kept]:
    """A plate with a hold in each step; what would be kept after everything it says."""
    hands, kept, seen = Hands(PlateRoom(OVEN_UNIT)), [], 0
    hands.take(hands.room.make(PLAN, now=0.0))
    kept.append(("identify: made", json.dumps(hands.room.plates["p-1"].snapshot())))
    held: set[str] = set()
    while hands.room.plates:
        plate = hands.room.plates["p-1"]
        if Act.HOLD in plate.acts() and plate.step.name not in held and plate.step.name != "dry":
            held.add(plate.step.name)
            hands.act("p-1", Act.HOLD, reason="look")
        elif isinstance(plate.machine, Bake) and plate.machine.in_band_s > 5 and "dry" not in held:
            held.add("dry")
            hands.act("p-1", Act.HOLD, reason="look")
        else:
            hands.on(plate)
        new = [o for o in hands.told[seen:] if isinstance(o, PlateNoted)]
        seen = len(hands.told)
        if new and hands.room.plates:
            text = json.dumps(hands.room.snapshots(everything=True)["p-1"], allow_nan=False)
            kept.append((f"{plate.step.name}: {new[-1].noted.text}", text))
    return kept


MOMENTS = moments()


def resumed(text: str, down_s: float | None = 0.0, now: float = 5000.0) -> tuple[Hands, Plate]:
    hands = Hands(PlateRoom(OVEN_UNIT), now=now)
    hands.take(hands.room.resume(PLAN, json.loads(text), down_s=down_s, now=now))
    return hands, hands.room.plates["p-1"]


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
    if plate.cut:
        assert plate.present.state in (StepState.HOLDING, StepState.HELD)
        assert Act.RESTART not in plate.acts()
        run_id = plate.present.runs[-1]
        hands.take(hands.room.exposure_recovered(run_id, 20.0, 2.0, "told", now=hands.now))
        assert plate.present.state is StepState.HELD
        assert plate.present.dose_mj_cm2 == pytest.approx(given + 21.0)
        assert "21.0 of" in plate.present.reason
    over = hands.finish("p-1")
    assert over.state is State.COMPLETE
    assert [s["state"] for s in over.data["steps"]] == ["complete"] * len(NAMES)
    doses = [s["dose_mj_cm2"] for s in over.data["steps"] if s["kind"] == "expose"]
    assert doses == pytest.approx([60.0, 36.0])


@pytest.mark.parametrize(("what", "text"), MOMENTS[::3], ids=[w[:60] for w, _ in MOMENTS[::3]])
def test_twice_in_a_row_is_as_once(what: str, text: str) -> None:
    _, once = resumed(text, 3.0)
    again = json.dumps(once.snapshot(), allow_nan=False)
    _, twice = resumed(again, 0.0)
    assert [s.state for s in twice.steps] == [s.state for s in once.steps]
    assert (twice.cut, twice.index) == (once.cut, once.index)
    assert [s.dose_mj_cm2 for s in twice.steps] == [s.dose_mj_cm2 for s in once.steps]


def snapshot_in(step: str, *acts: Act) -> str:
    hands = finish_to(PlateRoom(OVEN_UNIT), PLAN, step)
    for act in acts:
        assert not hands.act("p-1", act)
    return json.dumps(hands.room.plates["p-1"].snapshot(), allow_nan=False)


def test_oven_minutes_are_not_counted_while_nobody_measures() -> None:
    hands = finish_to(PlateRoom(OVEN_UNIT), PLAN, "dry")
    for _ in range(8):
        hands.on(hands.room.plates["p-1"])
    bake = hands.room.plates["p-1"].machine
    assert isinstance(bake, Bake)
    had_s = bake.in_band_s
    text = json.dumps(hands.room.plates["p-1"].snapshot())
    _, plate = resumed(text, 300.0)
    assert isinstance(plate.machine, Bake)
    status = plate.machine.status()
    assert (status.in_band_s, status.gap_s) == (had_s, 300.0)
    assert status.elapsed_s >= 300.0 + had_s


def test_a_stage_goes_on_while_the_program_does_not() -> None:
    _, plate = resumed(snapshot_in("washout", Act.BEGIN), 4.0)
    assert isinstance(plate.machine, Stages)
    assert plate.machine.status().elapsed_s == pytest.approx(4.0)
    assert plate.present.state is StepState.RUNNING
    _, plate = resumed(snapshot_in("washout", Act.BEGIN), None)
    assert plate.present.state is StepState.HELD
    assert "not known" in plate.present.reason


def stopping(state: str) -> str:
    """A snapshot in the short moment in which the lamp is going off."""
    hands = finish_to(PlateRoom(OVEN_UNIT), PLAN, "film")
    hands.act("p-1", Act.BEGIN)
    hands.move(State(state))
    return json.dumps(hands.room.plates["p-1"].snapshot())


@pytest.mark.parametrize(("passing", "end"), [("stopping", "stopped"), ("aborting", "aborted")])
def test_a_plate_that_was_being_ended_is_ended(passing: str, end: str) -> None:
    hands, plate = resumed(stopping(passing))
    assert (str(plate.present.state), plate.cut) == (passing, True)
    run_id = plate.present.runs[-1]
    hands.take(hands.room.exposure_recovered(run_id, 20.0, 0.0, "told", now=hands.now))
    assert str(hands.over["p-1"].state) == end


def test_a_full_dose_completes_the_step_whatever_was_going_on() -> None:
    for text in (stopping("holding"), snapshot_in("film", Act.BEGIN)):
        hands, plate = resumed(text)
        run_id = plate.present.runs[-1]
        hands.take(hands.room.exposure_recovered(run_id, 59.5, 0.5, "told", now=hands.now))
        assert plate.step.name == "washout"
        assert any("film interrupted" in d for d in plate.deviations)


@pytest.mark.parametrize(("act", "end"), [(Act.STOP, "stopped"), (Act.ABORT, "aborted")])
def test_what_was_cut_can_be_ended_before_its_device_has_told(act: Act, end: str) -> None:
    hands, plate = resumed(snapshot_in("film", Act.BEGIN))
    assert plate.acts() == (Act.STOP, Act.ABORT)
    assert not hands.act("p-1", act, reason="enough")
    assert plate.on_bed, "the lamp may still be on"
    run_id = plate.present.runs[-1]
    hands.take(hands.room.exposure_recovered(run_id, 20.0, 0.0, "told", now=hands.now))
    assert str(hands.over["p-1"].state) == end
    assert hands.over["p-1"].data["steps"][1]["dose_mj_cm2"] == 20.0


def test_a_held_exposure_that_was_cut_can_be_skipped_and_its_dose_is_not_lost() -> None:
    hands, plate = resumed(snapshot_in("film", Act.BEGIN, Act.HOLD))
    assert plate.cut
    assert "what the device did meanwhile" in hands.act("p-1", Act.RESTART)
    assert not hands.act("p-1", Act.SKIP, reason="made by hand")
    run_id = plate.steps[1].runs[-1]
    hands.take(hands.room.exposure_recovered(run_id, 20.0, 0.0, "told", now=hands.now))
    assert plate.step.name == "washout"
    assert plate.steps[1].facts["dose_mj_cm2"] == 20.0
    over = hands.finish("p-1")  # and the next exposure is led as ever
    assert over.data["steps"][5]["dose_mj_cm2"] == pytest.approx(36.0)


def test_an_account_counts_once() -> None:
    hands, plate = resumed(snapshot_in("film", Act.BEGIN))
    run_id = plate.present.runs[-1]
    for _ in range(2):
        hands.take(hands.room.exposure_recovered(run_id, 20.0, 0.0, "told", now=hands.now))
    assert plate.present.dose_mj_cm2 == 20.0


@pytest.mark.parametrize(
    "change",
    [
        {"format": 99}, {"index": 99}, {"index": -1}, {"steps": []}, {"machine": {}},
        {"steps": [{"state": "asleep"}]},
    ],
)  # fmt: skip
def test_what_nobody_wrote_is_an_error(change: dict[str, Any]) -> None:
    kept = json.loads(snapshot_in("washout", Act.BEGIN)) | change
    with pytest.raises((KeyError, ValueError, TypeError)):
        resumed(json.dumps(kept))
