"""The daemon as installed, in real time, against the AVR firmware on a terminal; also killed."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plain_client import Client

from contract.conftest import AVR
from platelink.client import NoService
from platelink.record.reader import JournalReader
from platelink.simulated.harness import configuration
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(180)]
DOSE = 62.0
"""Eleven seconds of the faded lamps, warm."""
WITHIN_PCT = 0.10


def wait(condition: Callable[[], Any], limit_s: float, what: str) -> Any:
    """Poll real processes; the value that ended the wait."""
    end = time.monotonic() + limit_s
    while not (value := condition()):
        assert time.monotonic() < end, f"{what}: not after {limit_s} s"
        time.sleep(0.05)
    return value


class Daemon:
    """``platelink serve`` on the unit's terminal, its files in one directory."""

    def __init__(self, directory: Path, unit: PtyProcess) -> None:
        self.log, self.journal = directory / "daemon.log", directory / "journal.sqlite"
        self._config = directory / "platelink.toml"
        self._config.write_text(
            configuration(
                SCENARIOS["faded"].parameters, unit="unit-1", site="invented-shop",
                port=unit.path, journal=self.journal, expected_mw_cm2=7.0,
            )
        )  # fmt: skip
        self.start()

    def start(self) -> None:
        command = [sys.executable, "-m", "platelink", "--config", self._config, "serve", "--json"]
        with self.log.open("ab") as log:
            self.child = subprocess.Popen(command, stdout=log, stderr=log)
        wait(self._up, 20.0, "link up")

    def _up(self) -> bool:
        try:
            return bool(self.status()["link"]["state"] == "up")
        except NoService:
            return False

    def kill(self) -> None:
        self.child.kill()
        self.child.wait()

    def status(self) -> dict[str, Any]:
        with self._client() as client:
            return client.status()

    def expose(self) -> str:
        with self._client() as client:
            return client.expose({"dose": f"{DOSE} mJ/cm2", "contact": False})

    def _client(self) -> Client:
        return Client(self.journal.with_suffix(".socket"))

    def exposure(self) -> dict[str, Any]:
        return self.status()["exposure"] or {}

    def until_light(self, seconds: float) -> None:
        wait(lambda: (self.exposure().get("light_s") or 0.0) > seconds, 30.0, "light")

    def until_complete(self) -> None:
        ended = ("complete", "stopped", "aborted", "held")
        state = wait(lambda: (s := self.exposure().get("state")) in ended and s, 60.0, "the end")
        assert state == "complete", self.log.read_text()[-2000:]


@pytest.fixture
def unit(tmp_path: Path) -> Iterator[PtyProcess]:
    AVR.make().close()  # compiled now, or skipped with the reason
    with PtyProcess(board="avr", speed=1.0, link=tmp_path / "tty") as process:
        yield process


def off_pct(value: float, target: float = DOSE) -> float:
    return 100.0 * (value / target - 1.0)


def test_an_exposure_in_real_time_and_one_through_a_killed_daemon(
    tmp_path: Path, unit: PtyProcess
) -> None:
    daemon = Daemon(tmp_path, unit)
    try:
        unit.order(do="mark")
        whole = daemon.expose()
        daemon.until_complete()
        truth = unit.truth()
        with JournalReader.open(daemon.journal) as journal:
            end, found = journal.run(whole).end, journal.check(whole)
        print(
            f"real time: {truth['light_on_s']:.2f} s of light, true dose off by "
            f"{off_pct(truth['dose_mj_cm2']):+.3f} %, recorded {off_pct(end.dose_mj_cm2):+.3f} %"
        )
        assert 8.0 < truth["light_on_s"] < 14.0
        assert abs(off_pct(truth["dose_mj_cm2"])) < WITHIN_PCT
        assert abs(off_pct(end.dose_mj_cm2, truth["dose_mj_cm2"])) < WITHIN_PCT
        assert found is not None and found.ok, found

        unit.order(do="mark")
        broken = daemon.expose()
        daemon.until_light(5.0)
        daemon.kill()
        time.sleep(1.0)  # nobody at the line for a while
        assert unit.truth()["lamp_on"]
        daemon.start()
        wait(lambda: '"interrupted"' in daemon.log.read_text(), 40.0, "the broken run is closed")
        truth = unit.truth()
        assert not truth["lamp_on"]
        with JournalReader.open(daemon.journal) as journal:
            end = journal.run(broken).end
        print(
            f"killed: {truth['light_on_s']:.2f} s of light, true dose off by "
            f"{off_pct(truth['dose_mj_cm2']):+.3f} %, recorded off that by "
            f"{off_pct(end.dose_mj_cm2, truth['dose_mj_cm2']):+.3f} %"
        )
        assert abs(off_pct(truth["dose_mj_cm2"])) < WITHIN_PCT
        assert abs(off_pct(end.dose_mj_cm2, truth["dose_mj_cm2"])) < WITHIN_PCT
        assert len(truth["stretches"]) == 1
    finally:
        daemon.kill()
