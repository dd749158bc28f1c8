"""The device's own limits of light: of one order, and of any hour, whatever a host asks for.

An hour of light takes long to simulate. So all but the first tests have boards built with limits of
fractions of a second; the firmware is the same, and so is the number of slices in its hour.
"""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from contract.conftest import Kind
from contract.line import LAMP, Line, order
from platelink.link import messages as m
from platelink.link.messages import CloseReason, ReplyCode, SilencePolicy
from platesim.board import LightLimits

SMALL = LightLimits(order=400, hour_lit=1000, hour=2400)
SLICES, STEP = 12, 64
SLICE = SMALL.hour // SLICES
FINISH = SilencePolicy.FINISH


@pytest.fixture
def small(make_line: Callable[..., Line]) -> Line:
    """A board with small limits."""
    return make_line(limits=SMALL)


def arm(line: Line, guard: int, number: int = 1) -> ReplyCode:
    code = line.send(order(order=number, guard_ticks=guard, silence_policy=FINISH))
    assert code is not None
    return code


def shine(line: Line, guard: int, number: int = 1) -> m.OrderReport:
    """Light for its guard time under a host that says nothing."""
    line.open(order(order=number, guard_ticks=guard, silence_policy=FINISH, silence_ticks=40))
    line.ticks(guard)
    report = line.closed()
    assert report.close_reason == CloseReason.GUARD
    return report


def lit_ticks(line: Line) -> Any:
    """True for each tick since the start in which the lamp was on, from the pins alone."""
    lit = np.zeros((line.tick - line.base) % 2**32 + 1, bool)
    edges = [((tick - line.base) % 2**32, bool(outputs & LAMP)) for tick, outputs in line.pins]
    for (begin, on), (end, _) in itertools.pairwise([*edges, (len(lit) - 1, False)]):
        lit[begin + 1 : end + 1] = on
    return lit


