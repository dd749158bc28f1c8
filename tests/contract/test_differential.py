"""The same words, inputs and light to two boards: they must say and do the same, tick by tick.

What may differ, and why:

- ``Hello.board`` and every ``boot_id`` name the board; ``SUMS_SURVIVE_RESET`` is a memory one has.
- The host board's line has no speed. So here nothing is asked for when a Sample is about to be due,
  and no interval is set that 115,200 baud cannot carry: then a board with a real line drops
  nothing either, and every frame and sequence number is compared.
- When the last byte of a command comes in a tick in which a Sample is written, a small machine
  carries it out after the next tick. ``Line.deliver`` keeps away from those.
"""

from __future__ import annotations

import itertools
from collections import Counter
from typing import Any, NamedTuple

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from contract.conftest import AVR, AVR_4, HOST, Kind
from contract.line import Line, frame
from contract.test_contract_random import COMMANDS, ORDERS, near
from platelink.link import messages as m

ANSWERED_TICKS = 30
"""An OrderReport with its Reply takes 13 ticks on the line, a replayed log 22."""


class Said(NamedTuple):
    """One thing the host does: bytes on the line."""

    wire: bytes
    frame_ticks: int = 0
    """The interval that a good SetFrame among them sets."""


class Step(NamedTuple):
    """What the host says, then what the unit is like for some ticks."""

    said: Said | None
    inputs: int
    light: int
    """Largest counts; a noise of its own for each step."""
    ticks: int
    seed: int


def on_the_wire(command: Any, seq: int) -> Said:
    code, payload = m.pack(command)
    good = isinstance(command, m.SetFrame) and 10 <= command.frame_ticks <= 1000
    return Said(frame(code, seq, payload), command.frame_ticks if good else 0)


def spoilt(wire: bytes, at: int, flip: int) -> Said:
    changed = bytearray(wire)
    changed[at % (len(wire) - 1)] ^= flip
    return Said(bytes(changed))


LIVELY = st.builds(
    m.Arm, st.integers(1, 2), st.tuples(st.integers(1, 300), *[st.integers(0, 300)] * 3),
    st.integers(-200, 200), st.integers(1, 2_000_000), st.integers(1, 400), st.integers(60, 900),
    st.integers(0, 1),
)  # fmt: skip
FRAMES = st.builds(m.SetFrame, st.one_of(st.integers(60, 1000), st.sampled_from([0, 9, 1001])))
TALK = st.one_of(
    COMMANDS, FRAMES, LIVELY,
    st.builds(m.SetOutput, st.integers(1, 2), st.just(1), st.integers(1, 300)),
    st.just(m.Heartbeat()), st.just(m.Heartbeat()),
    st.builds(m.Open, st.integers(1, 2)), st.builds(m.Open, st.integers(1, 2)),
    st.builds(m.Rearm, ORDERS, st.integers(1, 500_000)), st.just(m.ResetLatch()),
)  # fmt: skip
SEQS = st.integers(0, 65535)
SAYINGS = st.one_of(
    st.builds(on_the_wire, TALK, SEQS),
    st.builds(on_the_wire, TALK, SEQS),
    st.builds(on_the_wire, TALK, SEQS),
    st.builds(
        spoilt, st.builds(lambda c, s: on_the_wire(c, s).wire, TALK, SEQS),
        st.integers(0, 50), st.integers(1, 255),
    ),
    st.builds(
        lambda code, seq, payload: Said(frame(code, seq, payload)),
        st.integers(0, 255).filter(lambda code: code != m.CODES[m.SetFrame]), SEQS,
        st.binary(max_size=60),
    ),
    st.binary(min_size=1, max_size=80).map(Said),
    st.none(),
)  # fmt: skip
MOSTLY_SAFE = st.sampled_from([3] * 12 + [1, 2, 0])
RANDOM_STEP = st.builds(
    Step, SAYINGS, MOSTLY_SAFE, st.integers(0, 1023), st.integers(0, 120), near(0, 2**32 - 1)
)


def quietly(*commands: Any) -> list[Step]:
    return [Step(on_the_wire(command, 7), 3, 0, 0, 0) for command in commands]


# What random talk alone would hardly ever do: get light, meet a limit, and start again.
EXPOSURE = st.builds(
    lambda arm, step: [
        Step(None, 3, 0, 25, 0), *quietly(m.ResetLatch(), m.Heartbeat(), arm, m.Open(arm.order)),
        step,
    ],
    LIVELY, RANDOM_STEP,
)  # fmt: skip
STEPS = st.lists(st.one_of(EXPOSURE, RANDOM_STEP.map(lambda step: [step])), min_size=3, max_size=20)


def live(line: Line, phrases: list[list[Step]]) -> None:
    """One board lives through it all; the ticks are the same on any."""
    again = b""
    for step in itertools.chain.from_iterable(phrases):
        rng = np.random.default_rng(step.seed)
        said = step.said
        if said is not None:
            line.clear(after=15, before=ANSWERED_TICKS)
            line.deliver(said.wire)
            if said.frame_ticks and not again:
                line.interval(said.frame_ticks)
            again = b"" if said.wire.endswith(b"\0") else said.wire  # swallows the next frame
            line.ticks(ANSWERED_TICKS)
        line.inputs = step.inputs
        if step.ticks:
            line.feed(rng.integers(0, step.light + 1, (step.ticks, 8), dtype=np.uint16))
    line.inputs = 3
    line.clear(after=15, before=ANSWERED_TICKS)
    line.deliver(b"\0" + frame(m.CODES[m.GetOrder], 1, b""))
    line.ticks(1000)  # a Sample of any interval, and all of the log
    line.settle()


def same(message: Any) -> Any:
    """A message without what names the board."""
    if isinstance(message, m.Hello):
        kept = message.capabilities & ~m.Capability.SUMS_SURVIVE_RESET
        return message._replace(board=0, boot_id=0, capabilities=kept)
    return message._replace(boot_id=0) if isinstance(message, m.OrderReport) else message


@pytest.fixture
def twin(kind: Kind) -> Line:
    """The host board, with the other board's channels and capabilities."""
    return Line(
        HOST.make(
            light_channels=kind.light_channels, capabilities=kind.capabilities, boot_id=99
        ), ready=False,
    )  # fmt: skip


@pytest.mark.parametrize("kind", [AVR, AVR_4], ids=lambda kind: kind.name)
def test_two_boards_say_and_do_the_same(kind: Kind, line: Line, twin: Line) -> None:
    met: Counter[str] = Counter()

    @settings(max_examples=3 * kind.examples, deadline=None, derandomize=True, database=None)
    @given(STEPS)
    def example(phrases: list[list[Step]]) -> None:
        for one in (line, twin):
            one.inputs = 3
            one.restart(m.ResetCause.POWER_ON)
            one.ticks(40)
            live(one, phrases)
        assert line.pins == twin.pins
        assert [same(x) for x in line.seen] == [same(x) for x in twin.seen]
        assert line.seqs == twin.seqs
        assert line.tick == twin.tick
        met.update(type(x).__name__ for x in line.seen)
        met.update(m.ReplyCode(x.code).name for x in line.seen if isinstance(x, m.Reply))
        met.update(m.EventCode(x.code).name for x in line.seen if isinstance(x, m.Event))

    example()
    assert met["LAMP_CLOSED"] > 20, met  # the drawn cases are not empty talk
    assert len(met) > 15, met
