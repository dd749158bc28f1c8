"""What is wrong on the line has its own name at once, and is not called a cable that is out."""

from __future__ import annotations

import random

import pytest

from platelink.contract.unit import JournalNow
from platelink.control.alarm.states import NOTHING, AlarmState
from platelink.link.framing import encode
from platelink.link.messages import PROTOCOL_VERSION, Hello
from platelink.link.outputs import LinkState
from platelink.simulated.harness import make_core
from platelink.unit.alarms import UnitAlarms
from platelink.unit.core import Core
from platelink.unit.plate_view import status_now
from platelink.unit.stamp import Stamp
from platesim.unit import UnitParameters

HELLO = Hello(PROTOCOL_VERSION, 1, (1, 0, 0), 1, 10, 15, 0, 7, 5000, 1000, 50)
GARBAGE = random.Random(7).randbytes(4096)
FOREIGN = encode(HELLO._replace(protocol=PROTOCOL_VERSION + 1), 0)


def core() -> Core:
    made = make_core(UnitParameters(), expected_mw_cm2=12.0)
    made.port_opened(at=Stamp(0.0, 0))
    return made


def called(found: Core) -> list[str]:
    """Alarms that call; those that follow from another one do not."""
    alarms = found.alarms.status().alarms
    return [alarm.name for alarm in alarms if alarm.state is AlarmState.UNACKNOWLEDGED]


@pytest.mark.parametrize(
    ("said", "name"), [(GARBAGE, "garbage on the line"), (FOREIGN, "another protocol")]
)
def test_the_true_reason_is_called_at_once_and_it_alone(said: bytes, name: str) -> None:
    found = core()
    found.receive(said, at=Stamp(0.1, 100))
    assert called(found) == [name]
    for second in range(1, 40):
        found.receive(said, at=Stamp(float(second), 1000 * second))
        found.tick(at=Stamp(second + 0.5, 1000 * second + 500))
    assert called(found) == [name]
    found.receive(b"\0" + encode(HELLO, 0), at=Stamp(50.0, 50_000))
    (alarm,) = (a for a in found.alarms.status().alarms if a.name == name)
    assert not alarm.active


def test_a_silent_line_is_a_lost_link() -> None:
    found = core()
    for second in range(1, 15):
        found.tick(at=Stamp(float(second), 1000 * second))
    assert called(found) == ["link lost"]


def test_a_device_whose_every_exposure_is_refused_is_told_in_the_status() -> None:
    found = core()
    found.receive(encode(HELLO._replace(adc_bits=12), 0), at=Stamp(0.1, 100))
    told = status_now(found, "unit-1", journal=JournalNow(pending=0, fault=""), at=Stamp(0.2, 200))
    assert "the device converts 12 bits, the configuration says 10" in told.problem


@pytest.mark.parametrize("began", [1014.5599749248123, 1018.0929836404717, 1000.0])
def test_a_device_that_never_answers_is_looked_for_once_and_not_again_and_again(
    began: float,
) -> None:
    """Ten seconds after the start, to the last digit: no loop that waits for nothing."""
    alarms = UnitAlarms(now=began)
    due = alarms.next_deadline()
    assert due is not None
    alarms.look((), up=False, link=LinkState.DOWN, reading=None, exposed=NOTHING, at=Stamp(due, 0))
    later = alarms.next_deadline()
    assert later is None or later > due
