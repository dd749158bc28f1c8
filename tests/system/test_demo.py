"""``platelink demo`` as a newcomer runs it: with broker and store, and without."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

pytestmark = [pytest.mark.system, pytest.mark.timeout(120)]
WITHOUT = (
    "from platelink.publish.services import Service\n"
    "Service.find = classmethod(lambda cls: None)\n"
    "from platelink.cli import main\n"
    "main()\n"
)


def run(*command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *command], capture_output=True, text=True, timeout=100, check=False
    )


def test_both_exposures_reach_their_dose_and_the_store_holds_every_point() -> None:
    done = run("-m", "platelink", "demo", "--json")
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert [row["step"] for row in found["runs"]] == ["film", "screen"]
    for row in found["runs"]:
        assert row["state"] == "complete" and row["ok"]
        assert row["true_mj_cm2"] == pytest.approx(row["target_mj_cm2"], rel=2e-3)
    events = [json.loads(line)["event"]["name"] for line in done.stdout.splitlines()[:-1]
              if "event" in json.loads(line)]  # fmt: skip
    assert "held" in events and "restarted" in events
    assert found["store"]["points"] == found["store"]["same"] > 500


def test_without_broker_and_store_it_says_what_it_left_out() -> None:
    done = run("-c", WITHOUT, "demo")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("left out:") == 2
    assert "faster than life" in done.stdout and "invented" in done.stdout
    assert "mosquitto" in done.stdout and "victoria-metrics" in done.stdout
