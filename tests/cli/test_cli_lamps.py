"""The lamp set on the command line: from exposures to hours, and what people enter."""

from __future__ import annotations

from pathlib import Path

import pytest
from cli_unit import CommandUnit, command_unit

from platelink.control.light.request import ExposureRequest
from platelink.control.states import ENDED
from platelink.unit.job import Job


def expose(unit: CommandUnit, run_id: str, dose: float = 90.0) -> None:
    unit.daemon.pass_time(5.0)
    unit.daemon.simulation.expose(Job(run_id, "film", ExposureRequest(dose, None, 300.0)))
    unit.daemon.pass_time(90.0, lambda: unit.daemon.core.bed.exposure.state in ENDED)


def test_a_lamp_set_from_its_first_exposure_to_new_tubes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with command_unit(tmp_path, monkeypatch) as unit:
        assert "no exposure is recorded yet" in unit.said("lamps", "show")
        for n in range(2):
            expose(unit, f"run-{n}")
        told = unit.told("lamps", "show")
        assert (told["starts"], told["exposures"], told["entered"]) == (2, 2, False)
        assert 0.0 < told["burn_h"] < 0.1
        assert told["channels"][0]["now_mw_cm2"] > 3.0
        assert "days with light" in told["why_no_fade"] and "hand meter" in told["asks"]
        shown = unit.said("lamps", "show")
        assert "2 starts, 2 exposures" in shown and "one channel" in shown
        assert "not known: 1 days with light" in shown
        unit.said("lamps", "measured", "4.9 mW/cm2", "--meter", "meter 7", "--uncertainty", "4")
        read = unit.told("lamps", "show")
        assert read["asks"] == "" and read["readings"][0]["irradiance_mw_cm2"] == 4.9
        assert read["readings"][0]["ours_mw_cm2"] == pytest.approx(
            told["channels"][0]["now_mw_cm2"], rel=0.05
        )
        unit.said("lamps", "cleaned", "sensor")
        assert unit.daemon.core.bed.lessons.in_force.irradiance_mw_cm2 is not None
        unit.daemon.pass_time(5.0)
        assert "entered" in unit.said("lamps", "changed", "--why", "six tubes", "--burned", "40")
        new = unit.told("lamps", "show")
        assert (new["burn_h"], new["starts"], new["entered"]) == (40.0, 0, True)
        assert unit.daemon.core.bed.lessons.in_force.irradiance_mw_cm2 is None, "taught by others"
        assert unit.told("lamp-values", "list") == {"learned": None, "lessons": []}
        expose(unit, "run-new")
        assert unit.told("lamps", "show")["starts"] == 1


def test_what_is_missing_is_said(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with command_unit(tmp_path, monkeypatch) as unit:
        assert "--meter" in unit.said("lamps", "measured", "9", code=2)
        assert "--why" in unit.said("lamps", "changed", code=2)
        assert "lamps" in unit.said("lamps", "cleaned", "glass", code=2)
        assert "which lamps were fitted" in unit.said("lamps", "changed", "--why", " ", code=2)
        off = unit.said("lamps", "measured", "-3 mW/cm2", "--meter", "m", code=2)
        assert "irradiance" in off.lower()
        burned = unit.said("lamps", "changed", "--why", "new", "--burned", "nan", code=2)
        assert "burn_h: give a finite number, not nan" in burned


def test_lamps_cannot_be_changed_in_the_light(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with command_unit(tmp_path, monkeypatch) as unit:
        unit.daemon.pass_time(5.0)
        unit.daemon.simulation.expose(Job("run-1", "film", ExposureRequest(90.0, None, 300.0)))
        unit.daemon.pass_time(3.0)
        said = unit.said("lamps", "changed", "--why", "six tubes", code=2)
        assert "an exposure is running" in said
        assert not unit.told("lamps", "show")["entered"]
