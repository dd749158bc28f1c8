"""The link's own bench: every frame decoded, and not slower than pymavlink's parser."""

from __future__ import annotations

import pytest

from platelink.simulated.bench_link import bench_link


@pytest.mark.alone
def test_bench_decodes_all_and_compares() -> None:
    result = bench_link(frames=1500, repeats=2)
    assert result["pymavlink_frames_per_s"] is not None
    assert result["ratio"] is not None
    assert result["ratio"] > 1.0
    assert result["session_us_per_frame"] is not None
    assert result["session_us_per_frame"] < 150.0  # aim 15; room for a busy machine
