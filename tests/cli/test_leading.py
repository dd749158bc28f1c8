"""A person led through a plate by its lines and keys, in simulated time, without a terminal."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest
from cli_unit import SimulatedDaemon
from click.testing import CliRunner

from platelink.cli import follow as following
from platelink.cli.leading import LEAVE, Leader
from platelink.cli.quantities import Display
from platelink.contract.unit import (
    EndedLine,
    EventLine,
    JournalNow,
    LiveLine,
    StatusLine,
    UnitEvent,
)
from platelink.contract.words import PlateAct
from platelink.control.procedure.requests import PlateRequest
from platelink.simulated.plates import asked_for, example, plan
from platelink.unit.outputs import EventNoted, RunClosed
from platelink.unit.view import event_now
from platesim.faults import SensorDimmed

ALL = frozenset({"run", "skip_steps", "answer_alarms"})
RECIPE = example()


@dataclass
class Led:
    """A unit, and whoever is led through plate P-1 of it."""

    daemon: SimulatedDaemon
    leader: Leader = field(default_factory=lambda: Leader("P-1", set(), ALL, Display()))
    said: list[str] = field(default_factory=list)
    seen: int = 0

    def __post_init__(self) -> None:
        self.daemon.make_plate(plan("P-1", RECIPE))
        self.look()

    def look(self) -> None:
        """Everything that was said since, then the status."""
        outputs = self.daemon.simulation.outputs[self.seen :]
        self.seen += len(outputs)
        for output in outputs:
            if isinstance(output, EventNoted):
                self.take(EventLine(event=event_now(output)))
            elif isinstance(output, RunClosed):
                self.take(EndedLine(ended=output.run_id, state=str(output.state),
                                    reason=output.reason, data=output.data))  # fmt: skip
        self.take(StatusLine(status=self.daemon.status()))

    def take(self, line: LiveLine) -> None:
        self.said += self.leader.take(line)

    def press(self, key: str) -> str | None:
        """What the key does, done."""
        act = self.leader.act_of(key)
        plate = self.leader.brief
        if act not in (None, LEAVE) and plate is not None:
            values = asked_for(self.daemon.core.plates.in_flight.plates["P-1"])
            asked = PlateRequest(act=PlateAct(act), who="example-operator", step=plate.step,
                          reason="a test", values=values, run_id=f"run-{self.seen}")  # fmt: skip
            assert self.daemon.act("P-1", asked, accept_overdue=False) == ""
        return act

    def wait(self, seconds: float) -> None:
        self.daemon.pass_time(seconds)
        self.look()

    def to_step(self, name: str) -> None:
        while self.leader.brief is not None and self.leader.brief.now.name != name:
            self.press("x")
            self.look()

    @property
    def text(self) -> str:
        return "\n".join(self.said)


@pytest.fixture
def led(tmp_path: Path) -> Led:
    return Led(SimulatedDaemon(tmp_path / "journal.sqlite"))


def test_enter_alone_leads_through_a_whole_plate(led: Led) -> None:
    pressed = []
    for _ in range(400):
        pressed.append(led.press("\n"))
        led.wait(4.0)
        if led.leader.ended:
            break
    assert led.leader.ended and led.leader.ended.state == "complete"
    assert led.leader.ended.data["judgement"] == "good"
    assert [act for act in pressed if act] == [
        "done", "begin", "begin", "measure", "begin", "done", "done", "done", "done", "begin",
        "begin", "measure",
    ]  # fmt: skip
    for number, step in enumerate(RECIPE.step, 1):
        assert led.text.count(f"step {number} of 8  {step.name}") == 1
        for caution in step.cautions:
            assert f"CAUTION  {caution}" in led.text
    for words in (
        "soak: Put the plate under", "rub: Rub with a soft pad", "stage due: soak: 25 of",
        "lamp on", "lamps off (dose)", "in band: oven", "inspected: good", "plate ended: complete",
        "answer   dots: Are all screen dots standing?", "measure  large area: 28 to 33 µm",
    ):  # fmt: skip
        assert words in led.text


def test_keys_are_those_that_do_something_now(led: Led) -> None:
    assert led.said[-1] == ("  keys:  d  or Enter  done   s  stop   a  abort   x  skip   q  leave")
    assert led.press("\n") == "done"
    led.wait(0.1)
    assert led.said[-1].startswith("  keys:  b  or Enter  begin")
    assert led.leader.asks_first("begin") and not led.leader.lit()
    assert led.press("z") is None and led.press("h") is None
    assert led.press("B") == "begin"
    led.wait(20.0)
    assert led.said[-1].startswith("  keys:  h  hold")
    assert led.leader.act_of("\n") is None  # nothing leads on while light is on
    assert led.leader.lit()
    assert "of 340.0 mJ/cm²" in led.leader.status_text and "mW/cm²" in led.leader.status_text
    led.press("h")
    led.wait(3.0)
    assert led.leader.act_of("\n") is None  # light never begins by Enter after a hold
    assert led.leader.act_of("r") == "restart" and led.leader.asks_first("restart")
    assert "held" in led.leader.status_text


def test_enter_pressed_too_often_ends_no_stage_early(led: Led) -> None:
    led.to_step("washout")
    assert led.press("\n") == "measure"  # the water
    led.look()
    assert "water 24.0 °C (entered by example-operator)" in led.leader.status_text
    assert led.press("\n") == "begin"
    led.wait(10.0)
    assert led.press("\n") is None
    assert "keys:  d  done" in led.said[-1]
    assert led.press("d") == "done"
    led.wait(0.1)
    assert "stage ended: soak: 10 of 25 s, early" in led.text


def test_an_alarm_calls_once_and_is_acknowledged_with_a_key(led: Led) -> None:
    led.to_step("washout")
    led.press("\n")
    led.wait(0.1)
    led.press("\n")
    led.wait(0.1)
    led.wait(90.0)
    called = [line for line in led.said if line.startswith("ALARM")]
    assert len(called) == 1
    assert called[0].startswith("ALARM (medium)  stage overdue: ") and called[0].endswith("\a")
    assert "confirm" in called[0]
    assert "DUE" in led.leader.status_text and "OVERDUE" in led.leader.status_text
    assert led.leader.act_of("c") == "acknowledge"
    assert led.leader.unacknowledged() == ["stage overdue"]
    led.daemon.alarm("stage overdue", "acknowledge", who="A", why="", minutes=None)
    led.look()
    assert led.leader.act_of("c") is None


@pytest.mark.parametrize(
    ("rights", "keys"),
    [(ALL, "dsaxq"), ({"run"}, "dsaq"), (set(), "q")],
)
def test_no_key_is_offered_without_the_right(tmp_path: Path, rights: set[str], keys: str) -> None:
    leader = Leader("P-1", set(), frozenset(rights), Display())
    Led(SimulatedDaemon(tmp_path / "journal.sqlite"), leader)
    assert "".join(key.key for key in leader.offered()) == keys


def test_another_plate_s_events_are_not_told(led: Led) -> None:
    led.daemon.make_plate(plan("P-2", RECIPE))
    asked = PlateRequest(act=PlateAct.SKIP, who="A", reason="another one", run_id="r")
    led.daemon.act("P-2", asked, accept_overdue=False)
    led.look()
    assert "another one" not in led.text


def test_the_units_to_show_are_the_configuration_s(tmp_path: Path) -> None:
    display = Display(dose="J/cm2", temperature="degF", vacuum="inHg")
    leader = Leader("P-1", set(), ALL, display)
    led = Led(SimulatedDaemon(tmp_path / "journal.sqlite"), leader)
    led.to_step("film")
    assert "of 0.340 J/cm²" in leader.status_text
    led.to_step("dry")
    led.press("\n")
    led.wait(10.0)
    assert "°F" in leader.status_text


def test_a_plate_that_is_gone_leaves_nothing_but_the_way_out(led: Led) -> None:
    led.press("s")
    led.look()
    assert led.leader.ended and led.leader.ended.state == "stopped"
    assert led.leader.gone and led.leader.brief is None and led.leader.status_text == ""
    assert [key.act for key in led.leader.offered()] == [LEAVE]


def test_what_is_not_recorded_yet_is_marked_until_it_is(led: Led) -> None:
    event = EventLine(
        event=UnitEvent(
            at_utc="2026-06-01T10:00:00.000Z", run_id="P-1", name="deviation", text="x", data={}
        )
    )
    mark = "not recorded yet: the journal cannot be written"
    assert mark not in led.leader.take(event)[0]
    marked = event.model_copy(update={"unrecorded": True})
    assert mark in led.leader.take(marked)[0]

    def now(pending: int) -> list[str]:
        journal = JournalNow(pending=pending, fault="")
        status = led.daemon.status().model_copy(update={"journal": journal})
        return led.leader.take(StatusLine(status=status))

    written = "  everything is recorded now"
    assert written not in now(1)
    assert written in now(0)
    assert written not in now(0)


def test_a_status_from_before_the_plate_was_made_ends_nothing(led: Led) -> None:
    leader = Leader("P-2", set(), ALL, Display())
    leader.take(StatusLine(status=led.daemon.status()))
    assert not leader.gone
    led.daemon.make_plate(plan("P-2", RECIPE))
    assert leader.take(StatusLine(status=led.daemon.status()))
    assert leader.brief is not None


def test_a_restart_after_a_doubt_asks_what_the_lamps_did(
    led: Led, monkeypatch: pytest.MonkeyPatch
) -> None:
    led.press("\n")
    led.wait(0.1)
    led.press("B")
    led.wait(20.0)
    led.daemon.simulation.unit.inject(SensorDimmed(transmission=0.0))
    led.wait(5.0)
    plate = led.leader.brief
    assert plate is not None and plate.now.exposure is not None
    assert plate.now.exposure.asks_what_fell and led.leader.act_of("r") == "restart"
    monkeypatch.setattr(Display, "of", lambda config: Display())
    monkeypatch.setattr(following, "load_config", lambda: None)
    session = following._Session(None, led.leader, None, accept_overdue=False)  # type: ignore[arg-type]
    with CliRunner().isolation(input="perhaps\nlamps off\n"):
        assert session._prompted("restart", plate) == {"reason": "lamps off"}
