"""Checking and showing the configuration, and finding it."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from cli_runs import MINIMAL, run

from platelink.config.load import loads

SERVICES = """
format = 1
[broker]
host = "127.0.0.1"
password = "invented"
username = "platelink"
[store]
url = "http://127.0.0.1:8428"
"""


@pytest.fixture
def config(tmp_path: Path) -> Path:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL)
    return path


def test_a_good_file_passes(config: Path) -> None:
    result = run("config", "check", config)
    assert (result.exit_code, result.stdout) == (
        0,
        f"{config}: 0 problems, 0 notices\nnext: platelink doctor\n",
    )


def test_an_overdue_calibration_is_a_notice(config: Path) -> None:
    config.write_text(MINIMAL.replace("2126-01-15", "2026-01-16"))
    result = run("config", "check", config)
    assert result.exit_code == 0 and "notice   " in result.stdout and "due_on" in result.stdout
    told = json.loads(run("config", "check", config, "--json").stdout)
    assert told["ok"] and told["notices"][0]["overdue"] is True


def test_all_problems_are_listed_at_once(config: Path) -> None:
    config.write_text(MINIMAL.replace("18.4", "-3") + "[exposure]\nguard_factr = 2\n")
    result = run("config", "check", config)
    assert result.exit_code == 1
    assert "light.channel[0].dark_counts = -3" in result.stdout
    assert "guard_factr" in result.stdout and "2 problems" in result.stdout
    told = json.loads(run("config", "check", config, "--json").stdout)
    assert not told["ok"] and {p["key"] for p in told["problems"]} == {
        "light.channel[0].dark_counts",
        "exposure.guard_factr",
    }


def test_a_missing_or_strange_file_is_a_problem(tmp_path: Path) -> None:
    assert run("config", "check", tmp_path / "none.toml").exit_code == 1
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe")
    assert "UTF-8" in run("config", "check", tmp_path / "bad.toml").stdout


def test_a_recorder_needs_no_unit(config: Path) -> None:
    config.write_text(SERVICES)
    assert run("config", "check", config).exit_code == 1
    assert run("config", "check", "--recorder", config).exit_code == 0
    shown = run("config", "show", "--recorder", config).stdout
    assert "invented" not in shown and "(hidden)" in shown


def test_settings_in_force_mark_their_defaults(config: Path) -> None:
    text = run("config", "show", config).stdout
    assert "guard_factor = 1.5  # default" in text and 'name = "unit-1"\n' in text
    tomllib.loads(text)
    told = json.loads(run("config", "show", config, "--json").stdout)
    assert told["settings"]["exposure"]["guard_factor"] == 1.5
    assert "exposure.guard_factor" in told["defaults"]
    assert "light.channel[0].weight" in told["defaults"]
    assert not {"unit.name", "journal.path"} & set(told["defaults"])


def test_a_faulty_file_is_not_shown(config: Path) -> None:
    config.write_text("format = 2\n")
    result = run("config", "show", config)
    assert (result.exit_code, result.stdout) == (2, "") and "newer" in result.stderr


def test_the_example_loads() -> None:
    loads(run("config", "example").stdout)


def test_where_a_configuration_is_looked_for(tmp_path: Path, monkeypatch) -> None:
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.chdir(tmp_path)
    for place in ("platelink.toml", "env.toml", "given.toml"):
        (tmp_path / place).write_text(MINIMAL)
    env = {"PLATELINK_CONFIG": "env.toml"}
    assert "platelink.toml: 0" in run("config", "check").stdout
    assert "env.toml: 0" in run("config", "check", env=env).stdout
    assert "given.toml: 0" in run("--config", "given.toml", "config", "check", env=env).stdout


@pytest.mark.parametrize("command", ["runs", "config check", "recorder", "status"])
def test_without_a_configuration_it_says_how_to_write_one(
    tmp_path: Path, monkeypatch, command: str
) -> None:
    if Path("/etc/platelink/platelink.toml").exists():
        pytest.skip("this machine has a configuration")
    monkeypatch.delenv("PLATELINK_CONFIG", raising=False)
    monkeypatch.chdir(tmp_path)
    result = run(*command.split())
    assert (result.exit_code, result.stdout) == (2, "")
    assert "platelink config example > platelink.toml" in result.stderr
