"""The device's own bandgap against the converter's reference, on every board."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from contract.line import Line
from platelink.link import messages as m
from platelink.link.messages import Capability, ReplyCode
from platesim.board import ALL_CAPABILITIES

BANDGAP = 7


def supplies(line: Line) -> list[m.Supply]:
    return [x for x in line.seen if isinstance(x, m.Supply)]


def test_it_is_told_when_asked_and_covers_the_ticks_since(make_line: Callable[..., Line]) -> None:
    line = make_line(capabilities=ALL_CAPABILITIES | Capability.SUPPLY)
    assert line.hello.capabilities & Capability.SUPPLY
    rng = np.random.default_rng(5)
    assert line.send(m.GetSupply()) is ReplyCode.OK
    line.settle()
    first = supplies(line)[-1]
    for ticks in (300, 77):
        rows = rng.integers(0, 1024, (ticks, 8), dtype=np.uint16)
        rows[:, BANDGAP] = rng.integers(210, 240, ticks)
        line.feed(rows)
        assert line.send(m.GetSupply()) is ReplyCode.OK
        line.settle()
        told = supplies(line)[-1]
        window = line.rows((first.tick + 1) % 2**32, told.tick)[:, BANDGAP]
        assert told.bandgap_count == len(window) >= ticks
        assert told.bandgap_sum == window.sum()
        first = told


def test_the_inputs_are_what_they_are_without_it(make_line: Callable[..., Line]) -> None:
    rows = np.random.default_rng(6).integers(0, 1024, (200, 8), dtype=np.uint16)
    sums = []
    for capabilities in (ALL_CAPABILITIES, ALL_CAPABILITIES | Capability.SUPPLY):
        line = make_line(capabilities=capabilities)
        before = line.sample()
        line.feed(rows)
        line.settle()
        after = line.samples()[-1]
        window = line.rows((before.tick + 1) % 2**32, after.tick)
        sums.append(after.light_sum[0] - before.light_sum[0] == window[:, 0].sum())
        assert after.vacuum_count == after.oven_count == after.head_count
    assert sums == [True, True]


def test_a_device_without_it_answers_like_one_that_never_heard_of_it(line: Line) -> None:
    assert not line.hello.capabilities & Capability.SUPPLY
    assert line.send(m.GetSupply()) is ReplyCode.UNKNOWN_TYPE
    assert supplies(line) == []
