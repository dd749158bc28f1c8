"""Interlock and stop button: dark in the same sample, and dark until the latch is reset."""

from __future__ import annotations

import pytest

from contract.line import LAMP, VACUUM, Line, frame, order
from platelink.link import messages as m
from platelink.link.messages import CloseReason, EventCode, OrderState, ReplyCode

NO_INTERLOCK = int(m.Input.STOP_RELEASED)
NO_STOP = int(m.Input.INTERLOCK_CLOSED)
KINDS = [
    (NO_INTERLOCK, CloseReason.INTERLOCK, EventCode.INTERLOCK_OPENED,
     EventCode.INTERLOCK_CLOSED, ReplyCode.INTERLOCK_OPEN),
    (NO_STOP, CloseReason.STOP, EventCode.STOP_PRESSED, EventCode.STOP_RELEASED,
     ReplyCode.STOP_PRESSED),
]  # fmt: skip
BOTH = pytest.mark.parametrize(
    ("inputs", "reason", "opening", "closing", "refusal"), KINDS, ids=["interlock", "stop"]
)


@BOTH
def test_one_open_sample_is_dark_and_latches(
    line: Line, inputs: int, reason: CloseReason, opening: EventCode, closing: EventCode,
    refusal: ReplyCode,
) -> None:  # fmt: skip
    line.open(order())
    line.ticks(10)
    line.inputs = inputs
    line.ticks(1)
    assert not line.lamp
    opened = line.tick
    assert line.pins[-1] == (opened, 0)
    line.inputs = 3
    line.ticks(100)
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (opened, reason)
    assert [e.tick for e in line.events(opening)] == [opened]
    assert [e.tick for e in line.events(closing)] == [opened + 20]
    assert len(line.pins) == 2  # on and off: no light came back
    assert line.sample().latched == 1
    assert line.send(order(order=2)) is ReplyCode.LATCHED
    assert line.send(m.ResetLatch()) is ReplyCode.OK
    reset = line.handled
    line.open(order(order=2))
    assert line.sample().latched == 0
    assert [e.tick for e in line.events(EventCode.LATCH_RESET)] == [reset]


@BOTH
def test_latch_stays_while_it_is_open(
    line: Line, inputs: int, reason: CloseReason, opening: EventCode, closing: EventCode,
    refusal: ReplyCode,
) -> None:  # fmt: skip
    line.inputs = inputs
    line.ticks(5)
    assert line.send(m.ResetLatch()) is refusal
    assert line.send(order()) is ReplyCode.LATCHED
    line.inputs = 3
    line.ticks(14)  # and a frame of four ticks makes 18: not yet twenty
    assert line.send(m.ResetLatch()) is refusal
    line.ticks(25)
    assert line.send(m.ResetLatch()) is ReplyCode.OK
    assert line.sample().latched == 0


@BOTH
def test_bouncing_contact_counts_as_closed_after_twenty_in_a_row(
    line: Line, inputs: int, reason: CloseReason, opening: EventCode, closing: EventCode,
    refusal: ReplyCode,
) -> None:  # fmt: skip
    line.inputs = inputs
    line.ticks(3)
    opened = line.tick - 2
    for bounce in (1, 5, 18, 19):
        line.inputs = 3
        line.ticks(bounce)
        line.inputs = inputs
        line.ticks(1)
    last = line.tick
    line.inputs = 3
    line.ticks(30)
    line.settle()
    assert [e.tick for e in line.events(opening)] == [opened]
    assert [e.tick for e in line.events(closing)] == [last + 20]


@BOTH
def test_an_armed_order_stays_armed(
    line: Line, inputs: int, reason: CloseReason, opening: EventCode, closing: EventCode,
    refusal: ReplyCode,
) -> None:  # fmt: skip
    line.send(order())
    line.inputs = inputs
    line.ticks(2)
    assert line.report().state == OrderState.ARMED
    line.inputs = 3
    line.ticks(25)
    assert line.send(m.Open(1)) is ReplyCode.LATCHED
    assert line.send(m.ResetLatch()) is ReplyCode.OK
    assert line.send(m.Open(1)) is ReplyCode.OK
    assert line.until(LAMP) == line.handled + 1


def test_vacuum_is_not_touched(line: Line) -> None:
    line.send(m.SetOutput(m.Output.VACUUM, 1, 60000))
    line.open(order())
    line.inputs = 0
    line.ticks(1)
    assert line.board.outputs == VACUUM
    assert line.closed().close_reason == CloseReason.INTERLOCK  # it goes before the stop button


def test_interlock_goes_before_dose_and_dose_before_a_close(line: Line) -> None:
    line.analog[0] = 10
    opened = line.open(order(target=600))
    line.ticks(opened + 59 - line.tick)
    line.inputs = NO_INTERLOCK
    line.ticks(1)
    report = line.closed()
    assert report.close_tick - report.open_tick == 60
    assert report.order_sum == report.order_target == 600
    assert report.close_reason == CloseReason.INTERLOCK


def test_interlock_that_opens_before_an_open_takes_effect(line: Line) -> None:
    line.send(order())
    line.seq += 1
    code, payload = m.pack(m.Open(1))
    line.deliver(frame(code, line.seq, payload))
    line.inputs = NO_INTERLOCK
    line.ticks(1)
    assert line.answer(line.seq).code == ReplyCode.OK
    asked = line.handled
    report = line.closed()
    assert report.open_tick == report.close_tick == asked + 1
    assert report.close_reason == CloseReason.INTERLOCK
    assert line.pins == []
    assert line.events(EventCode.LAMP_OPENED) == []
