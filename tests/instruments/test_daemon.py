"""The daemon as a process, with a unit on one pseudo terminal and instruments on another."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from plain_client import Client
from system.shop_processes import Process, wait

from instruments.bus_shop import BUS
from instruments.line import Line
from instruments.test_modbus import instruments_at
from platelink.client import ClientError
from platelink.simulated.harness import configuration
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

LONG_S = 60.0


@pytest.mark.system
def test_it_reads_them_says_when_they_are_gone_and_reads_on_when_they_are_back(
    tmp_path: Path,
) -> None:
    with Line() as line, PtyProcess() as unit:
        text = configuration(
            SCENARIOS["faded"].parameters, unit="unit-1", site="invented-shop", port=unit.path,
            journal=tmp_path / "journal.sqlite", expected_mw_cm2=7.0,
        )  # fmt: skip
        for section in ("vacuum", "oven"):
            text = re.sub(rf"\n\[{section}\]\n(?:[^\[\n].*\n)*", "\n", text)
        bus = BUS.replace("/dev/simulated-bus", line.host)
        bus = bus.replace("[modbus]\n", '[modbus]\nbaud = 115200\nparity = "none"\n')
        config = tmp_path / "platelink.toml"
        config.write_text(text + bus)

        def status() -> dict[str, Any]:
            try:
                with Client(tmp_path / "journal.socket") as client:
                    return client.status()
            except (ClientError, OSError):
                return {}

        def told() -> tuple[Any, Any]:
            reading = status().get("reading") or {}
            return reading.get("vacuum_kpa"), reading.get("oven_c")

        daemon = Process(tmp_path / "log", "--config", str(config), "serve")
        daemon.start()
        try:
            with instruments_at(line):
                wait(lambda: told() == (72.4, 70.5), LONG_S, lambda: str(status()))
            wait(lambda: told() == (None, None), LONG_S, lambda: str(status()))
            wait(
                lambda: all(
                    one["lost"] and "does not answer" in one["problem"]
                    for one in status()["instruments"]
                ),
                LONG_S, lambda: str(status()),
            )  # fmt: skip
            with instruments_at(line):
                wait(lambda: told() == (72.4, 70.5), LONG_S, lambda: str(status()))
        finally:
            daemon.end()
        sent = line.sent
    assert {sent[i + 1] for i in range(0, len(sent) - 7, 8)} == {3, 4}
