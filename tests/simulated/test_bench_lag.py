"""The bench of the control loop's lateness: that it measures what it says, not how fast we are."""

from __future__ import annotations

import pytest

from platelink.simulated import bench_lag
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
