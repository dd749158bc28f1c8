"""Samples: sums, counts, extremes and state, compared with what was fed tick by tick."""

from __future__ import annotations

import itertools
from typing import Any

import numpy as np
import pytest

from contract.conftest import Kind
from contract.line import VACUUM, Line, frame, order
from platelink.link import messages as m
from platelink.link.messages import Capability, ReplyCode

SLOW = [(Capability.VACUUM, "vacuum", 4), (Capability.OVEN, "oven", 5),
        (Capability.HEAD_TEMPERATURE, "head", 6)]  # fmt: skip


def check_sample(line: Line, kind: Kind, before: m.Sample, sample: m.Sample) -> None:
    """A Sample against the rows of its window."""
    rows = line.rows((before.tick + 1) % 2**32, sample.tick)
    for i in range(4):
        lit = rows[:, i] if i < kind.light_channels else rows[:0, i]
        assert sample.light_sum[i] - before.light_sum[i] == lit.sum()
        assert sample.light_count[i] - before.light_count[i] == len(lit)
        extremes = (lit.min(), lit.max()) if len(lit) else (0, 0)
        assert (sample.light_min[i], sample.light_max[i]) == extremes
    for capability, name, column in SLOW:
        there = capability in kind.capabilities
        window = rows[:, column]
        assert getattr(sample, f"{name}_count") == (len(window) if there else 0)
        assert getattr(sample, f"{name}_sum") == (window.sum() if there else 0)
    if Capability.VACUUM in kind.capabilities:
        assert (sample.vacuum_min, sample.vacuum_max) == (rows[:, 4].min(), rows[:, 4].max())


@pytest.mark.parametrize("frame_ticks", [15, 50, 99, 1000])
def test_windows_hold_what_was_fed(kind: Kind, line: Line, frame_ticks: int) -> None:
    rng = np.random.default_rng(frame_ticks)
    assert line.send(m.SetFrame(frame_ticks)) is ReplyCode.OK
    line.sample()
    line.seen.clear()
    for _ in range(4):
        top = rng.integers(1, 1024)
        line.feed(rng.integers(0, top + 1, (frame_ticks * 2 + 7, 8), dtype=np.uint16))
    line.settle()
    samples = line.samples()
    assert len(samples) >= 8
    for before, sample in itertools.pairwise(samples):
        assert (sample.tick - before.tick) % 2**32 == frame_ticks
        check_sample(line, kind, before, sample)


def test_first_sample_counts_from_the_start(kind: Kind, make_line: Any) -> None:
    line = make_line(ready=False)
    line.feed(np.random.default_rng(1).integers(0, 1024, (60, 8), dtype=np.uint16))
    line.settle()
    nothing = m.Sample(line.base, *[0] * 7, *[(0,) * 4] * 4, *[0] * 12)
    sample = line.samples()[0]
    assert (sample.tick - line.base) % 2**32 == 50
    check_sample(line, kind, nothing, sample)


def test_water_comes_as_the_fourth_channel(kind: Kind, make_line: Any) -> None:
    """Golden frames stay as they are: a device without this has light there, or nothing."""
    capabilities, channels = kind.capabilities | Capability.WATER, min(kind.light_channels, 3)
    line = make_line(capabilities=capabilities, light_channels=channels)
    assert (line.hello.light_channels, line.hello.capabilities) == (channels, capabilities)
    before = line.sample()
    line.feed(np.random.default_rng(3).integers(0, 1024, (200, 8), dtype=np.uint16))
    line.settle()
    sample = line.sample()
    rows = line.rows(before.tick + 1, sample.tick)
    for i in (*range(channels), m.WATER_CHANNEL):
        assert sample.light_sum[i] - before.light_sum[i] == rows[:, i].sum() > 0
        assert sample.light_count[i] - before.light_count[i] == len(rows)


def test_extremes_of_a_full_scale_input(kind: Kind, line: Line) -> None:
    line.analog = [1023] * 8
    line.sample()
    sample = line.sample()
    for i in range(kind.light_channels):
        assert (sample.light_min[i], sample.light_max[i]) == (1023, 1023)
    line.analog = [0] * 8
    line.sample()
    sample = line.sample()
    assert sample.light_min == sample.light_max == (0,) * 4
    assert (sample.vacuum_sum, sample.vacuum_max) == (0, 0)


def test_one_bright_tick_is_not_lost(line: Line) -> None:
    line.ticks(100)
    line.settle()
    block = np.zeros((1, 8), np.uint16)
    block[0, 0] = 900
    line.feed(block)
    flash = line.tick
    line.ticks(120)
    line.settle()
    bright = [s for s in line.samples() if s.light_max[0] == 900]
    assert len(bright) == 1
    assert 0 <= bright[0].tick - flash < 50
    assert line.samples()[-1].light_sum[0] == 900


