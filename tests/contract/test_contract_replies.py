"""Every command from every state, and the code of its reply."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from contract.line import SETTLED_TICKS, Line, frame, order
from platelink.link import messages as m
from platelink.link.messages import ReplyCode

NO_INTERLOCK = int(m.Input.STOP_RELEASED)
NO_STOP = int(m.Input.INTERLOCK_CLOSED)


def fresh(line: Line) -> None:
    line.ticks(SETTLED_TICKS)
    line.send(m.Heartbeat())


def unsettled(line: Line) -> None:
    line.inputs = 0
    line.send(m.Heartbeat())


def stop_never_out(line: Line) -> None:
    line.inputs = NO_STOP
    line.ticks(SETTLED_TICKS)


def armed(line: Line) -> None:
    fresh(line)
    line.send(order())


def alone(line: Line) -> None:
    fresh(line)
    line.send(order(silence_ticks=40))
    line.ticks(60)


def opened(line: Line) -> None:
    fresh(line)
    line.open(order())
    line.ticks(2)


def closed(line: Line) -> None:
    opened(line)
    line.send(m.Close(1))
    line.ticks(2)


def lid_open(line: Line) -> None:
    fresh(line)
    line.inputs = NO_INTERLOCK
    line.ticks(2)


def lid_shut_again(line: Line) -> None:
    lid_open(line)
    line.inputs = 3
    line.ticks(SETTLED_TICKS)


def stopped(line: Line) -> None:
    fresh(line)
    line.inputs = NO_STOP
    line.ticks(2)


def armed_then_lid_open(line: Line) -> None:
    armed(line)
    line.inputs = NO_INTERLOCK
    line.ticks(2)


def armed_then_stop_pressed_and_out(line: Line) -> None:
    armed(line)
    line.inputs = NO_STOP
    line.ticks(2)
    line.inputs = 3
    line.ticks(SETTLED_TICKS)


def closed_by_the_lid(line: Line) -> None:
    opened(line)
    line.inputs = NO_INTERLOCK
    line.ticks(2)


STATES: list[Callable[[Line], None]] = [
    fresh, unsettled, stop_never_out, armed, alone, opened, closed, lid_open, lid_shut_again,
    stopped, armed_then_lid_open, armed_then_stop_pressed_and_out, closed_by_the_lid,
]  # fmt: skip
ARMED = {armed, alone, armed_then_lid_open, armed_then_stop_pressed_and_out}
LATCHED = {lid_open, lid_shut_again, stopped, armed_then_lid_open,
           armed_then_stop_pressed_and_out, closed_by_the_lid}  # fmt: skip
SAYS_OPEN = {unsettled, lid_open, armed_then_lid_open, closed_by_the_lid}
SAYS_STOPPED = {stop_never_out, stopped}
CLOSED = {closed, closed_by_the_lid}

BAD_ARMS = [
    order(order=0), order(target=0), order(target=-5), order(target=2**62 + 1),
    order(weight=(0, 0, 0, 0)), order(guard_ticks=0), order(silence_ticks=0),
    order(guard_ticks=1_810_001), order(guard_ticks=2**32 - 1),
    order(silence_policy=2), order(silence_policy=255),
]  # fmt: skip
ALWAYS: dict[ReplyCode, list[Any]] = {
    ReplyCode.OK: [
        m.GetHello(1), m.GetOrder(), m.GetLog(0), m.GetLog(3), m.SetFrame(10), m.SetFrame(1000),
        m.SetOutput(1, 1, 1), m.SetOutput(2, 1, 60000), m.SetOutput(1, 0, 0),
        m.SetOutput(2, 0, 65535), m.SetOutput(0, 0, 0), m.Close(0),
    ],
    ReplyCode.WRONG_PROTOCOL: [m.GetHello(0), m.GetHello(2)],
    ReplyCode.BAD_VALUE: [
        m.SetFrame(0), m.SetFrame(9), m.SetFrame(1001), m.SetFrame(65535), m.SetOutput(0, 1, 1),
        m.SetOutput(3, 1, 1), m.SetOutput(255, 0, 0), m.SetOutput(1, 2, 5), m.SetOutput(1, 1, 0),
        m.SetOutput(2, 1, 60001),
    ],
    ReplyCode.WRONG_ORDER: [m.Close(2)],
    ReplyCode.UNKNOWN_TYPE: [m.GetSupply()],  # these boards do not measure it
}  # fmt: skip


def light_refusal(state: Callable[[Line], None]) -> ReplyCode:
    """Why light is not allowed: section 6."""
    if state in LATCHED:
        return ReplyCode.LATCHED
    if state in SAYS_OPEN:
        return ReplyCode.INTERLOCK_OPEN
    return ReplyCode.STOP_PRESSED if state in SAYS_STOPPED else ReplyCode.OK


def expected(state: Callable[[Line], None]) -> list[tuple[Any, ReplyCode]]:
    """Every command and its reply in that state: section 7 as a table."""
    ok, wrong_state, wrong_order = ReplyCode.OK, ReplyCode.WRONG_STATE, ReplyCode.WRONG_ORDER
    is_open, is_armed = state is opened, state in ARMED
    has_order_1 = is_armed or is_open or state in CLOSED
    may_light = light_refusal(state)
    latch = (
        ReplyCode.INTERLOCK_OPEN if state in SAYS_OPEN
        else ReplyCode.STOP_PRESSED if state in SAYS_STOPPED else ok
    )  # fmt: skip
    found = [(command, code) for code, commands in ALWAYS.items() for command in commands]
    found += [(arm, wrong_state if is_open else ReplyCode.BAD_VALUE) for arm in BAD_ARMS]
    found += [(order(order=2), wrong_state if is_open else may_light)]
    found += [(m.ResetLatch(), latch)]
    live = is_open or is_armed
    found += [(m.Rearm(1, 5), ok if live else wrong_state)]
    found += [(m.Rearm(2, 5), wrong_order if live else wrong_state)]
    for target in (0, -1, 2**62 + 1):
        found += [(m.Rearm(1, target), ReplyCode.BAD_VALUE if live else wrong_state)]
    dark_end = wrong_state if is_open or state in CLOSED else ok
    found += [(m.Disarm(1), dark_end), (m.Disarm(2), wrong_order if is_armed else dark_end)]
    opening = ReplyCode.HOST_SILENT if state is alone else may_light
    found += [(m.Open(1), ok if is_open else opening if is_armed else wrong_state)]
    found += [(m.Open(2), wrong_order if live else wrong_state)]
    closing = wrong_state if is_armed else ok if has_order_1 else wrong_order
    return [*found, (m.Close(1), closing)]


HARMLESS = (m.GetHello, m.GetOrder, m.GetLog)


@pytest.mark.parametrize("state", STATES, ids=lambda state: state.__name__)
def test_refusals_and_questions_change_nothing(
    state: Callable[[Line], None], make_line: Callable[..., Line]
) -> None:
    line = make_line(ready=False)
    state(line)
    before, lamp = line.report(), line.lamp
    tried = 0
    for command, code in expected(state):
        if code is not ReplyCode.OK or isinstance(command, HARMLESS):
            assert line.send(command) is code, command
            tried += 1
    assert tried > 20
    after = line.report()
    if state is opened:  # an open order's report shows the present
        after = after._replace(**{k: getattr(before, k) for k in ("close_tick", "close_count")})
    assert (after, line.lamp) == (before, lamp)
    assert line.send(m.GetHello(1)) is ReplyCode.OK
    assert next(x for x in reversed(line.seen) if isinstance(x, m.Hello)).frame_ticks == 50


ACCEPTED = [
    (state, command)
    for state in STATES
    for command, code in expected(state)
    if code is ReplyCode.OK and not isinstance(command, (*HARMLESS, m.SetFrame))
]


@pytest.mark.parametrize(
    ("state", "command"),
    ACCEPTED,
    ids=lambda x: x.__name__ if callable(x) else "-".join(map(str, [type(x).__name__, *x])),
)
def test_accepted(
    state: Callable[[Line], None], command: Any, make_line: Callable[..., Line]
) -> None:
    line = make_line(ready=False)
    state(line)
    assert line.send(command) is ReplyCode.OK


def test_every_command_and_every_code_is_among_the_cases() -> None:
    cases = [case for state in STATES for case in expected(state)]
    assert {type(command) for command, _ in cases} == {
        cls for cls in m.TYPES.values() if m.CODES[cls] >= 0x40
    } - {m.Heartbeat}
    assert {code for _, code in cases} | {ReplyCode.BAD_LENGTH} == set(ReplyCode)


@pytest.mark.parametrize(
    ("code", "payload", "answer"),
    [
        (0x40, b"", ReplyCode.UNKNOWN_TYPE),
        (0x4D, b"", ReplyCode.UNKNOWN_TYPE),
        (0xFF, b"\xff" * 160, ReplyCode.UNKNOWN_TYPE),
        *[(m.CODES[cls], b"\1" * (m.SIZES[m.CODES[cls]] + more), ReplyCode.BAD_LENGTH)
          for cls in m.TYPES.values() if m.CODES[cls] > 0x40
          for more in (-1, 1) if m.SIZES[m.CODES[cls]] + more >= 0],
        (0x44, b"\0" * 160, ReplyCode.BAD_LENGTH),
    ],
)  # fmt: skip
def test_good_frames_with_nonsense_inside_are_answered(
    line: Line, code: int, payload: bytes, answer: ReplyCode
) -> None:
    line.deliver(frame(code, 0xBEEF, payload))
    assert line.answer(0xBEEF) == m.Reply(0xBEEF, code, answer)
    assert line.sample().rx_bad == 0


@pytest.mark.parametrize("code", [0x00, 0x01, 0x02, 0x03, 0x04, 0x05, 0x06, 0x3F])
def test_frames_that_travel_from_the_device_are_dropped_and_counted(line: Line, code: int) -> None:
    line.settle()
    line.seen.clear()
    for payload in (b"", b"\0" * m.SIZES.get(code, 40)):
        line.deliver(frame(code, 0xBEEF, payload))
        line.settle()
    assert [x for x in line.seen if not isinstance(x, m.Sample)] == []
    assert line.sample().rx_bad == 2
    assert line.send(m.GetHello(1)) is ReplyCode.OK


def test_a_repeated_arm_is_compared_with_what_the_order_is_now(line: Line) -> None:
    arm = order(target=5000)
    assert line.send(arm) is ReplyCode.OK
    assert line.send(m.Rearm(1, 6000)) is ReplyCode.OK
    assert line.send(arm._replace(target=6000)) is ReplyCode.OK
    line.settle()
    assert len(line.events(m.EventCode.ORDER_ARMED)) == 1
    assert line.send(arm) is ReplyCode.OK  # another order by now
    line.settle()
    assert len(line.events(m.EventCode.ORDER_ARMED)) == 2
    assert line.report().order_target == 5000


def shown(line: Line) -> tuple[int, ...]:
    """Number, state, reason, target and sum as the next Sample shows them; a report says the
    same, and for an order that never opened nothing more."""
    sample, report = line.sample(), line.report()
    fields = (sample.order, sample.order_state, sample.close_reason, sample.order_target,
              sample.order_sum)  # fmt: skip
    assert fields == (report.order, report.state, report.close_reason, report.order_target,
                      report.order_sum)  # fmt: skip
    if report.state in (m.OrderState.NONE, m.OrderState.ARMED):
        assert (report.open_tick, report.close_tick) == (0, 0)
        assert report.open_sum == report.close_sum == (0,) * 4
        assert report.open_count == report.close_count == (0,) * 4
    return fields


def test_what_is_shown_after_arm_and_after_disarm(line: Line) -> None:
    line.analog[0] = 10
    assert shown(line) == (0, 0, 0, 0, 0)
    line.open(order(order=7, guard_ticks=40))
    line.ticks(50)
    assert shown(line) == (7, m.OrderState.CLOSED, m.CloseReason.GUARD, 10**9, 400)
    assert line.send(order(order=8, target=777)) is ReplyCode.OK
    assert shown(line) == (8, m.OrderState.ARMED, m.CloseReason.NONE, 777, 0)
    assert line.send(m.Disarm(8)) is ReplyCode.OK
    logged = line.sample().events
    assert shown(line) == (8, m.OrderState.NONE, m.CloseReason.NONE, 777, 0)
    assert line.send(m.Disarm(99)) is ReplyCode.OK  # as wished, whatever its number
    assert line.send(m.Close(8)) is ReplyCode.WRONG_STATE
    assert line.send(m.Close(7)) is ReplyCode.WRONG_ORDER
    assert line.send(m.Open(8)) is ReplyCode.WRONG_STATE
    assert line.sample().events == logged  # nothing of it is an event


def test_a_resent_command_changes_nothing(line: Line) -> None:
    line.analog[0] = 10
    for command in (order(target=5000), m.Open(1)):
        assert line.send(command) is ReplyCode.OK
        assert line.send(command, seq=line.seq) is ReplyCode.OK
    line.ticks(10)
    assert line.send(m.Open(1)) is ReplyCode.OK
    for _ in range(3):
        assert line.send(m.Close(1)) is ReplyCode.OK
    report = line.closed()
    assert line.send(m.Close(1)) is ReplyCode.OK
    assert report.order_sum == 10 * (report.close_tick - report.open_tick)
    for code in (
        m.EventCode.ORDER_ARMED, m.EventCode.LAMP_OPENED, m.EventCode.LAMP_CLOSED,
    ):  # fmt: skip
        assert len(line.events(code)) == 1


def test_disarm_and_latch_reset_repeated(line: Line) -> None:
    line.send(order())
    for _ in range(2):
        assert line.send(m.Disarm(1)) is ReplyCode.OK
        assert line.send(m.ResetLatch()) is ReplyCode.OK
    line.settle()
    assert line.report().state == m.OrderState.NONE
    assert line.events(m.EventCode.LATCH_RESET) == []
