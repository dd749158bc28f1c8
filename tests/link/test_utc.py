"""UTC stamps: constant within a run, steps of the computer's clock reported once."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from platelink.link.utc import STEP_MS, UtcAnchor


@given(st.lists(st.floats(-10.0, 1000.0), max_size=40))
def test_stamps_rise_strictly(times: list[float]) -> None:
    anchor = UtcAnchor(5.0, 1_700_000_000_000)
    stamps = [anchor.stamp_ms(t) for t in times]
    assert all(a < b for a, b in itertools.pairwise(stamps))


def test_a_second_is_a_second_on_the_anchor() -> None:
    anchor = UtcAnchor(5.0, 1_700_000_000_000)
    assert anchor.at_ms(6.25) == 1_700_000_001_250
    assert anchor.at_ms(4.0) == 1_699_999_999_000


def test_steps_are_reported_once_and_change_no_stamp() -> None:
    anchor = UtcAnchor(0.0, 1_000_000)
    assert anchor.observe(1_010_000 + STEP_MS - 1, now=10.0) is None
    step = anchor.observe(1_020_000 + 3_600_000, now=20.0)
    assert step is not None
    assert step.step_ms == 3_600_000
    assert "+3600.000 s" in str(step)
    assert anchor.observe(1_030_000 + 3_600_000, now=30.0) is None
    back = anchor.observe(1_040_000, now=40.0)
    assert back is not None
    assert back.step_ms == -3_600_000
    assert anchor.at_ms(50.0) == 1_050_000
