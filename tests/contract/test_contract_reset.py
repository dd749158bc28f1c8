"""A reset in mid-exposure: dark at once, dark afterwards, and nothing pretended."""

from __future__ import annotations

import pytest

from contract.line import Line, order
from platelink.link import messages as m
from platelink.link.messages import Capability, CloseReason, EventCode, OrderState, ReplyCode

CAUSES = [m.ResetCause.POWER_ON, m.ResetCause.EXTERNAL, m.ResetCause.BROWN_OUT,
          m.ResetCause.WATCHDOG]  # fmt: skip


def restarted(line: Line, cause: m.ResetCause) -> m.Hello:
    """Reset, and what the device says of it."""
    line.settle()
    line.seen.clear()
    line.reset(cause)
    assert line.board.outputs == 0
    line.settle()
    hello = next(x for x in line.seen if isinstance(x, m.Hello))
    boot = next(x for x in line.seen if isinstance(x, m.Event))
    assert (hello.reset_cause, hello.frame_ticks, hello.tick) == (cause, 50, line.base)
    assert boot == m.Event(1, EventCode.BOOT, cause, line.base)
    return hello


@pytest.mark.parametrize("cause", CAUSES)
def test_reset_in_light_is_dark_and_stays_dark(line: Line, cause: m.ResetCause) -> None:
    line.analog[0] = 9
    line.send(m.SetOutput(m.Output.VACUUM, 1, 60000))
    line.open(order())
    line.ticks(110)
    assert line.lamp
    boot_id = line.board.boot_id
    hello = restarted(line, cause)
    assert hello.boot_id == line.board.boot_id != boot_id
    changes = len(line.pins)
    line.ticks(300)
    line.send(m.Heartbeat())
    assert line.send(m.Open(1)) is ReplyCode.WRONG_STATE
    assert line.send(m.Rearm(1, 5)) is ReplyCode.WRONG_STATE
    line.ticks(20)
    assert len(line.pins) == changes
    assert line.sample().outputs == 0


@pytest.mark.parametrize("cause", CAUSES)
def test_what_survives_is_what_hello_says(line: Line, cause: m.ResetCause) -> None:
    line.analog[0] = 9
    dark_ticks = line.tick
    opened = line.open(order(order=5))
    line.ticks(110)
    last = line.tick
    hello = restarted(line, cause)
    report, sample = line.report(), line.sample()
    assert report.boot_id == hello.boot_id
    if hello.capabilities & Capability.SUMS_SURVIVE_RESET and line.base != 0:
        assert last - 60 < line.base  # at most a frame and a moment are lost
        assert (report.order, report.state) == (5, OrderState.CLOSED)
        assert (report.close_reason, report.close_tick) == (CloseReason.NONE, line.base)
        assert report.open_tick == opened
        assert report.order_sum == 9 * (line.base - opened)
        assert sample.light_sum[0] == 9 * (sample.tick - dark_ticks)
    else:
        assert report == m.OrderReport(0, 0, 0, hello.boot_id, *[0] * 4, *[(0,) * 4] * 4)
        assert sample.light_sum[0] == 9 * (sample.tick - line.base)
    assert sample.order_state == report.state


def test_an_armed_order_is_gone(line: Line) -> None:
    line.send(order())
    line.ticks(120)
    restarted(line, m.ResetCause.WATCHDOG)
    assert line.report().state == OrderState.NONE
    line.send(m.Heartbeat())
    assert line.send(m.Open(1)) is ReplyCode.WRONG_STATE


def test_every_start_has_another_boot_id(line: Line) -> None:
    seen = [line.hello.boot_id]
    for cause in CAUSES * 2:
        seen.append(restarted(line, cause).boot_id)
    assert len(set(seen)) == len(seen)


def test_a_new_order_after_a_reset(line: Line) -> None:
    line.analog[0] = 10
    line.open(order())
    line.ticks(60)
    restarted(line, m.ResetCause.WATCHDOG)
    line.send(m.ResetLatch())
    opened = line.open(order(order=2, target=500))
    line.ticks(60)
    report = line.closed()
    assert (report.order, report.close_tick - opened, report.order_sum) == (2, 50, 500)
