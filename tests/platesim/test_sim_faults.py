"""The wire and its faults, from the seed."""

from __future__ import annotations

import math

import pytest

from platesim.faults import Stalls, Wire, WireParameters

FRAMES = [bytes([k % 255 + 1]) * (k % 30 + 1) + b"\0" for k in range(2000)]


def wire(seed: int = 1, **fields: float) -> Wire:
    parameters = WireParameters(**fields)
    return Wire(parameters, Stalls(parameters, seed), (seed, 4))


def sent(line: Wire) -> bytes:
    """All frames, 50 ms apart, as they arrive."""
    for k, frame in enumerate(FRAMES):
        line.put(frame, k * 0.05)
    return line.take(math.inf)


def test_a_good_wire_changes_nothing() -> None:
    assert sent(wire()) == b"".join(FRAMES)


def test_bytes_arrive_after_the_delay_and_not_before() -> None:
    line = wire(delay_s=0.004)
    line.put(b"ab\0", 1.0)
    assert line.next_s == pytest.approx(1.004)
    assert line.take(1.0039) == b""
    assert line.take(1.0041) == b"ab\0"
    assert math.isinf(line.next_s)


def test_frames_are_kept_whole_however_they_are_written() -> None:
    line = wire(loss=0.3)
    other = wire(loss=0.3)
    for byte in b"".join(FRAMES):
        line.put(bytes([byte]), 0.0)
    other.put(b"".join(FRAMES), 0.0)
    assert line.take(1.0) == other.take(1.0)


def test_loss_takes_whole_frames_at_its_rate() -> None:
    """2000 frames at 10 %: within four standard deviations of 200 (binomial: 13.4)."""
    line = wire(loss=0.1)
    arrived = sent(line).split(b"\0")[:-1]
    assert 146 < line.lost < 254
    assert len(arrived) == 2000 - line.lost
    assert {piece + b"\0" for piece in arrived} <= set(FRAMES)


def test_corruption_flips_one_bit() -> None:
    line = wire(corruption=1.0)
    frame = b"\x01\x02\x03\x04\0"
    line.put(frame, 0.0)
    got = line.take(1.0)
    flipped = int.from_bytes(got, "big") ^ int.from_bytes(frame, "big")
    assert flipped.bit_count() == 1


def test_jitter_never_reorders() -> None:
    assert sent(wire(jitter_s=0.2)) == b"".join(FRAMES)


def test_same_seed_same_faults() -> None:
    fields = {"loss": 0.1, "corruption": 0.1, "garbage": 0.1, "jitter_s": 0.02}
    assert sent(wire(3, **fields)) == sent(wire(3, **fields))
    assert sent(wire(3, **fields)) != sent(wire(4, **fields))


def test_stall_holds_bytes_to_its_end() -> None:
    parameters = WireParameters(delay_s=0.0)
    stalls = Stalls(parameters, 1)
    line = Wire(parameters, stalls, (1, 4))
    stalls.add(1.0, 1.5)
    line.put(b"a\0", 0.9)
    line.put(b"b\0", 1.1)
    line.put(b"c\0", 1.6)
    assert line.take(1.0) == b"a\0"
    assert line.take(1.49) == b""
    assert line.take(1.5) == b"b\0"
    assert line.take(1.6) == b"c\0"


def test_seeded_stalls_come_at_their_mean_rate() -> None:
    """Every 10 s on average, 0.5 s long: about 0.5 / 10.5 of the time."""
    stalls = Stalls(WireParameters(stall_every_s=10.0, stall_s=0.5), 1)
    late = sum(stalls.arrival(k * 0.1) > k * 0.1 for k in range(100_000))
    assert late / 100_000 == pytest.approx(0.5 / 10.5, rel=0.15)


def test_unplugged_wire_loses_what_is_on_it() -> None:
    line = wire()
    line.put(b"a\0b", 0.0)
    line.unplug()
    line.put(b"c\0", 0.1)
    line.plugged = True
    line.put(b"d\0", 0.2)
    assert line.take(1.0) == b"d\0"


def test_endless_bytes_without_a_delimiter_do_not_pile_up() -> None:
    line = wire()
    for _ in range(100):
        line.put(b"\x55" * 100, 0.0)
    assert len(line.take(1.0)) >= 9000
