"""Commands on alarms: from the call to normal, and what a person may not do."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from cli_runs import MINIMAL, run
from cli_unit import CommandUnit, command_unit
from whole_documents import STATUS

from platelink.cli.quantities import Display
from platelink.cli.status import _lines
from platelink.config.load import loads
from platelink.contract.unit import Status
from platelink.control.alarm.states import Condition
from platelink.control.alarm.unit import CALIBRATION_OVERDUE, JOURNAL_CANNOT_WRITE
from platesim.faults import Unplugged

LATE, FULL = CALIBRATION_OVERDUE.name, JOURNAL_CANNOT_WRITE.name


@pytest.fixture
def unit(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CommandUnit]:
    """A unit with two alarms that call."""
    with command_unit(tmp_path, monkeypatch) as unit:
        unit.daemon.tell(
            Condition(CALIBRATION_OVERDUE, True, 2.0), Condition(JOURNAL_CANNOT_WRITE, True)
        )
        yield unit


def states(unit: CommandUnit) -> dict[str, str]:
    return {a["name"]: a["state"] for a in unit.told("alarm", "list")["list"]}


def test_an_alarm_from_the_call_to_normal(unit: CommandUnit) -> None:
    listed = unit.said("alarm", "list")
    assert "2 to acknowledge, 2 in the last hour" in listed
    assert "calibrate it" in listed
    shown = unit.said("alarm", "show", "calib")  # the beginning is enough
    assert "likely cause  a sensor's calibration is past its due date" in shown
    assert "state         unacknowledged" in shown
    assert unit.said("alarm", "acknowledge", LATE) == f"{LATE}: acknowledged\n"
    assert states(unit) == {FULL: "unacknowledged", LATE: "acknowledged"}
    unit.said("alarm", "acknowledge", "--all")
    assert "nothing to acknowledge" in unit.said("alarm", "acknowledge", "--all")
    unit.daemon.tell(Condition(CALIBRATION_OVERDUE, False), Condition(JOURNAL_CANNOT_WRITE, False))
    unit.daemon.pass_time(5.0)
    assert unit.said("alarm", "list") == "none: no alarm is active\n"


def test_the_status_says_of_each_alarm_what_is_so(unit: CommandUnit) -> None:
    """One calls, one is silenced, one is over, and those that a lost link explains mean nothing."""

    def line() -> str:
        return next(text for text in unit.said("status").splitlines() if text[:6] == "alarms")

    unit.said("alarm", "shelve", LATE, "--minutes", "30", "--why", "the laboratory is closed")
    assert line().split(None, 1)[1].startswith(f"{FULL}, {LATE} (shelved); see")
    assert "\nlight       dark\n" in unit.said("status")
    unit.daemon.tell(Condition(JOURNAL_CANNOT_WRITE, False))
    unit.daemon.simulation.unit.inject(Unplugged())
    unit.daemon.pass_time(10.0)
    assert "suppressed by design" in states(unit).values()
    assert "\nlight       not known, no information: treat it as on\n" in unit.said("status")
    names = line().split(None, 1)[1].partition(";")[0].split(", ")
    assert sorted(names) == [f"{LATE} (shelved)", f"{FULL} (over)", "link lost"]


def test_an_alarm_is_silenced_and_taken_out(unit: CommandUnit) -> None:
    why = ("--why", "the laboratory is closed")
    assert "shelved for 30 min" in unit.said("alarm", "shelve", LATE, "--minutes", "30", *why)
    assert states(unit)[LATE] == "shelved"
    shown = unit.said("alarm", "show", LATE)
    assert "the laboratory is closed" in shown and "until  " in shown
    unit.said("alarm", "unshelve", LATE)
    assert states(unit)[LATE] == "unacknowledged"
    unit.said("alarm", "remove", LATE, *why)
    assert states(unit)[LATE] == "out of service"
    unit.said("alarm", "return", LATE)
    assert states(unit)[LATE] == "unacknowledged"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["shelve", FULL, "--minutes", "5", "--why", "x"], "cannot be shelved; acknowledge it"),
        (["shelve", LATE, "--minutes", "5"], "Missing option '--why'"),
        (["shelve", LATE, "--minutes", "0", "--why", "x"], "0.0"),
        (["reset", LATE], "it is unacknowledged"),
        (["unshelve", LATE], "it is not shelved"),
        (["return", LATE], "it is not out of service"),
        (["acknowledge", "no such"], "no such alarm"),
        (["acknowledge"], "name one ALARM, or give --all"),
        (["show", "link lost"], f"active now: {FULL}, {LATE}"),
    ],
)
def test_what_cannot_be_is_refused(unit: CommandUnit, arguments: list[str], words: str) -> None:
    assert words in unit.said("alarm", *arguments, code=2)
    assert states(unit) == {FULL: "unacknowledged", LATE: "unacknowledged"}


def test_without_a_daemon_it_is_said_how_to_start_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    Path("platelink.toml").write_text(MINIMAL)
    for command in (["alarm", "list"], ["plate", "done"], ["plate", "make", "x"]):
        result = run(*command)
        assert (result.exit_code, result.stdout) == (1, "")
        assert "start one with `platelink serve`" in result.stderr


def test_the_status_says_which_instrument_is_lost_and_why() -> None:
    """The alarm's next act sends people there."""
    told = {"measures": "vacuum", "age_s": 0.1, "every_s": 0.2}
    instruments = [
        told | {"name": "gauge-1", "lost": True, "problem": "gauge-1 is gone; look for it"},
        told | {"name": "oven-1", "lost": False, "problem": "", "measures": "oven"},
    ]
    now = Status.model_validate(STATUS | {"instruments": instruments})
    lines = [line for line in _lines(now, Display.of(loads(MINIMAL))) if line[:5] == "instr"]
    assert lines == ["instrument  gauge-1 is gone; look for it"]
