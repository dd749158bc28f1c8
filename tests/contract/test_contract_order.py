"""The standing order: it ends in the first tick where the running sum is there, and in no other."""

from __future__ import annotations

import itertools
import random
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from contract.conftest import Kind
from contract.line import Line, order
from platelink.link import messages as m
from platelink.link.messages import CloseReason, ReplyCode


def running_sums(line: Line, arm: m.Arm, report: m.OrderReport) -> list[int]:
    """The order's sum after each lit tick, in Python's own numbers, from what was fed."""
    rows = line.rows(report.open_tick + 1, report.close_tick)[:, : line.hello.light_channels]
    steps = (sum(w * int(c) for w, c in zip(arm.weight, row, strict=False)) for row in rows)
    return list(itertools.accumulate(step - arm.bias for step in steps))


def check_dose(line: Line, arm: m.Arm, target: int | None = None) -> m.OrderReport:
    """The order that has just ended did so with no sample late and none early."""
    report = line.closed()
    sums = running_sums(line, arm, report)
    target = arm.target if target is None else target
    assert report.close_reason == CloseReason.DOSE
    assert sums[-1] >= target > max(sums[:-1], default=-(2**63))
    assert (report.order_sum, report.order_target) == (sums[-1], target)
    lit = line.rows(report.open_tick + 1, report.close_tick)
    for i in range(4):
        there = i < line.hello.light_channels
        grown = report.close_sum[i] - report.open_sum[i]
        assert grown == (lit[:, i].sum() if there else 0)
        assert report.close_count[i] - report.open_count[i] == (len(lit) if there else 0)
    return report