def test_dropped_samples_are_covered_by_the_next(kind: Kind, line: Line) -> None:
    """Ten ticks are too few for a Sample at 115,200 baud beside anything else."""
    rng = np.random.default_rng(5)
    line.send(m.SetFrame(10))
    line.sample()
    line.seen.clear()
    for _ in range(12):
        line.board.receive(frame(m.CODES[m.GetOrder], 1, b""))
        line.feed(rng.integers(0, 1024, (17, 8), dtype=np.uint16))
    line.settle()
    samples = line.samples()
    for before, sample in itertools.pairwise(samples):
        assert (sample.tick - before.tick) % 10 == 0
        check_sample(line, kind, before, sample)
    numbered = line.seqs[-1] + 1
    assert numbered > len(line.seqs) or kind.name == "host"


def fill_up(line: Line, short_of: int) -> None:
    """Bring the first channel's sum near 2^32: by an hour of light in an instant, where the board's
    converters may count so high, or by writing into its memory."""
    if hasattr(line.board, "poke"):
        at = line.board.address("pl_avr") + line.board.firmware.symbols["pl_at_light_sum"]
        line.board.poke(at, (2**32 - short_of).to_bytes(8, "little"))
        return
    left = 2**32 - short_of - line.sample().light_sum[0]
    line.analog[0] = 65535
    line.ticks(left // 65535)
    line.analog[0] = left % 65535
    line.ticks(1)
    line.analog[0] = 0
    line.settle()


def test_sums_past_two_to_the_thirty_two(line: Line) -> None:
    fill_up(line, 1000)
    assert line.sample().light_sum[0] == 2**32 - 1000
    line.analog[0] = 10
    line.open(order(target=3000))
    line.ticks(300)
    report = line.closed()
    assert report.order_sum == 3000
    assert report.open_sum[0] < 2**32 < report.close_sum[0]
    assert report.close_sum[0] - report.open_sum[0] == 3000
    line.analog[0] = 0
    line.sample()
    end = line.sample().light_sum[0]
    lit = np.count_nonzero(line.rows(line.base + 1, line.tick)[:, 0] == 10)
    assert end == 2**32 - 1000 + 10 * lit


def test_state_follows_order_inputs_and_outputs(line: Line) -> None:
    sample = line.sample()
    assert (sample.order, sample.order_state, sample.close_reason) == (0, 0, 0)
    line.analog[0] = 6
    line.send(m.SetOutput(m.Output.VACUUM, 1, 60000))
    line.send(order(order=77, target=10**7))
    sample = line.sample()
    assert (sample.order, sample.order_state, sample.order_target) == (77, 1, 10**7)
    assert (sample.outputs, sample.inputs, sample.order_sum) == (VACUUM, 3, 0)
    assert line.send(m.Open(77)) is ReplyCode.OK
    opened = line.handled + 1
    line.ticks(20)
    sample = line.sample()
    assert (sample.order_state, sample.outputs, sample.close_reason) == (2, 3, 0)
    assert sample.order_sum == 6 * (sample.tick - opened)
    line.inputs = 2
    line.ticks(1)
    dark = line.tick
    sample = line.sample()
    assert (sample.order_state, sample.close_reason) == (3, m.CloseReason.INTERLOCK)
    assert (sample.inputs, sample.latched, sample.outputs) == (2, 1, VACUUM)
    assert sample.order_sum == 6 * (dark - opened)


@pytest.mark.parametrize("after", [3, 20, 40])
@pytest.mark.parametrize("interval", [15, 35, 50, 200])
def test_the_next_sample_comes_when_it_was_due_or_an_interval_on(
    line: Line, interval: int, after: int
) -> None:
    line.sample()
    line.ticks(after)
    assert line.send(m.SetFrame(interval)) is ReplyCode.OK
    asked = line.handled
    due = asked + 50 - (asked - line.base) % 50
    line.ticks(2 * interval)
    line.settle()
    first = min(due, asked + interval)
    assert [s.tick for s in line.samples() if s.tick > asked][:2] == [first, first + interval]


@pytest.mark.parametrize("interval", [15, 100, 1000])
def test_interval_changes_at_once_and_stays(line: Line, interval: int) -> None:
    line.sample()
    line.seen.clear()
    assert line.send(m.SetFrame(interval)) is ReplyCode.OK
    asked = line.handled
    line.ticks(4 * interval)
    line.settle()
    ticks = [s.tick for s in line.samples() if s.tick > asked]
    assert ticks[0] - asked <= min(50, interval)
    assert {b - a for a, b in itertools.pairwise(ticks)} == {interval}
    assert line.send(m.SetFrame(9)) is ReplyCode.BAD_VALUE
    line.ticks(2 * interval)
    ticks = [s.tick for s in line.samples() if s.tick > asked]
    assert {b - a for a, b in itertools.pairwise(ticks)} == {interval}
