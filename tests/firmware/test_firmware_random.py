"""Whatever the host or the wire does: no crash, and no light that is not allowed."""

from __future__ import annotations

from typing import Any

from firmware_line import Line, frame
from hypothesis import given, settings
from hypothesis import strategies as st

from platelink.link import messages as m

QUICK = settings(max_examples=60, deadline=None)


def near(low: int, high: int) -> st.SearchStrategy[int]:
    """Mostly the numbers that do something, now and then any that fits."""
    return st.one_of(st.integers(0, 40).filter(lambda n: n <= high), st.integers(low, high))


U8, U16, U32 = near(0, 255), near(0, 2**16 - 1), near(0, 2**32 - 1)
ORDERS = st.integers(0, 2)
COMMANDS: st.SearchStrategy[Any] = st.one_of(
    st.builds(m.GetHello, U8),
    st.just(m.Heartbeat()),
    st.builds(m.SetOutput, st.integers(0, 3), st.integers(0, 2), U16),
    st.builds(m.Arm, ORDERS, st.tuples(U16, U16, U16, U16), near(-(2**31), 2**31 - 1),
              near(-(2**63), 2**63 - 1), U32, U16, st.integers(0, 2)),
    st.builds(m.Rearm, ORDERS, near(-(2**63), 2**63 - 1)),
    st.builds(m.Disarm, ORDERS),
    st.builds(m.Open, ORDERS),
    st.builds(m.Close, ORDERS),
    st.just(m.GetOrder()),
    st.just(m.ResetLatch()),
    st.builds(m.SetFrame, U16),
    st.builds(m.GetLog, U16),
)  # fmt: skip


@QUICK
@given(st.lists(st.binary(max_size=300), max_size=10))
def test_random_bytes_never_crash_or_light(chunks: list[bytes]) -> None:
    line = Line()
    for chunk in chunks:
        line.board.receive(chunk)
        line.ticks(3)  # each frame that comes back is checked whole
        assert line.board.outputs == 0
    line.board.receive(b"\0")
    assert line.send(m.Close(0)) is m.ReplyCode.OK  # and the line works on


@QUICK
@given(st.lists(st.tuples(st.integers(0x40, 0x50), st.binary(max_size=40)), max_size=20))
def test_random_payloads_never_crash_or_light(frames: list[tuple[int, bytes]]) -> None:
    line = Line()
    line.inputs = 0
    for seq, (code, payload) in enumerate(frames):
        line.board.receive(frame(code, seq, payload))
        line.ticks(2)
        assert not line.lamp
    answered = [x.seq for x in line.seen if isinstance(x, m.Reply)]
    silent = [seq for seq, (code, payload) in enumerate(frames) if (code, payload) == (0x42, b"")]
    assert sorted(answered + silent) == list(range(len(frames)))


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.lists(COMMANDS, max_size=4), st.integers(0, 15), st.integers(1, 40), U16),
        max_size=30,
    )
)
def test_no_light_without_order_interlock_and_released_stop(
    steps: list[tuple[list[Any], int, int, int]],
) -> None:
    line = Line()
    for commands, inputs, ticks, light in steps:
        for command in commands:
            line.send(command)
        line.inputs = inputs if inputs < 3 else 3
        line.light = [light, 0, 0, 0]
        line.ticks(ticks)
        if line.inputs != 3:
            assert not line.lamp
        report = line.report()
        assert line.lamp is (report.state == m.OrderState.OPEN)
        if line.lamp:
            assert report.order_sum < report.order_target


@QUICK
@given(st.lists(st.integers(0, 1023), min_size=2, max_size=200), st.data())
def test_order_ends_in_the_tick_where_the_running_sum_passes(
    light: list[int], data: st.DataObject
) -> None:
    weight = data.draw(st.integers(1, 65535))
    bias = data.draw(st.integers(-(2**31), 2**31 - 1))
    target = data.draw(st.integers(1, max(1, (sum(light) + 5) * weight)))
    line = Line()
    line.open(m.Arm(1, (weight, 0, 0, 0), bias, target, 10**6, 60000, 0))
    line.ticks(1)
    total, expected = 0, None
    for n, counts in enumerate(light, start=1):
        line.light = [counts, 0, 0, 0]
        line.ticks(1)
        if expected is None:
            total += weight * counts - bias
            expected = n if total >= target else None
        assert line.lamp is (expected is None)
    report = line.report()
    assert report.order_sum == total
    if expected is not None:
        assert report.close_tick - report.open_tick == expected
