"""The lag of a plate from a recorded bake and what a probe told, by file and by hand."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from cli_runs import UNIT, run
from finding.test_lag import Trial

from platelink.record.journal import Journal
from platelink.runs import Channel, RunChannels, RunStart, SampleBlock

T0 = datetime(2026, 3, 2, 7, 0, tzinfo=UTC)
TRIAL = Trial(90.0, 3)
BAKE, FILM = "20260302-070000-bake", "20260302-080000-film"


@pytest.fixture
def journal(tmp_path: Path) -> Path:
    path = tmp_path / "journal.sqlite"
    with Journal.open(path, unit=UNIT, new_uuid="u") as writing:

        def common(run_id: str) -> dict[str, object]:
            return {"id": writing.next_id(), "unit": UNIT, "at_utc": T0, "run_id": run_id}

        writing.append(RunStart(step="dry", request={"kind": "bake"}, **common(BAKE)))
        columns = (Channel(name="oven_c", unit="°C"),)
        writing.append(RunChannels(channels=columns, **common(BAKE)))
        ms = np.rint(1000.0 * np.array(TRIAL.air_s)).astype(np.int64)
        air = {"oven_c": np.array(TRIAL.air_c)}
        at_ms = ms + round(T0.timestamp() * 1000)
        block = SampleBlock(ticks=ms, at_utc_ms=at_ms, raw={}, values=air)
        writing.append_samples(BAKE, block, T0)
        writing.append(RunStart(step="film", **common(FILM)))
        writing.end_run(FILM, T0, "complete", "over")
    return path


def csv_of(path: Path, times: list[str]) -> Path:
    lines = [f"{t},{c}" for t, c in zip(times, TRIAL.probe_c, strict=True)]
    path.write_text("time,probe\n" + "\n".join(lines) + "\n")
    return path


def test_a_loggers_file_tells_the_lag_in_seconds_or_by_the_clock(
    journal: Path, tmp_path: Path
) -> None:
    by_seconds = csv_of(tmp_path / "s.csv", [str(t) for t in TRIAL.probe_s])
    clock = [(T0 + timedelta(seconds=t)).isoformat() for t in TRIAL.probe_s]
    by_clock = csv_of(tmp_path / "c.csv", clock)
    told = []
    for file in (by_seconds, by_clock):
        result = run("oven-lag", "--probe", file, "--journal", journal, "--json")
        assert result.exit_code == 0, result.output
        told.append(json.loads(result.stdout))
    assert told[0]["run_id"] == BAKE and told[0]["lag_s"] == pytest.approx(90.0, rel=0.06)
    assert told[1]["lag_s"] == pytest.approx(told[0]["lag_s"], rel=1e-4)
    said = run("oven-lag", "20260302-07", "--probe", by_clock, "--journal", journal).stdout
    assert "lags 9" in said and "95 % sure of" in said and "plate_lag_s = 9" in said


def test_what_a_person_types_is_stamped_when_it_is_typed(
    journal: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    times = iter([T0 + timedelta(seconds=t) for t in TRIAL.probe_s])

    class Clock(datetime):
        @classmethod
        def now(cls, tz: object = None) -> datetime:  # type: ignore[override]
            return next(times)

    monkeypatch.setattr("platelink.cli.oven_lag.datetime", Clock)
    typed = [f"{c}".replace(".", ",") for c in TRIAL.probe_c]
    result = run("oven-lag", "--journal", journal, input="\n".join([*typed, ""]) + "\n")
    assert result.exit_code == 0, result.output
    assert "plate_lag_s = 9" in result.stdout


def test_what_cannot_be_used_is_said_with_what_to_do(journal: Path, tmp_path: Path) -> None:
    few = tmp_path / "few.csv"
    few.write_text("3,22.0\n20,30.0\n")
    result = run("oven-lag", "--probe", few, "--journal", journal)
    assert result.exit_code == 1 and "at least 8 are needed" in result.stderr
    few.write_text("3;22.0\n")
    assert "write two columns" in run("oven-lag", "--probe", few, "--journal", journal).stderr
    few.write_text("3,22.0\n2026-03-02T07:00:20,30\n")
    assert "time zone" in run("oven-lag", "--probe", few, "--journal", journal).stderr
    no_bake = run("oven-lag", FILM, "--probe", few, "--journal", journal)
    assert no_bake.exit_code == 2 and "is not a bake" in no_bake.stderr
    with Journal.open(journal, unit=UNIT, new_uuid="u") as writing:
        writing.end_run(BAKE, T0, "complete", "over")
    over = run("oven-lag", "--probe", few, "--journal", journal)
    assert over.exit_code == 1 and "no bake is being recorded" in over.stderr