def left(line: Line) -> int:
    """What the hour left when the last command was carried out: without the light of that slice
    and of the twelve before it. The device may hold back less than one step more, which it carries
    from slice to slice."""
    at = (line.handled - line.base) % 2**32
    return SMALL.hour_lit - int(
        lit_ticks(line)[max(0, at // SLICE - SLICES) * SLICE + 1 : at + 1].sum()
    )


def check_any_hour(line: Line) -> None:
    sums = np.cumsum(lit_ticks(line))
    assert (sums[SMALL.hour :] - sums[: -SMALL.hour]).max(initial=0) <= SMALL.hour_lit
    assert sums[: SMALL.hour].max() <= SMALL.hour_lit


@pytest.mark.parametrize(
    ("guard", "code"),
    [(1_810_000, ReplyCode.OK), (1_810_001, ReplyCode.BAD_VALUE), (2_700_000, ReplyCode.BAD_VALUE),
     (2**31, ReplyCode.BAD_VALUE), (2**32 - 1, ReplyCode.BAD_VALUE)],
)  # fmt: skip
def test_an_order_may_last_half_an_hour(line: Line, guard: int, code: ReplyCode) -> None:
    assert line.send(order(guard_ticks=guard)) is code


@pytest.mark.parametrize("kind", ["host"], indirect=True)
def test_an_hour_takes_forty_five_minutes_of_light(kind: Kind, line: Line) -> None:
    """The limits as built, on the board that can live through them in a moment."""
    line.send(m.SetFrame(1000))
    opened = line.open(order(guard_ticks=1_810_000, silence_policy=FINISH, silence_ticks=500))
    line.board.spoil_guard(2**32 - 1)
    line.ticks(1_900_000)
    assert line.closed().close_tick - opened == 1_810_000
    assert arm(line, 890_001) is ReplyCode.BAD_VALUE
    assert shine(line, 890_000).close_reason == CloseReason.GUARD
    assert arm(line, 1) is ReplyCode.BAD_VALUE
    line.ticks(3_600_000 - 2_700_000)
    assert arm(line, 1) is ReplyCode.BAD_VALUE  # the slice of the first light is not forgotten yet
    line.ticks(300_000)
    assert arm(line, 250_000) is ReplyCode.OK


def test_the_longest_order_ends_by_its_guard(small: Line) -> None:
    assert arm(small, SMALL.order + 1) is ReplyCode.BAD_VALUE
    report = shine(small, SMALL.order)
    assert report.close_tick - report.open_tick == SMALL.order


def test_a_spoiled_guard_does_not_lengthen_an_order(small: Line) -> None:
    opened = small.open(order(guard_ticks=50, silence_policy=FINISH))
    small.board.spoil_guard(2**32 - 1)
    small.ticks(SMALL.order + 100)
    report = small.closed()
    assert report.close_tick - opened == SMALL.order
    assert report.close_reason == CloseReason.GUARD


def test_a_spoiled_guard_does_not_lengthen_the_hour(small: Line) -> None:
    for number in (1, 2):
        shine(small, SMALL.order, number)
    opened = small.open(order(order=3, guard_ticks=50, silence_policy=FINISH))
    small.board.spoil_guard(2**32 - 1)
    small.ticks(SMALL.order)
    report = small.closed()
    assert report.close_tick - opened == SMALL.hour_lit - 2 * SMALL.order
    assert report.close_reason == CloseReason.GUARD
    check_any_hour(small)


def test_what_the_hour_leaves_is_taken_to_the_tick_and_comes_back(small: Line) -> None:
    for number in (1, 2):
        shine(small, SMALL.order, number)
    rest = SMALL.hour_lit - 2 * SMALL.order
    assert arm(small, rest + 1, 3) is ReplyCode.BAD_VALUE
    assert small.report().order == 2  # what was refused changed nothing
    assert shine(small, rest, 3).close_reason == CloseReason.GUARD
    assert arm(small, 1, 4) is ReplyCode.BAD_VALUE
    small.ticks(SMALL.hour + SLICE)
    assert arm(small, SMALL.order, 4) is ReplyCode.OK


def test_neither_rearm_nor_disarm_nor_a_close_gives_light_back(small: Line) -> None:
    lit = 0
    for number in range(1, 100):
        if arm(small, 150, number) is not ReplyCode.OK:
            break
        assert small.send(m.Disarm(number)) is ReplyCode.OK
        small.open(order(order=number, guard_ticks=150))
        assert small.send(m.Rearm(number, 2**40)) is ReplyCode.OK
        small.ticks(120)
        small.send(m.Close(number))
        report = small.closed()
        lit += report.close_tick - report.open_tick
    assert SMALL.hour_lit - 150 < lit <= SMALL.hour_lit
    check_any_hour(small)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_no_way_of_asking_gets_more_than_an_hour_allows(small: Line, seed: int) -> None:
    rng = random.Random(seed)
    answers = []
    for number in range(1, 41):
        small.ticks(rng.choice([1, 30, 200, 500]))
        small.send(m.Heartbeat())
        most = min(SMALL.order, left(small))
        guard = max(1, most + rng.choice([-STEP, -STEP, -1, 0, 1]))
        answers.append(arm(small, guard, number))
        most = min(SMALL.order, left(small))
        if guard > most or answers[-1] is not ReplyCode.OK:
            assert guard > min(most, left(small) - STEP + 1)
            assert answers[-1] is ReplyCode.BAD_VALUE
            continue
        report = shine_or_close(small, rng, guard, number)
        if report.close_reason == CloseReason.GUARD:  # what was taken is not cut short
            assert report.close_tick - report.open_tick == guard
    assert min(answers.count(ReplyCode.OK), answers.count(ReplyCode.BAD_VALUE)) > 5
    check_any_hour(small)


def shine_or_close(line: Line, rng: random.Random, guard: int, number: int) -> m.OrderReport:
    """Light by an order that stands armed, ended by its guard or before."""
    line.send(m.Heartbeat())
    assert line.send(m.Open(number)) is ReplyCode.OK
    opened = line.handled + 1
    if rng.random() < 0.5:
        line.ticks(rng.randrange(guard))
        line.send(m.Close(number))
    line.ticks(max(0, opened + guard - line.tick))
    return line.closed()


@pytest.mark.parametrize(
    "cause", [m.ResetCause.POWER_ON, m.ResetCause.EXTERNAL, m.ResetCause.WATCHDOG]
)
def test_the_hour_is_remembered_with_the_sums(small: Line, cause: m.ResetCause) -> None:
    for number in (1, 2):
        shine(small, SMALL.order, number)
    shine(small, 150, 3)
    small.reset(cause)
    small.ticks(30)
    small.settle()
    hello = [x for x in small.seen if isinstance(x, m.Hello)][-1]
    kept = hello.capabilities & m.Capability.SUMS_SURVIVE_RESET and small.base
    assert arm(small, 51, 4) is (ReplyCode.BAD_VALUE if kept else ReplyCode.OK)
    assert arm(small, 50, 4) is ReplyCode.OK
