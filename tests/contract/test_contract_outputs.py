"""Outputs that must be renewed: on for exactly as long as asked."""

from __future__ import annotations

import pytest

from contract.line import BEEPER, LAMP, VACUUM, Line, order
from platelink.link import messages as m
from platelink.link.messages import EventCode, Output, ReplyCode

PUMP_AND_BEEPER = pytest.mark.parametrize("output", [Output.VACUUM, Output.BEEPER])


@PUMP_AND_BEEPER
@pytest.mark.parametrize("hold", [1, 2, 30, 777])
def test_on_for_exactly_so_many_ticks(line: Line, output: Output, hold: int) -> None:
    assert line.send(m.SetOutput(output, 1, hold)) is ReplyCode.OK
    asked = line.handled
    line.ticks(hold + 5)
    line.settle()
    assert line.pins == [(asked + 1, 1 << output), (asked + 1 + hold, 0)]
    expired = line.events(EventCode.OUTPUT_EXPIRED)
    assert [(e.tick, e.arg) for e in expired] == [(asked + 1 + hold, output)]


@PUMP_AND_BEEPER
def test_renewed_stays_on_and_expires_when_forgotten(line: Line, output: Output) -> None:
    for _ in range(5):
        assert line.send(m.SetOutput(output, 1, 60)) is ReplyCode.OK
        line.ticks(40)
    last = line.handled
    line.settle()
    assert [tick for tick, _ in line.pins][1:] == [last + 1 + 60]
    assert len(line.events(EventCode.OUTPUT_EXPIRED)) == 1


@PUMP_AND_BEEPER
def test_switched_off_at_the_next_tick_without_an_event(line: Line, output: Output) -> None:
    line.send(m.SetOutput(output, 1, 60000))
    line.ticks(30)
    assert line.send(m.SetOutput(output, 0, 0)) is ReplyCode.OK
    asked = line.handled
    line.settle()
    assert line.pins[1:] == [(asked + 1, 0)]
    assert line.events(EventCode.OUTPUT_EXPIRED) == []


def test_longest_hold(line: Line) -> None:
    assert line.send(m.SetOutput(Output.VACUUM, 1, 60000)) is ReplyCode.OK
    asked = line.handled
    line.ticks(60000)
    line.settle()
    assert line.pins == [(asked + 1, VACUUM), (asked + 1 + 60000, 0)]


def test_vacuum_does_not_expire_in_light_but_in_the_tick_after(line: Line) -> None:
    line.send(m.SetOutput(Output.VACUUM, 1, 80))
    line.open(order(guard_ticks=400))
    line.ticks(410)
    report = line.closed()
    assert line.pins[-2:] == [(report.close_tick, VACUUM), (report.close_tick + 1, 0)]
    expired = line.events(EventCode.OUTPUT_EXPIRED)
    assert [(e.tick, e.arg) for e in expired] == [(report.close_tick + 1, Output.VACUUM)]


def test_vacuum_that_is_not_overdue_outlives_the_light(line: Line) -> None:
    line.send(m.SetOutput(Output.VACUUM, 1, 1000))
    asked = line.handled
    line.open(order(guard_ticks=100))
    line.ticks(1000)
    line.closed()
    assert line.pins[-1] == (asked + 1 + 1000, 0)


def test_vacuum_expires_beside_an_armed_order(line: Line) -> None:
    line.send(order())
    line.send(m.SetOutput(Output.VACUUM, 1, 50))
    asked = line.handled
    line.ticks(60)
    assert line.pins[-1] == (asked + 1 + 50, 0)


def test_beeper_expires_in_light(line: Line) -> None:
    line.send(m.SetOutput(Output.BEEPER, 1, 100))
    asked = line.handled
    line.open(order())
    line.ticks(110)
    assert line.pins[-2][1] == LAMP | BEEPER
    assert line.pins[-1] == (asked + 1 + 100, LAMP)
