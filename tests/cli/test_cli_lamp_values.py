"""What lamps taught, from the exposure to the drop."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_unit import command_unit

from platelink.control.light.request import ExposureRequest
from platelink.control.states import ENDED
from platelink.unit.job import Job


def test_lessons_are_shown_with_their_runs_and_dropped(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with command_unit(tmp_path, monkeypatch) as unit:
        assert "none yet" in unit.said("lamp-values", "list")
        runs: list[str] = []
        for _ in range(2):
            unit.daemon.pass_time(5.0)
            runs.append(f"run-{len(runs)}")
            asked = ExposureRequest(60.0, None, max_light_s=300.0)
            unit.daemon.simulation.expose(Job(runs[-1], "film", asked))
            unit.daemon.pass_time(90.0, lambda: unit.daemon.core.bed.exposure.state in ENDED)
        told = unit.told("lamp-values", "list")
        assert [one["run_id"] for one in told["lessons"]] == runs[::-1]
        assert told["learned"]["afterglow_s"] == told["lessons"][1]["afterglow_s"] > 0.0
        listed = unit.said("lamp-values", "list")
        assert runs[0] in listed and "the next exposure" in listed
        assert "--why" in unit.said("lamp-values", "discard", code=2)
        assert "discarded" in unit.said("lamp-values", "discard", "--why", "new lamps")
        assert unit.told("lamp-values", "list") == {"learned": None, "lessons": []}
        assert unit.daemon.core.bed.lessons.in_force.irradiance_mw_cm2 is None
