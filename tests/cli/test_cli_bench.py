"""The benches as commands: keys, table and exit code."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from cli_runs import run
from record.make import T0, event, journal_at, start

from platelink.events.light import ContactHeld
from platelink.record.journal import Journal
from platelink.runs import SampleBlock
from platelink.simulated import (
    bench_dose,
    bench_lag,
    bench_needs,
    bench_real,
    bench_speed,
    bench_stop,
    bench_watch,
)
from platelink.simulated.bench_dose import METHODS, DoseBench, Errors
from platelink.simulated.bench_lag import Figures, LagBench, Load
from platelink.simulated.bench_needs import Needs
from platelink.simulated.bench_real import Number, RealBench
from platelink.simulated.bench_stop import Attacked, StopBench, Stops, judged
from platelink.simulated.bench_watch import Delay, FalseHolds, WatchBench


def figures(max_error_pct: float) -> DoseBench:
    one = Errors(n=3, mean_error_pct=0.01, p99_error_pct=0.02, max_error_pct=max_error_pct)
    return DoseBench(limit_pct=0.1, first_seed=1, methods=dict.fromkeys(METHODS, one))


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


def real(covered_pct: float) -> RealBench:
    control = Number(None, 0.002, 0.02, 0.04, None)
    plate = Number(0.4, 0.0, 0.3, 0.6, covered_pct)
    return RealBench(9, 27, 1, control, plate, Number(6.5, 1.0, 6.1, 9.0, 95.5))


@pytest.mark.parametrize(
    ("covered_pct", "code"), [(90.0, 0), (99.0, 0), (89.9, 1), (99.1, 1), (float("nan"), 1)]
)
def test_three_numbers_of_units_that_err(monkeypatch, covered_pct: float, code: int) -> None:
    asked = []
    monkeypatch.setattr(bench_real, "run_real", lambda n: (asked.append(n), real(covered_pct))[1])
    result = run("bench", "dose", "--profile", "real")
    assert (result.exit_code, asked) == (code, [200])
    told = "U covers about 95 %" if code == 0 else "U covers NOT about 95 %"
    assert f"27 plates of 9 units; {told} of them" in result.stdout
    lines = result.stdout.splitlines()
    assert lines[1].split() == ["control", "+0.002", "%", "0.020", "%", "0.040", "%"]
    assert lines[3].split()[3:6] == ["±6.50", "%", "+1.000"] and lines[3].endswith("95.5 %")
    told = json.loads(run("bench", "dose", "--profile", "real", "--n", 4, "--json").stdout)
    assert asked[1:] == [4] and told["against_meter"]["stated_pct"] == 6.5


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


def lateness(p99_ms: float, max_ms: float) -> LagBench:
    row = Figures(n=9, p50_ms=0.2, p99_ms=p99_ms, max_ms=max_ms)
    good = p99_ms < 5.0 and max_ms < 20.0
    return LagBench({"idle": Load(row, row)}, 5.0, 20.0, 1.0, good)


@pytest.mark.parametrize(("p99_ms", "max_ms", "code"), [(4.9, 19.0, 0), (5.1, 9.0, 1)])
def test_the_limits_of_lateness_decide_the_exit_code(
    monkeypatch: pytest.MonkeyPatch, p99_ms: float, max_ms: float, code: int
) -> None:
    monkeypatch.setattr(bench_lag, "bench_lag", lambda seconds: lateness(p99_ms, max_ms))
    shown = run("bench", "lag")
    assert shown.exit_code == code
    assert ("within" if code == 0 else "OUTSIDE") in shown.stdout
    assert f"{max_ms:.2f}" in shown.stdout and "beside" in shown.stdout
    assert run("bench", "lag", "--json").exit_code == code


@pytest.mark.parametrize(
    ("cpu_pct", "page_mb", "words"),
    [(2.0, 50.0, ["within", "within"]), (2.1, 50.0, ["OUTSIDE", "within"]),
     (0.0, 50.1, ["within", "OUTSIDE"])],
)  # fmt: skip
def test_what_a_unit_needs_is_held_against_both_aims(
    monkeypatch: pytest.MonkeyPatch, cpu_pct: float, page_mb: float, words: list[str]
) -> None:
    """The lane is told, and no part of the sum."""
    processes = {"daemon": Needs(cpu_pct, 60.0), "service": Needs(9.0, 40.0),
                 "lane": Needs(9.0, 900.0), "page": Needs(9.0, page_mb)}  # fmt: skip
    found = bench_needs.judged(processes, 20.02, 30.0)
    monkeypatch.setattr(bench_needs, "bench_needs", lambda seconds: found)
    shown = run("bench", "needs")
    assert [line.split(", ")[-1].split(" ")[0] for line in shown.stdout.splitlines()[-2:]] == words
    assert shown.exit_code == ("OUTSIDE" in words) and "at 20 frames" in shown.stdout
    told = json.loads(run("bench", "needs", "--json").stdout)
    assert told["memory_mb"] == 100.0 + page_mb and told["processes"]["lane"]["memory_mb"] == 900.0


@pytest.mark.parametrize(
    ("p99_ms", "refused", "dark", "code"),
    [(99.9, 0, True, 0), (100.1, 0, True, 1), (9.0, 1, True, 1), (9.0, 0, False, 1),
     (float("nan"), 0, True, 1)],
)  # fmt: skip
def test_a_stop_that_is_late_or_refused_decides_the_exit_code(
    monkeypatch: pytest.MonkeyPatch, p99_ms: float, refused: int, dark: bool, code: int
) -> None:
    way = Stops(9, 1.0, p99_ms, p99_ms, refused)
    one = Attacked(9, 1.0, p99_ms, p99_ms, refused, dark, way, way, Figures(9, 1.0, 1.0, 1.0))
    found = judged({"idle sockets": one, "a full disk": None}, 1.0)
    assert isinstance(found, StopBench)
    monkeypatch.setattr(bench_stop, "bench_stop", lambda seconds: found)
    shown = run("bench", "stop")
    assert shown.exit_code == code
    assert ("within" if code == 0 else "OUTSIDE") in shown.stdout
    assert "not measured here" in shown.stdout and f"{refused} of 9" in shown.stdout
    told = run("bench", "stop", "--json")
    assert told.exit_code == code
    attacks = json.loads(told.stdout)["attacks"]
    assert attacks["a full disk"] is None
    assert {"p50_ms", "p99_ms", "max_ms", "refused"} < set(attacks["idle sockets"])


@pytest.mark.parametrize(("missed", "code"), [((), 0), (("12 false holds, 5 to 8",), 1)])
def test_a_missed_aim_of_the_watch_decides_the_exit_code(
    monkeypatch: pytest.MonkeyPatch, missed: tuple[str, ...], code: int
) -> None:
    holds = FalseHolds(1.0, 1.2, 2.4, "white", 4.8, {"white": 2.4, "tone": 0.0}, 1_000_000, 12)
    delays = {"sudden": {"4 kPa": Delay(0.15, 0.06, None), "8 kPa": Delay(0.15, 0.05, 0.3)}}
    delays["gauge"] = {"no valid value": Delay(0.55, None, None)}
    asked: list[tuple[int, float]] = []

    def found(minutes: int, stated: float) -> WatchBench:
        asked.append((minutes, stated))
        return WatchBench(holds, delays, missed)

    monkeypatch.setattr(bench_watch, "bench_watch", found)
    shown = run("bench", "watch")
    assert shown.exit_code == code
    assert ("all aims are reached" if code == 0 else "MISSED 12 false holds") in shown.stdout
    assert "12 in 1,000,000 min" in shown.stdout and "never" in shown.stdout
    assert shown.stdout.count("none") == 1
    told = run("bench", "watch", "--minutes", 500, "--stated", 20, "--json")
    assert told.exit_code == code and asked == [(1_000_000, 1.0), (500, 20.0)]
    figures = json.loads(told.stdout)
    assert {"stated", "mean", "worst"} <= set(figures["false_holds_per_100k_min"])
    assert figures["delays"]["gauge"]["no valid value"]["tuned_delay_s"] is None
    assert figures["delays"]["sudden"]["4 kPa"] == {
        "delay_s": 0.15, "tuned_delay_s": 0.06, "fixed_limit_delay_s": None
    }  # fmt: skip


def test_the_watch_on_the_noise_of_a_journal(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"
    with journal_at(path) as journal:
        for i in range(2):
            run_with_contact(journal, f"r{i}")
    few = run("bench", "watch", "--journal", path)
    assert few.exit_code == 1 and "2 complete exposures" in few.stderr
    with journal_at(path) as journal:
        for i in range(2, 9):
            run_with_contact(journal, f"r{i}")
    figures = json.loads(run("bench", "watch", "--journal", path, "--json").stdout)
    assert figures["exposures"] == 9 and figures["sigma_kpa"] == pytest.approx(0.1, rel=0.05)
    assert 0.1 < figures["found_per_100_min"] / figures["stated_per_100_min"] < 3.0
    assert "stated 5.00" in run("bench", "watch", "--journal", path).stdout
    nothing = tmp_path / "other.sqlite"
    nothing.write_bytes(b"no journal")
    assert run("bench", "watch", "--journal", nothing).exit_code == 1


def run_with_contact(journal: Journal, name: str) -> None:
    """A minute of white noise, 0.1 kPa."""
    held, n = ContactHeld(vacuum_kpa=70.0), 1200
    journal.append(start(journal, name))
    journal.append(event(journal, name, name=held.name, data=held.data()))
    rng, index = np.random.default_rng(int(name[1:])), np.arange(n)
    values = {
        "vacuum_kpa": 70.0 + 0.1 * rng.standard_normal(n), "tick_s": np.full(n, 1e-3),
        "counting": np.ones(n),
    }  # fmt: skip
    at = (int(T0.timestamp() * 1000) + 50 * index).astype(np.int64)
    block = SampleBlock(ticks=(50 * index).astype(np.int64), at_utc_ms=at, raw={}, values=values)
    journal.append_samples(name, block, T0)
    journal.end_run(name, at_utc=T0, state="complete", reason="")


def test_the_forecast_of_the_lamps_is_judged_beside_plain_ways() -> None:
    told = json.loads(run("bench", "lamps", "--years", 1, "--json").stdout)
    assert told["stated_pct"] == 90.0
    for way in ("forecast", "forecast_all", "stays", "line"):
        assert list(told[way]) == ["7", "14", "28"], way
        assert told[way]["7"]["n"] > 10
    table = run("bench", "lamps", "--years", 1).stdout
    assert "level stays" in table and "the day that a limit is exceeded" in table
