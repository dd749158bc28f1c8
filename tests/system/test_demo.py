"""``platelink demo`` as a newcomer runs it: with broker and store, and without."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(120)]
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


def test_a_whole_plate_is_made_and_the_store_holds_every_point() -> None:
    done = run("-m", "platelink", "demo", "--headless", "--json")
    assert done.returncode == 0, done.stderr
    lines = [json.loads(line) for line in done.stdout.splitlines()]
    found = lines[-1]
    assert [row["step"] for row in found["runs"]] == ["film", "screen", "dry", "hardening"]
    for row in found["runs"]:
        assert row["state"] == "complete" and row["ok"]
        if row["target_mj_cm2"] is not None:
            assert row["true_mj_cm2"] == pytest.approx(row["target_mj_cm2"], rel=3e-3)
    plate = found["plate"]
    assert plate["state"] == "complete" and plate["judgement"] == "good" and plate["ok"]
    assert [step["state"] for step in plate["steps"]] == ["complete"] * 8
    events = [line["event"]["name"] for line in lines if "event" in line]
    assert {"held", "restarted", "oven door open", "oven door closed"} <= set(events)
    alarms = [
        line["event"]["data"] for line in lines if line.get("event", {}).get("name") == "alarm"
    ]
    raised = {data["alarm"] for data in alarms if data["act"] == "raised"}
    assert {"contact lost", "oven door open"} <= raised
    assert found["store"]["points"] == found["store"]["same"] > 500


def test_without_broker_and_store_it_says_what_it_left_out() -> None:
    done = run("-c", WITHOUT, "demo", "--headless")
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("left out:") == 2
    assert "faster than real time" in done.stdout and "invented" in done.stdout
    assert "mosquitto" in done.stdout and "victoria-metrics" in done.stdout
