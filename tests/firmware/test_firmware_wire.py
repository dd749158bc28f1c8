"""The device over the wire: every command, every refusal, and orders exact to one tick."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from firmware_line import Line, frame, order

from platelink.link import messages as m
from platelink.link.messages import EventCode, OrderState, ReplyCode
from platesim.board import HostBoard


@pytest.mark.parametrize("target", [1, 2, 9, 10, 11, 99, 100, 101, 1230, 4567])
@pytest.mark.parametrize("counts", [1, 10, 37, 1023])
def test_lamp_closes_in_the_exact_tick(target: int, counts: int) -> None:
    line = Line()
    line.light = [counts, 0, 0, 0]
    line.open(order(target=target))
    line.ticks(1)
    assert line.lamp
    lit = -(-target // counts)
    line.ticks(lit - 1)
    assert line.lamp
    line.ticks(1)
    assert not line.lamp
    report = line.report()
    assert report.close_reason == m.CloseReason.DOSE
    assert report.close_tick - report.open_tick == lit
    assert report.order_sum == lit * counts
    assert report.close_sum[0] - report.open_sum[0] == lit * counts
    assert report.close_count[0] - report.open_count[0] == lit
    assert [e.tick for e in line.events(EventCode.LAMP_CLOSED)] == [report.close_tick]


def test_weighted_sum_over_all_channels() -> None:
    line = Line()
    line.light = [3, 5, 7, 11]
    line.open(order(weight=(2, 0, 65535, 1), bias=-13, target=10 * (6 + 7 * 65535 + 11 + 13)))
    line.ticks(10)
    assert line.lamp
    line.ticks(1)
    assert not line.lamp


def closed(line: Line) -> None:
    line.open(order())
    line.ticks(2)
    line.send(m.Close(1))
    line.ticks(1)


def opened(line: Line) -> None:
    line.open(order())
    line.ticks(2)


def armed(line: Line) -> None:
    line.send(order())


def lid_open(line: Line) -> None:
    line.inputs = int(m.Input.STOP_RELEASED)
    line.ticks(1)


def lid_closed_again(line: Line) -> None:
    lid_open(line)
    line.inputs = 3
    line.ticks(25)


def stopped(line: Line) -> None:
    line.inputs = int(m.Input.INTERLOCK_CLOSED)
    line.ticks(1)


def fresh(line: Line) -> None:
    pass


def long_alone(line: Line) -> None:
    line.send(order(silence_ticks=40))
    line.ticks(40)


CASES: list[tuple[Callable[[Line], None], Any, ReplyCode]] = [
    (fresh, m.GetHello(1), ReplyCode.OK),
    (fresh, m.GetHello(2), ReplyCode.WRONG_PROTOCOL),
    (fresh, m.SetOutput(1, 1, 1), ReplyCode.OK),
    (fresh, m.SetOutput(1, 1, 60001), ReplyCode.BAD_VALUE),
    (fresh, m.SetOutput(0, 1, 1), ReplyCode.BAD_VALUE),
    (fresh, m.SetOutput(0, 0, 0), ReplyCode.OK),
    (fresh, m.SetOutput(9, 0, 0), ReplyCode.BAD_VALUE),
    (fresh, order(), ReplyCode.OK),
    (fresh, order(order=0), ReplyCode.BAD_VALUE),
    (fresh, order(target=-5), ReplyCode.BAD_VALUE),
    (fresh, order(target=2**62 + 1), ReplyCode.BAD_VALUE),
    (fresh, order(weight=(0, 0, 0, 0)), ReplyCode.BAD_VALUE),
    (fresh, order(guard_ticks=0), ReplyCode.BAD_VALUE),
    (fresh, order(silence_ticks=0), ReplyCode.BAD_VALUE),
    (fresh, order(silence_policy=7), ReplyCode.BAD_VALUE),
    (opened, order(order=2), ReplyCode.WRONG_STATE),
    (closed, order(order=2), ReplyCode.OK),
    (lid_open, order(), ReplyCode.LATCHED),
    (lid_closed_again, order(), ReplyCode.LATCHED),
    (fresh, m.Rearm(1, 5), ReplyCode.WRONG_STATE),
    (armed, m.Rearm(1, 5), ReplyCode.OK),
    (opened, m.Rearm(1, 5), ReplyCode.OK),
    (opened, m.Rearm(2, 5), ReplyCode.WRONG_ORDER),
    (opened, m.Rearm(1, 0), ReplyCode.BAD_VALUE),
    (closed, m.Rearm(1, 5), ReplyCode.WRONG_STATE),
    (fresh, m.Disarm(1), ReplyCode.OK),
    (armed, m.Disarm(1), ReplyCode.OK),
    (armed, m.Disarm(2), ReplyCode.WRONG_ORDER),
    (opened, m.Disarm(1), ReplyCode.WRONG_STATE),
    (fresh, m.Open(1), ReplyCode.WRONG_STATE),
    (armed, m.Open(2), ReplyCode.WRONG_ORDER),
    (opened, m.Open(1), ReplyCode.OK),
    (closed, m.Open(1), ReplyCode.WRONG_STATE),
    (long_alone, m.Open(1), ReplyCode.HOST_SILENT),
    (fresh, m.Close(0), ReplyCode.OK),
    (fresh, m.Close(3), ReplyCode.WRONG_ORDER),
    (armed, m.Close(1), ReplyCode.WRONG_STATE),
    (opened, m.Close(1), ReplyCode.OK),
    (opened, m.Close(2), ReplyCode.WRONG_ORDER),
    (closed, m.Close(1), ReplyCode.OK),
    (fresh, m.GetOrder(), ReplyCode.OK),
    (fresh, m.ResetLatch(), ReplyCode.OK),
    (lid_open, m.ResetLatch(), ReplyCode.INTERLOCK_OPEN),
    (stopped, m.ResetLatch(), ReplyCode.STOP_PRESSED),
    (lid_closed_again, m.ResetLatch(), ReplyCode.OK),
    (fresh, m.SetFrame(9), ReplyCode.BAD_VALUE),
    (fresh, m.SetFrame(10), ReplyCode.OK),
    (fresh, m.SetFrame(1001), ReplyCode.BAD_VALUE),
    (fresh, m.GetLog(1), ReplyCode.OK),
]


@pytest.mark.parametrize(("before", "command", "code"), CASES)
def test_reply(before: Callable[[Line], None], command: Any, code: ReplyCode) -> None:
    line = Line()
    before(line)
    assert line.send(command) is code


def test_every_command_and_every_code_is_among_the_cases() -> None:
    tried = {type(command) for _, command, _ in CASES}
    assert tried == {cls for cls in m.TYPES.values() if m.CODES[cls] >= 0x40} - {m.Heartbeat}
    codes = {code for _, _, code in CASES}
    elsewhere = {ReplyCode.UNKNOWN_TYPE, ReplyCode.BAD_LENGTH}
    at_start = {ReplyCode.INTERLOCK_OPEN, ReplyCode.STOP_PRESSED}
    assert codes | elsewhere | at_start == set(ReplyCode)


def test_light_is_refused_until_the_inputs_have_settled() -> None:
    line = Line(ready=False)
    line.send(m.Heartbeat())
    assert line.send(order()) is ReplyCode.INTERLOCK_OPEN
    line.inputs = int(m.Input.INTERLOCK_CLOSED)
    line.ticks(25)
    assert line.send(order()) is ReplyCode.STOP_PRESSED


@pytest.mark.parametrize(
    ("code", "payload", "answer"),
    [
        (0x00, b"", ReplyCode.UNKNOWN_TYPE),
        (0x02, b"\0" * m.SIZES[2], ReplyCode.UNKNOWN_TYPE),  # ours, not the host's
        (0x4D, b"", ReplyCode.UNKNOWN_TYPE),
        (0xFF, b"\xff" * 160, ReplyCode.UNKNOWN_TYPE),
        (0x42, b"\0", ReplyCode.BAD_LENGTH),
        (0x44, b"\0" * 30, ReplyCode.BAD_LENGTH),
        (0x44, b"\0" * 160, ReplyCode.BAD_LENGTH),
    ],
)
def test_good_frames_with_nonsense_inside_are_answered(
    code: int, payload: bytes, answer: ReplyCode
) -> None:
    line = Line()
    line.board.receive(frame(code, 0xBEEF, payload))
    assert line.listen() == [m.Reply(0xBEEF, code, answer)]


@pytest.mark.parametrize(
    "data",
    [
        b"\x01\0",
        b"\x05\x01\x02\0",
        frame(0x49, 1, b"")[:-2] + b"\x77\0",
        frame(0x44, 1, b"\0" * 161),
    ],
)
def test_spoiled_frames_are_counted_and_not_answered(data: bytes) -> None:
    line = Line()
    line.board.receive(data)
    assert line.listen() == []
    line.ticks(50)
    assert next(x for x in line.seen if isinstance(x, m.Sample)).rx_bad == 1


def test_a_resent_command_changes_nothing() -> None:
    line = Line()
    line.light = [10, 0, 0, 0]
    for command in (order(target=500), m.Open(1)):
        assert line.send(command) is ReplyCode.OK
        assert line.send(command, seq=line.seq) is ReplyCode.OK
    line.ticks(10)
    assert line.send(m.Open(1)) is ReplyCode.OK
    line.ticks(20)
    for _ in range(3):
        assert line.send(m.Close(1)) is ReplyCode.OK
    line.ticks(1)
    assert line.send(m.Close(1)) is ReplyCode.OK
    assert line.report().order_sum == 300
    for code in (EventCode.ORDER_ARMED, EventCode.LAMP_OPENED, EventCode.LAMP_CLOSED):
        assert len(line.events(code)) == 1


def test_device_counts_every_frame_it_sends() -> None:
    line = Line(HostBoard(light_channels=4), ready=False)
    line.ticks(500)
    line.send(m.GetLog(0))
    line.send(m.GetOrder())
    line.ticks(200)
    assert line.seqs == list(range(len(line.seqs)))


def test_events_can_be_asked_for_again() -> None:
    line = Line()
    line.open(order())
    line.ticks(5)
    line.send(m.Close(1))
    line.ticks(1)
    first = {e.number: e for e in line.seen if isinstance(e, m.Event)}
    line.seen.clear()
    assert line.send(m.GetLog(4)) is ReplyCode.OK
    again = [e for e in line.seen if isinstance(e, m.Event)]
    assert again == [first[n] for n in sorted(first) if n >= 4]
    assert [EventCode(e.code) for e in again] == [
        EventCode.ORDER_ARMED, EventCode.LAMP_OPENED, EventCode.LAMP_CLOSED,
    ]  # fmt: skip
    assert isinstance(line.seen[-1], m.Reply)


@pytest.mark.parametrize("policy", list(m.SilencePolicy))
def test_silence(policy: m.SilencePolicy) -> None:
    line = Line()
    line.light = [1, 0, 0, 0]
    line.open(order(silence_ticks=100, silence_policy=policy, target=300))
    line.ticks(99)
    assert line.lamp
    line.ticks(1)
    assert line.lamp is (policy is m.SilencePolicy.FINISH)
    line.ticks(400)
    reason = m.CloseReason.DOSE if policy is m.SilencePolicy.FINISH else m.CloseReason.SILENCE
    assert line.report().close_reason == reason
    assert len(line.events(EventCode.HOST_SILENT)) == 1
    line.send(m.Heartbeat())
    assert len(line.events(EventCode.HOST_BACK)) == 1


@pytest.mark.parametrize(
    ("inputs", "reason"), [(2, m.CloseReason.INTERLOCK), (1, m.CloseReason.STOP)]
)
def test_one_open_sample_is_dark_and_latches(inputs: int, reason: m.CloseReason) -> None:
    line = Line()
    line.open(order())
    line.ticks(10)
    line.inputs = inputs
    line.ticks(1)
    assert not line.lamp
    line.inputs = 3
    line.ticks(100)
    assert not line.lamp
    report = line.report()
    assert (report.state, report.close_reason) == (OrderState.CLOSED, reason)
    assert line.send(order(order=2)) is ReplyCode.LATCHED
    assert line.send(m.ResetLatch()) is ReplyCode.OK
    assert line.send(order(order=2)) is ReplyCode.OK


def test_order_is_readable_after_the_host_comes_back() -> None:
    line = Line()
    line.light = [7, 0, 0, 0]
    line.open(order(order=41, target=7000, silence_ticks=50, silence_policy=1))
    line.ticks(5000)
    report = line.report()
    assert (report.order, report.state, report.order_sum) == (41, OrderState.CLOSED, 7000)
    assert report.boot_id == line.board.boot_id
    assert report.close_sum[0] - report.open_sum[0] == 7000
    sample = next(x for x in reversed(line.seen) if isinstance(x, m.Sample))
    assert sample.light_sum[0] > report.close_sum[0]  # the tail shows in the channel's own sum


def test_renewed_output_stays_and_expires_when_forgotten() -> None:
    line = Line()
    mask = 1 << m.Output.BEEPER
    for _ in range(4):
        assert line.send(m.SetOutput(m.Output.BEEPER, 1, 30)) is ReplyCode.OK
        line.ticks(30)
        assert line.board.outputs == mask
    line.ticks(1)
    assert line.board.outputs == 0
    assert [e.arg for e in line.events(EventCode.OUTPUT_EXPIRED)] == [m.Output.BEEPER]
