"""Whatever the host or the line does: no crash, and no light that is not allowed."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from typing import Any

from hypothesis import given, settings
from hypothesis import strategies as st

from contract.conftest import Kind
from contract.line import Line, frame
from platelink.link import messages as m


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
    st.builds(m.GetLog, U16),
)  # fmt: skip


def for_any(
    line: Line, strategy: st.SearchStrategy[Any], examples: int
) -> Callable[[Callable[[Any], None]], None]:
    """Run the decorated body for so many drawn values, each on the board switched on anew."""

    def run(body: Callable[[Any], None]) -> None:
        @settings(max_examples=examples, deadline=None, derandomize=True, database=None)
        @given(strategy)
        def example(value: Any) -> None:
            line.inputs = 3
            line.analog = [0] * 8
            line.reset(m.ResetCause.POWER_ON)
            line.ticks(25)
            line.send(m.Heartbeat())
            line.settle()
            line.seen.clear()
            body(value)

        example()

    return run


def test_random_bytes_never_crash_or_light(kind: Kind, line: Line) -> None:
    @for_any(line, st.lists(st.binary(max_size=150), max_size=10), kind.examples)
    def body(chunks: list[bytes]) -> None:
        for chunk in chunks:
            line.deliver(chunk)
            line.ticks(3)  # each frame that comes back is checked whole
            assert line.board.outputs == 0
        line.deliver(b"\0")
        assert line.send(m.Close(0)) is m.ReplyCode.OK  # and the line works on


def test_random_payloads_never_crash_or_light(kind: Kind, line: Line) -> None:
    frames = st.lists(st.tuples(st.integers(0x40, 0x50), st.binary(max_size=40)), max_size=12)

    @for_any(line, frames, kind.examples)
    def body(frames: list[tuple[int, bytes]]) -> None:
        line.inputs = 0
        for seq, (code, payload) in enumerate(frames):
            line.deliver(frame(code, seq, payload))
            line.ticks(16)
            assert not line.lamp
        line.settle()
        answered = [x.seq for x in line.seen if isinstance(x, m.Reply)]
        silent = [
            seq for seq, (code, payload) in enumerate(frames) if (code, payload) == (0x42, b"")
        ]
        assert sorted(answered + silent) == list(range(len(frames)))


def test_no_light_without_order_interlock_and_released_stop(kind: Kind, line: Line) -> None:
    steps = st.lists(
        st.tuples(st.lists(COMMANDS, max_size=4), st.integers(0, 15), st.integers(1, 40),
                  st.integers(0, 1023)), max_size=15,
    )  # fmt: skip

    @for_any(line, steps, 2 * kind.examples)
    def body(steps: list[tuple[list[Any], int, int, int]]) -> None:
        for commands, inputs, ticks, light in steps:
            for command in commands:
                line.send(command)
            line.inputs = inputs if inputs < 3 else 3
            line.analog[0] = light
            line.ticks(ticks)
            if line.inputs != 3:
                assert not line.lamp
            sample = line.sample()
            assert bool(sample.outputs & 1) is (sample.order_state == m.OrderState.OPEN)
            if sample.order_state == m.OrderState.OPEN:
                assert sample.order_sum < sample.order_target
        check_sums(line)


def check_sums(line: Line) -> None:
    """Within a boot no sum goes back, and none grows by more than the converter can give."""
    for before, after in itertools.pairwise(line.samples()):
        ticks = after.tick - before.tick
        for i in range(line.hello.light_channels):
            assert after.light_count[i] - before.light_count[i] == ticks
            assert 0 <= after.light_sum[i] - before.light_sum[i] <= 1023 * ticks
