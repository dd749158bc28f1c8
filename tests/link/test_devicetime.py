"""The device's counter: a clock that jumps, a device that counts anew."""

from __future__ import annotations

import pytest
from link_wire import make_sample

from platelink.link.devicetime import DeviceTime


def heard(time: DeviceTime, tick: int, count: int, now: float) -> float | None:
    return time.sample(make_sample(tick, light_count=(count,) * 4), now)


def test_a_new_boot_forgets_the_jump() -> None:
    time = DeviceTime()
    time.start(0, 1000, 5.0)
    for count in range(50, 400, 50):
        heard(time, count + 9000 * (count > 200), count, 5.0 + count / 1000.0)
    assert (time.ticks, time.jumps, time.unwrap(9350)) == (350, 1, 350)
    time.start(20, 1000, 8.0)
    assert heard(time, 70, 50, 8.05) is not None
    assert heard(time, 120, 100, 8.1) is not None
    assert (time.ticks, time.unwrap(120)) == (120, 120)


def test_a_device_that_counts_anew_has_no_clock_that_jumped() -> None:
    """Its hello is lost: it is asked who it is."""
    time = DeviceTime()
    time.start(0, 1000, 5.0)
    for count in range(50, 4000, 50):
        heard(time, count, count, 5.0 + count / 1000.0)
    for count in range(50, 250, 50):
        assert heard(time, 30 + count, count, 9.0 + count / 1000.0) is None
    assert time.restarted
    assert time.jumps == 0


def test_a_hello_that_tells_of_the_jump_first_spoils_no_time() -> None:
    time = DeviceTime()
    time.start(0, 1000, 5.0)
    for count in range(50, 2050, 50):
        heard(time, count, count, 5.0 + count / 1000.0)
    time.resume(3_002_500, 7.5)
    for count in range(2550, 2750, 50):
        t = heard(time, 3_000_000 + count, count, 5.0 + count / 1000.0)
    assert (time.ticks, time.jumps) == (2700, 1)
    assert t == pytest.approx(7.7, abs=0.01)
