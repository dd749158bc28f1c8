"""The bench of the control loop's lateness: that it measures what it says, not how fast we are."""

from __future__ import annotations

import asyncio
import json
import time
from pathlib import Path
from typing import Any

import pytest
from cli_runs import run

from platelink.cli import bench_lag
from platelink.cli.bench_lag import figures
from platelink.daemon.lag import EVERY_S, LagMeter


def result(p99_ms: float, max_ms: float) -> dict[str, Any]:
    row = {"n": 9, "p50_ms": 0.2, "p99_ms": p99_ms, "max_ms": max_ms}
    good = p99_ms < 5.0 and max_ms < 20.0
    return {
        "loads": {"idle": {"loop": row, "beside": row}}, "p99_limit_ms": 5.0,
        "max_limit_ms": 20.0, "seconds": 1.0, "ok": good,
    }  # fmt: skip


@pytest.mark.parametrize(("p99_ms", "max_ms", "code"), [(4.9, 19.0, 0), (5.1, 9.0, 1)])
def test_the_limits_decide_the_exit_code(
    monkeypatch: pytest.MonkeyPatch, p99_ms: float, max_ms: float, code: int
) -> None:
    monkeypatch.setattr(bench_lag, "bench_lag", lambda seconds: result(p99_ms, max_ms))
    shown = run("bench", "lag")
    assert shown.exit_code == code
    assert ("within" if code == 0 else "OUTSIDE") in shown.stdout
    assert f"{max_ms:.2f}" in shown.stdout and "beside" in shown.stdout
    assert run("bench", "lag", "--json").exit_code == code


def test_figures() -> None:
    assert figures([float(n) for n in range(101)]) == {
        "n": 101, "p50_ms": 50.0, "p99_ms": 99.0, "max_ms": 100.0,
    }  # fmt: skip


def test_a_loop_that_is_held_up_is_seen_for_as_long_as_it_was(tmp_path: Path) -> None:
    held_s = 0.08

    async def work() -> None:
        meter = LagMeter()
        meter.start()
        await asyncio.sleep(5 * EVERY_S)
        time.sleep(held_s)
        await asyncio.sleep(5 * EVERY_S)
        meter.write(tmp_path / "lag.json")

    asyncio.run(work())
    noted = json.loads((tmp_path / "lag.json").read_text())
    assert len(noted["at_s"]) == len(noted["late_s"]) >= 4
    assert noted["at_s"] == sorted(noted["at_s"])
    assert sum(noted["late_s"]) >= held_s - EVERY_S  # once, in its whole length
    assert max(noted["late_s"]) >= held_s - EVERY_S


@pytest.mark.system
def test_real_processes_are_measured_in_the_light(monkeypatch: pytest.MonkeyPatch) -> None:
    loads = ("idle", "the service itself, stopped", "flood of commands")
    monkeypatch.setattr(bench_lag, "LOADS", {name: bench_lag.LOADS[name] for name in loads})
    found = bench_lag.bench_lag(0.5)
    assert tuple(found["loads"]) == loads
    for rows in found["loads"].values():
        assert set(rows) == {"loop", "beside"}
        for row in rows.values():
            assert row["n"] > 3
            assert 0.0 <= row["p50_ms"] <= row["p99_ms"] <= row["max_ms"]
