"""The benches as commands: keys, table and exit code."""

from __future__ import annotations

import json

import pytest
from cli_runs import run

from platelink.cli import bench_dose, bench_speed
from platelink.cli.bench_dose import METHODS


def figures(max_error_pct: float) -> dict[str, object]:
    one = {"n": 3, "mean_error_pct": 0.01, "p99_error_pct": 0.02, "max_error_pct": max_error_pct}
    return {"limit_pct": 0.1, "first_seed": 1, "methods": dict.fromkeys(METHODS, one)}


def test_two_seeded_exposures_as_json() -> None:
    result = run("bench", "dose", "--n", 2, "--json")
    told = json.loads(result.stdout)
    assert list(told["methods"]) == ["platelink", "timer", "poll_and_compare"]
    for found in told["methods"].values():
        assert set(found) == {"n", "mean_error_pct", "p99_error_pct", "max_error_pct"}
        assert found["n"] == 2
    assert told["methods"]["platelink"]["max_error_pct"] <= told["limit_pct"]
    assert result.exit_code == 0


@pytest.mark.parametrize(("worst", "code"), [(0.1, 0), (0.1001, 1), (float("nan"), 1)])
def test_the_limit_decides_the_exit_code(monkeypatch, worst: float, code: int) -> None:
    monkeypatch.setattr(bench_dose, "run_bench", lambda n: figures(worst))
    result = run("bench", "dose")
    assert result.exit_code == code
    assert ("within" if code == 0 else "OUTSIDE") in result.stdout
    assert "poll and compare" in result.stdout
    assert run("bench", "dose", "--json").exit_code == code


def test_frames_a_second() -> None:
    told = json.loads(run("bench", "link", "--n", 200, "--json").stdout)
    assert told["platelink_frames_per_s"] > 0 and told["session_us_per_frame"] > 0
    assert "platelink frames per s" in run("bench", "link", "--n", 200).stdout


def test_faster_than_life(monkeypatch) -> None:
    monkeypatch.setattr(bench_speed, "ROUNDS", 1)
    told = json.loads(run("bench", "speed", "--json").stdout)
    assert set(told) == {
        "simulated_s", "frames", "times_real_time", "us_per_frame",
        "plate_s", "plate_times_real_time", "plates_per_s",
    }  # fmt: skip
    assert told["times_real_time"] > 1.0 and told["plate_times_real_time"] > 1.0
    assert told["plate_s"] > 600.0  # ten minutes of it in the oven


def test_no_exposures_are_refused() -> None:
    assert run("bench", "dose", "--n", 0).exit_code == 2
