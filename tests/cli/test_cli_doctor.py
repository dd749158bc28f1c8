"""The doctor as a command: lines, JSON, exit code."""

from __future__ import annotations

import json
from pathlib import Path

from cli_runs import MINIMAL, run

from platelink.cli.doctor import text_of
from platelink.doctor.findings import Finding


def test_a_faulty_configuration_is_told_whole(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL.replace("18.4", "-1").replace("0.0149", "0"))
    result = run("--config", path, "doctor", "--json")
    told = json.loads(result.stdout)
    assert result.exit_code == 1 and not told["ok"]
    wrong = [f["measured"] for f in told["findings"] if f["health"] == "wrong"]
    assert len(wrong) == 2 and all("light.channel[0]" in text for text in wrong)


def test_a_port_that_is_not_there(tmp_path: Path) -> None:
    path = tmp_path / "platelink.toml"
    path.write_text(MINIMAL)
    result = run("--config", path, "doctor")
    assert result.exit_code == 1
    assert "WRONG    port       there is no device at /dev/no-such-port" in result.stdout
    assert "do: plug the unit in" in result.stdout
    assert "does not exist yet" in result.stdout
    assert "broker     none is configured" in result.stdout


def test_a_finding_as_text() -> None:
    finding = Finding("disk", "wrong", "1 GB free", "at least 2 GB", "free disk space")
    assert text_of(finding).splitlines() == [
        "WRONG    disk       1 GB free",
        "                    limit: at least 2 GB",
        "                    do: free disk space",
    ]
