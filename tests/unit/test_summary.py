"""What the retained status tells of alarms and plates in progress."""

from __future__ import annotations

from typing import Any

from platelink.contract.plates import PlateBrief, StageNow, StepNow
from platelink.contract.unit import JournalNow, Status
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import BROKER_DOWN, CALIBRATION_OVERDUE, JOURNAL_CANNOT_WRITE
from platelink.simulated.harness import Simulation
from platelink.unit.plate_view import status_now
from platelink.unit.view import alarms_brief, overdue, summary
from unit.unit_core import simulate


def status_of(simulation: Simulation) -> Status:
    journal = JournalNow(pending=0, fault="")
    return status_now(simulation.core, "unit-1", journal=journal, at=simulation.stamp)


def alarmed(*conditions: Condition) -> Simulation:
    simulation = simulate()
    simulation.run(lambda: False, 1.0)
    simulation.core.outside(conditions, at=simulation.stamp)
    return simulation


def plate(name: str, *, late: bool, stage: bool = True) -> PlateBrief:
    here: dict[str, Any] = {
        "name": None, "prompt": "", "number": 1, "count": 1, "waiting": False, "planned_s": 60.0,
        "elapsed_s": 90.0, "due": True, "overdue": late,
    }  # fmt: skip
    now = StepNow(
        name="rinse", kind="wash", state="running", instructions="", cautions=[], reason="",
        waiting_for=[], acts=[], untimed=False, stage=StageNow(**here) if stage else None,
    )  # fmt: skip
    return PlateBrief(
        plate=name, recipe="invented@1", title="", job=None, lot=None, by="A. Example",
        state="running", reason="", step=0, steps=(), deviations=0, now=now,
    )  # fmt: skip


def test_the_worst_alarm_that_calls_is_told_and_one_that_is_answered_gives_way() -> None:
    simulation = alarmed(
        Condition(CALIBRATION_OVERDUE, True, 3.0, 0.0), Condition(JOURNAL_CANNOT_WRITE, True, 1.0)
    )
    told = summary(status_of(simulation))["alarms"]
    assert isinstance(told, dict) and isinstance(told["worst"], dict)
    assert (told["unacknowledged"], told["acknowledged"]) == (2, 0)
    assert (told["worst"]["name"], told["worst"]["priority"]) == ("journal cannot write", "high")
    simulation.core.alarm(
        "journal cannot write", "acknowledge", "A. Example", "", None, at=simulation.stamp
    )
    told = summary(status_of(simulation))["alarms"]
    assert isinstance(told, dict) and isinstance(told["worst"], dict)
    assert (told["unacknowledged"], told["acknowledged"]) == (1, 1)
    assert told["worst"]["name"] == "calibration overdue"


def test_an_alarm_that_is_shelved_calls_nobody() -> None:
    simulation = alarmed(Condition(CALIBRATION_OVERDUE, True, 3.0, 0.0))
    why = simulation.core.alarm(
        "calibration overdue", "shelve", "A. Example", "booked", 60.0, at=simulation.stamp
    )
    status = status_of(simulation)
    assert [one.state for one in status.alarms.list] == ["shelved"], why
    assert alarms_brief(status.alarms)["worst"] is None
    assert overdue(status) == ["calibration overdue"]  # it is, whoever put the call aside


def test_overdue_are_calibrations_and_plates_whose_stage_nobody_ends() -> None:
    plain = status_of(alarmed(Condition(BROKER_DOWN, False)))
    assert overdue(plain) == [] and summary(plain)["plates"] == []
    due = status_of(alarmed(Condition(CALIBRATION_OVERDUE, True, 3.0, 0.0)))
    plates = [
        plate("P-1", late=True),
        plate("P-2", late=False),
        plate("P-3", late=True, stage=False),
    ]
    status = due.model_copy(update={"plates": plates})
    assert overdue(status) == ["plate P-1: rinse", "calibration overdue"]
    assert summary(status)["plates"] == [
        {
            "plate": name,
            "state": "running",
            "step": "rinse",
            "step_state": "running",
            "overdue": late,
        }
        for name, late in (("P-1", True), ("P-2", False), ("P-3", False))
    ]


def test_the_same_status_makes_the_same_text_again() -> None:
    """It is sent anew when it has changed: a time that is reckoned anew each time would do so."""
    simulation = alarmed(Condition(CALIBRATION_OVERDUE, True, 3.0, 0.0))
    before = summary(status_of(simulation))
    simulation.run(lambda: False, 7.3)
    assert summary(status_of(simulation)) == before
