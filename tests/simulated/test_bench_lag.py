"""Benches of real processes: that they measure what they say, not how fast we are."""

from __future__ import annotations

import pytest

from platelink.simulated import bench_lag, bench_needs
from platelink.simulated.bench_lag import Figures, figures


def test_figures() -> None:
    assert figures([float(n) for n in range(101)]) == Figures(
        n=101, p50_ms=50.0, p99_ms=99.0, max_ms=100.0
    )


@pytest.mark.alone
@pytest.mark.system
def test_real_processes_are_measured_in_the_light(monkeypatch: pytest.MonkeyPatch) -> None:
    loads = ("idle", "the service itself, stopped", "flood of commands")
    monkeypatch.setattr(bench_lag, "LOADS", {name: bench_lag.LOADS[name] for name in loads})
    found = bench_lag.bench_lag(0.5)
    assert tuple(found.loads) == loads
    for load in found.loads.values():
        for row in (load.loop, load.beside):
            assert row.n > 3
            assert 0.0 <= row.p50_ms <= row.p99_ms <= row.max_ms


@pytest.mark.system
def test_what_all_processes_of_a_unit_need_is_measured() -> None:
    """Of another process than it says, as of the shell before a command, there would be 2 MB."""
    found = bench_needs.bench_needs(2.0)
    assert list(found.processes) == ["daemon", "service", "lane", "page"]
    assert 15.0 < found.frames_a_s < 25.0
    assert all(20.0 < of.memory_mb < 200.0 for of in found.processes.values())
    assert 0.0 < found.processes["daemon"].cpu_pct < 100.0
    lane = found.processes["lane"].memory_mb
    assert lane < found.processes["service"].memory_mb  # each other's number would be seen


def test_where_memory_is_not_told_it_says_so() -> None:
    with pytest.raises(TimeoutError, match="does not tell the memory of a process"):
        bench_needs._pss_mb(2**31)
