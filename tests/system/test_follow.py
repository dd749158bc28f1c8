"""A plate made at a real terminal: ``plate follow`` on a pty, a real daemon, a simulated unit."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from plain_client import Client
from terminal import LOOK_S, Terminal

from platelink.client import NoService
from platelink.simulated.harness import configuration
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(240)]
SPEED, SCENARIO = 8.0, "plate"
RECIPE = """
format = 1
id = "short"
title = "A short one (invented)"
[[step]]
kind = "expose"
name = "film"
dose_mj_cm2 = "60 mJ/cm2"
cautions = ["UV injures eyes and skin."]
[step.contact]
low_kpa = "57 kPa"
high_kpa = "91 kPa"
[[step]]
kind = "wash"
name = "washout"
[[step.stage]]
name = "rub"
duration_s = "8 s"
prompt = "Rub with a pad."
[[step]]
kind = "bake"
name = "dry"
low_c = 54
nominal_c = 58
high_c = 62
limit_c = 71
in_band_s = "10 s"
[[step]]
kind = "expose"
name = "hardening"
dose_mj_cm2 = "500 mJ/cm2"
contact = false
[[step]]
kind = "inspect"
name = "inspect"
[[step.point]]
name = "rim"
low_um = "20 um"
high_um = "30 um"
[[step.check]]
name = "dots"
question = "Are all dots standing?"
defect = "dots-missing"
"""


def wait(condition: Callable[[], bool], what: str) -> None:
    end = time.monotonic() + LOOK_S
    while not condition():
        assert time.monotonic() < end, what
        time.sleep(0.05)


@contextmanager
def daemon(directory: Path) -> Iterator[Client]:
    """A daemon whose link is up."""
    command = [sys.executable, "-m", "platelink", "serve", "--speed", str(SPEED)]
    with (directory / "serve.log").open("wb") as log:
        child = subprocess.Popen(command, stdout=log, stderr=log)
    with Client(directory / "journal.socket") as client:

        def up() -> bool:
            try:
                return bool(client.status()["link"]["state"] == "up")
            except NoService:
                return False

        try:
            wait(up, "the link does not come up")
            yield client
        finally:
            child.terminate()
            child.wait(timeout=20.0)


def test_a_plate_is_made_at_a_terminal(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "state"))
    with PtyProcess(scenario=SCENARIO, speed=SPEED) as unit:
        Path("platelink.toml").write_text(configuration(
            SCENARIOS[SCENARIO].parameters, unit="unit-1", site="invented-shop", port=unit.path,
            journal=tmp_path / "journal.sqlite", expected_mw_cm2=6.0,
        ))  # fmt: skip
        with daemon(tmp_path) as client:
            client.add_recipe(RECIPE)
            client.make_plate(recipe="short", plate="P-1")
            make_at_terminal()
            ended = client.plate("P-1")
            client.make_plate(recipe="short", plate="P-2")
            at = Terminal("plate", "follow")
            at.until("or Enter  begin")
        at.until("lost the unit")  # its daemon has ended
        assert at.end() == 1
    assert ended["now"] is None
    assert (ended["record"]["state"], ended["record"]["data"]["judgement"]) == ("complete", "good")
    assert len(ended["record"]["parts"]) == 3


def make_at_terminal() -> None:
    at = Terminal("plate", "follow")
    at.until("plate P-1: A short one")
    at.until("CAUTION  UV injures eyes and skin")
    at.until("or Enter  begin")
    at.press("\r")
    at.until(r"UV light comes on for 60\.0 mJ/cm²")
    at.press("n\r")  # thought better of it
    at.until("or Enter  begin|ready")
    at.press("b")
    at.until(r"begin \[y/N\]")
    at.press("y\r")
    at.until("lamp on")
    at.until("step 2 of 5  washout")
    at.until("or Enter  begin")
    at.press("\r")
    at.until("rub: Rub with a pad")
    at.until("DUE")
    at.press("d")
    at.until("step 3 of 5  dry")
    at.press("b")
    at.until(r"the oven heats by its own thermostat\.\s+begin \[y/N\]")
    at.press("y\r")
    at.until("step 4 of 5  hardening")
    at.press("b")
    at.until(r"begin \[y/N\]")
    at.press("y\r")
    at.until("lamp on")
    at.until(r"[1-9]\d*\.\d+ of 500\.0 mJ/cm²")  # before, all of it would be left
    at.child.send_signal(signal.SIGINT)  # Ctrl-C
    at.until("lamps off, on hold")
    at.until("plate P-1 continues; come back with: platelink plate follow P-1")
    assert at.end() == 0

    at = Terminal("plate", "follow", "P-1")
    at.until("r  restart")
    at.press("r")
    at.until(r"that are left of 500\.0 mJ/cm²")
    at.press("y\r")
    at.until("step 5 of 5  inspect")
    at.until("or Enter  measure")
    at.press("m")
    at.until("rim: depth in µm, 20 to 30 µm")
    at.press("24.5\r")
    at.until("dots: Are all dots standing")
    at.press("y\r")
    at.until("note")
    at.press("\r")
    at.until("plate P-1 is complete: good")
    assert at.end() == 0
