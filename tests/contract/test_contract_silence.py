"""What the device does when the host falls silent."""

from __future__ import annotations

import pytest

from contract.line import Line, order
from platelink.link import messages as m
from platelink.link.messages import CloseReason, EventCode, ReplyCode, SilencePolicy


@pytest.mark.parametrize("silence", [40, 100, 500])
def test_close_ends_the_order_in_the_exact_tick(line: Line, silence: int) -> None:
    assert line.send(order(silence_ticks=silence)) is ReplyCode.OK
    line.send(m.Heartbeat())
    beat = line.beat
    assert line.send(m.Open(1)) is ReplyCode.OK
    line.ticks(silence)
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (beat + silence, CloseReason.SILENCE)
    assert [e.tick for e in line.events(EventCode.HOST_SILENT)] == [beat + silence]


def test_finish_goes_on_to_the_target(line: Line) -> None:
    line.analog[0] = 10
    opened = line.open(order(silence_ticks=60, silence_policy=SilencePolicy.FINISH, target=4000))
    line.ticks(500)
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (opened + 400, CloseReason.DOSE)
    assert len(line.events(EventCode.HOST_SILENT)) == 1


def test_finish_never_goes_past_the_guard(line: Line) -> None:
    opened = line.open(order(silence_ticks=60, silence_policy=1, guard_ticks=300))
    line.ticks(400)
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (opened + 300, CloseReason.GUARD)


def test_heartbeats_keep_it_open(line: Line) -> None:
    line.open(order(silence_ticks=60))
    for _ in range(10):
        line.ticks(30)
        line.send(m.Heartbeat())
    assert line.lamp
    assert line.events(EventCode.HOST_SILENT) == []
    line.ticks(80)
    assert line.closed().close_tick == line.beat + 60


def test_no_other_command_counts_as_a_heartbeat(line: Line) -> None:
    line.open(order(silence_ticks=80))
    for _ in range(6):
        line.ticks(10)
        line.send(m.GetOrder())
        line.send(m.Rearm(1, 10**8))
    assert line.closed().close_tick == line.beat + 80


def test_host_back_is_stamped_and_silence_counts_from_it(line: Line) -> None:
    line.open(order(silence_ticks=50, silence_policy=1))
    line.ticks(120)
    for _ in range(3):
        line.seen.clear()
        line.send(m.Heartbeat())
        back = line.beat
        line.ticks(100)
        line.settle()
        assert [e.tick for e in line.events(EventCode.HOST_BACK)] == [back]
        assert [e.tick for e in line.events(EventCode.HOST_SILENT)] == [back + 50]


def test_before_the_first_heartbeat_the_host_is_silent(line: Line) -> None:
    line.reset(m.ResetCause.POWER_ON)
    line.ticks(30)
    assert line.send(order(silence_ticks=65535)) is ReplyCode.OK
    assert line.send(m.Open(1)) is ReplyCode.HOST_SILENT
    line.send(m.Heartbeat())
    assert line.send(m.Open(1)) is ReplyCode.OK


@pytest.mark.parametrize("policy", SilencePolicy)
def test_silence_in_the_tick_of_the_dose_is_logged_before_it(
    line: Line, policy: SilencePolicy
) -> None:
    line.analog[0] = 10
    opened = line.open(order(silence_ticks=200, silence_policy=policy, target=10**6))
    silent = line.beat + 200
    assert line.send(m.Rearm(1, 10 * (silent - opened))) is ReplyCode.OK
    line.ticks(silent - line.tick)
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (silent, CloseReason.DOSE)
    logged = [(e.code, e.tick) for e in line.seen if isinstance(e, m.Event)]
    assert logged[-2:] == [(EventCode.HOST_SILENT, silent), (EventCode.LAMP_CLOSED, silent)]
    line.send(m.Heartbeat())  # the order has ended: said all the same
    line.settle()
    assert [e.tick for e in line.events(EventCode.HOST_BACK)] == [line.beat]


def test_silence_that_begins_as_the_lamp_comes_on_counts_from_the_next_tick(line: Line) -> None:
    assert line.send(order(silence_ticks=300)) is ReplyCode.OK
    line.send(m.SetFrame(1000))  # no Sample is written near that tick
    line.sample()
    line.send(m.Heartbeat())
    line.ticks(line.beat + 299 - line.tick - 3)
    line.send(m.Open(1))
    opened = line.beat + 300
    assert line.handled == opened - 1
    report = line.closed()
    assert (report.open_tick, report.close_tick) == (opened, opened + 1)
    assert report.close_reason == CloseReason.SILENCE
    assert [e.tick for e in line.events(EventCode.HOST_SILENT)] == [opened + 1]