@pytest.mark.parametrize("counts", [1, 10, 37, 1023])
def test_lamp_closes_in_the_exact_tick(line: Line, counts: int) -> None:
    line.analog[0] = counts
    for number, lit in enumerate([30, 31, 32, 33, 47, 64, 99, 100, 255, 256, 257, 300], start=1):
        for target in (lit * counts, lit * counts - counts // 2):
            arm = order(order=number, target=target)
            opened = line.open(arm)
            line.ticks(lit)
            report = check_dose(line, arm)
            assert (report.open_tick, report.close_tick) == (opened, opened + lit)


@pytest.mark.parametrize("target", [1, 2, 9, 10, 11, 25])
def test_an_order_of_a_few_ticks(line: Line, target: int) -> None:
    line.analog[0] = 10
    arm = order(target=target)
    line.open(arm)
    line.ticks(5)
    report = check_dose(line, arm)
    assert report.close_tick - report.open_tick == -(-target // 10)


def random_arm(rng: random.Random, number: int, channels: int) -> m.Arm:
    """Weights, bias and target of any size; a target that random light reaches in some ticks."""
    weight = [rng.randrange(1 << rng.randint(0, 16)) for _ in range(channels)] + [0] * 4
    weight[rng.randrange(channels)] |= 1
    mean = 512 * sum(weight)
    bias = rng.choice([0, rng.randrange(mean) // 2, -rng.randrange(mean), -(2**31), mean // 50])
    bias = max(-(2**31), min(bias, 2**31 - 1, mean - 1))
    target = max(1, round((mean - bias) * rng.uniform(0.01, 200.0)))
    return order(order=number, weight=tuple(weight[:4]), bias=bias, target=target)


@pytest.mark.parametrize("seed", range(8))
def test_random_weights_bias_and_light(line: Line, seed: int) -> None:
    rng = random.Random(seed)
    noise = np.random.default_rng(seed)
    for number in range(1, 9):
        arm = random_arm(rng, number, line.hello.light_channels)
        line.analog[:4] = [rng.randrange(1024) for _ in range(4)]
        line.open(arm)
        for _ in range(20):
            if not line.lamp:
                break
            line.feed(noise.integers(0, 1024, (50, 8), dtype=np.uint16))
        assert not line.lamp
        check_dose(line, arm)


def test_sum_past_two_to_the_thirty_two(line: Line) -> None:
    line.analog[0] = 1023
    arm = order(weight=(65535, 0, 0, 0), target=2**33 + 7)
    line.open(arm)
    line.ticks(140)
    report = check_dose(line, arm)
    assert report.order_sum > 2**33


def test_sum_far_below_zero_and_back(line: Line) -> None:
    arm = order(weight=(60000, 0, 0, 0), bias=2**25, target=2**20)
    line.open(arm)  # 33.5 million off in every tick of darkness
    line.ticks(200)
    line.analog[0] = 1023  # 61.4 million on
    line.ticks(300)
    report = check_dose(line, arm)
    assert report.close_tick - report.open_tick > 400


def test_a_channel_that_is_not_there_weighs_nothing(kind: Kind, line: Line) -> None:
    missing = [i for i in range(4) if i >= kind.light_channels]
    for i in missing:
        weight = tuple(int(i == j) for j in range(4))
        assert line.send(order(weight=weight)) is ReplyCode.BAD_VALUE
    line.analog[:4] = [10, 1000, 1000, 1000]
    for i in missing:
        arm = order(
            order=i + 1, weight=tuple(1 if j in (0, i) else 0 for j in range(4)), target=600
        )
        line.open(arm)
        line.ticks(70)
        report = check_dose(line, arm)
        assert report.close_tick - report.open_tick == 60
        assert report.close_sum[i] == report.close_count[i] == 0
    assert line.hello.light_channels + len(missing) == 4


@pytest.mark.parametrize(
    ("guard", "reason"),
    [(49, CloseReason.GUARD), (50, CloseReason.DOSE), (51, CloseReason.DOSE)],
)
def test_guard_one_tick_before_at_and_after_the_dose(
    line: Line, guard: int, reason: CloseReason
) -> None:
    line.analog[0] = 10
    line.open(order(target=500, guard_ticks=guard))
    line.ticks(60)
    report = line.closed()
    assert report.close_reason == reason
    assert report.close_tick - report.open_tick == min(guard, 50)
    assert report.order_sum == 10 * min(guard, 50)


@pytest.mark.parametrize("guard", [1, 2, 20, 700])
def test_guard_ends_a_light_that_no_sensor_sees(line: Line, guard: int) -> None:
    opened = line.open(order(guard_ticks=guard))
    line.ticks(guard)
    report = line.closed()
    assert report.close_reason == CloseReason.GUARD
    assert report.close_tick == opened + guard
    assert report.order_sum == 0


@pytest.mark.parametrize("target", [900, 1700, 5000])
def test_rearm_moves_the_target_of_an_open_order(line: Line, target: int) -> None:
    line.analog[0] = 10
    arm = order(target=1500)
    line.open(arm)
    line.ticks(20)
    assert line.send(m.Rearm(1, target)) is ReplyCode.OK
    line.ticks(600)
    check_dose(line, arm, target)
    assert line.send(m.Rearm(1, 10**6)) is ReplyCode.WRONG_STATE


def test_rearm_to_a_target_already_reached_ends_it_at_the_next_tick(line: Line) -> None:
    line.analog[0] = 10
    line.open(order(target=10**6))
    line.ticks(200)
    assert line.send(m.Rearm(1, 700)) is ReplyCode.OK
    moved = line.handled
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (moved + 1, CloseReason.DOSE)
    assert report.order_sum == 10 * (report.close_tick - report.open_tick)


def test_rearm_of_an_armed_order(line: Line) -> None:
    line.analog[0] = 10
    arm = order(target=10**6)
    line.send(arm)
    assert line.send(m.Rearm(1, 640)) is ReplyCode.OK
    assert line.send(m.Open(1)) is ReplyCode.OK
    line.ticks(100)
    check_dose(line, arm, 640)


@pytest.mark.parametrize("command", [m.Close(1), m.Close(0), m.SetOutput(0, 0, 0)])
def test_close_takes_effect_at_the_next_tick(line: Line, command: Any) -> None:
    line.open(order())
    line.ticks(10)
    assert line.send(command) is ReplyCode.OK
    asked = line.handled
    report = line.closed()
    assert (report.close_tick, report.close_reason) == (asked + 1, CloseReason.HOST)


def test_open_takes_effect_at_the_next_tick(line: Line) -> None:
    opened = line.open(order())
    line.settle()
    assert [(e.tick, e.arg) for e in line.events(m.EventCode.LAMP_OPENED)] == [(opened, 0)]
    report = line.report()
    assert (report.open_tick, report.state) == (opened, m.OrderState.OPEN)


def test_a_new_order_starts_its_sums_at_zero(line: Line) -> None:
    line.analog[0] = 10
    for number in (1, 2, 3):
        arm = order(order=number, target=400)
        line.open(arm)
        line.ticks(50)
        assert check_dose(line, arm).order == number
    line.send(order(order=4))
    report = line.report()
    assert (report.order, report.state, report.order_sum) == (4, m.OrderState.ARMED, 0)
    assert report.open_sum == report.close_sum == (0,) * 4


def test_order_is_readable_after_the_host_comes_back(line: Line) -> None:
    line.analog[0] = 7
    arm = order(order=41, target=7000, silence_ticks=50, silence_policy=1)
    line.open(arm)
    line.ticks(3000)
    report = check_dose(line, arm)
    assert (report.order, report.boot_id) == (41, line.board.boot_id)
    assert line.sample().light_sum[0] > report.close_sum[0]  # the tail shows in the channel's sum


def test_open_report_shows_the_present(line: Line) -> None:
    line.analog[0] = 3
    opened = line.open(order())
    line.ticks(40)
    report = line.report()
    assert report.state == m.OrderState.OPEN
    lit = (report.close_tick - opened) % 2**32
    assert lit >= 40
    assert report.order_sum == report.close_sum[0] - report.open_sum[0] == 3 * lit
    assert report.close_tick == line.handled


def test_wrap_of_the_tick_counter_in_an_order(make_line: Callable[..., Line]) -> None:
    line = make_line(start_tick=2**32 - 300)
    line.analog[0] = 10
    opened = line.open(order(target=3000))
    assert opened > 2**31
    line.ticks(310)
    report = line.closed()
    assert report.close_tick < 2**31
    assert (report.close_tick - opened) % 2**32 == 300
    assert report.order_sum == 3000
    guarded = line.open(order(order=2, guard_ticks=30))
    line.ticks(40)
    assert (line.closed().close_tick - guarded) % 2**32 == 30
    ticks = [sample.tick for sample in line.samples()]
    steps = [(b - a) % 2**32 for a, b in itertools.pairwise(ticks)]
    assert ticks[0] > ticks[-1]
    assert set(steps) == {50}


@pytest.mark.parametrize("what", ["guard", "silence"])
def test_limits_hold_across_the_wrap(make_line: Callable[..., Line], what: str) -> None:
    line = make_line(start_tick=2**32 - 300)
    limits = {"guard_ticks": 300} if what == "guard" else {"silence_ticks": 300}
    opened = line.open(order(**limits))
    line.ticks(310)
    report = line.closed()
    since = opened if what == "guard" else line.beat
    assert (report.close_tick - since) % 2**32 == 300
    assert opened > report.close_tick
