"""The event log: every edge once, and again for a host that missed it."""

from __future__ import annotations

import pytest

from contract.line import Line, frame, order
from platelink.link import messages as m
from platelink.link.messages import EventCode, Output, ReplyCode


def beep(line: Line, times: int) -> None:
    """Events to order: an output that expires."""
    for _ in range(times):
        line.send(m.SetOutput(Output.BEEPER, 1, 1))
        line.ticks(3)
    line.settle()


def logged(line: Line) -> list[m.Event]:
    return [x for x in line.seen if isinstance(x, m.Event)]


def asked(line: Line, number: int) -> list[m.Event]:
    """The events that GetLog brings."""
    line.settle()
    line.seen.clear()
    assert line.send(m.GetLog(number)) is ReplyCode.OK
    assert isinstance(line.seen[-1], (m.Reply, m.Sample))
    return logged(line)


def test_every_event_comes_once_and_in_order(line: Line) -> None:
    line.open(order())
    line.send(m.Close(1))
    beep(line, 30)
    events = logged(line)
    assert [e.number for e in events] == list(range(4, 4 + 33))  # boot and two inputs went before
    ticks = [e.tick for e in events]
    assert ticks == sorted(ticks)
    assert [e.code for e in events[:3]] == [
        EventCode.ORDER_ARMED, EventCode.LAMP_OPENED, EventCode.LAMP_CLOSED,
    ]  # fmt: skip
    assert line.sample().events == events[-1].number


@pytest.mark.parametrize("number", [0, 1, 4, 6, 7, 8, 9, 1000])
def test_log_from_a_number_on(line: Line, number: int) -> None:
    beep(line, 4)  # 1 to 3 are the start's
    first = logged(line)
    again = asked(line, number)
    assert [e.number for e in again] == [n for n in range(1, 8) if n >= number]
    assert [e for e in again if e.number > 3] == [e for e in first if e.number >= number]


@pytest.mark.parametrize(("number", "oldest"), [(0, 28), (1, 28), (27, 28), (28, 28), (40, 40)])
def test_sixteen_are_kept(line: Line, number: int, oldest: int) -> None:
    beep(line, 40)
    assert [e.number for e in asked(line, number)] == list(range(oldest, 44))


def test_sample_tells_of_an_event_that_was_lost(line: Line) -> None:
    known = line.sample().events
    beep(line, 3)
    line.seen.clear()  # lost on the way
    newest = line.sample().events
    assert newest == known + 3
    assert [e.number for e in asked(line, known + 1)] == [known + 1, known + 2, known + 3]


def test_asking_again_while_it_is_being_sent(line: Line) -> None:
    beep(line, 20)
    line.seen.clear()
    for _ in range(3):
        assert line.send(m.GetLog(0)) is ReplyCode.OK
    line.settle()
    numbers = [e.number for e in logged(line)]
    assert numbers == list(range(8, 24)) * 3


@pytest.mark.parametrize(("ahead", "count"), [(1, 0), (2, 0), (32767, 0), (32768, 9), (65526, 9)])
def test_older_is_at_most_half_a_ring_back(line: Line, ahead: int, count: int) -> None:
    """Numbers after the newest: still to come, or so old that they count as older than all."""
    beep(line, 6)
    assert line.sample().events == 9
    assert [e.number for e in asked(line, 9 + ahead)] == list(range(1, 1 + count))


def test_a_log_asked_for_twice_at_once(line: Line) -> None:
    """The second takes the place of the first, which may be over by then or is never answered."""
    beep(line, 20)
    line.settle()
    line.seen.clear()
    code, payload = m.pack(m.GetLog(0))
    line.board.receive(frame(code, 501, payload) + frame(code, 502, payload))
    line.ticks(120)
    line.settle()
    told = [x for x in line.seen if not isinstance(x, m.Sample)]
    assert told[-1] == m.Reply(502, code, ReplyCode.OK)
    assert [x.number for x in told[-17:-1]] == list(range(8, 24))
    first = [x for x in told[:-17] if isinstance(x, m.Reply)]
    assert first in ([], [m.Reply(501, code, ReplyCode.OK)])
    if first:
        assert [x.number for x in told[:16]] == list(range(8, 24))
