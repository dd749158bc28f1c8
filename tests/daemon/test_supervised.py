"""What systemd hears of the daemon (sd_notify(3)): ready, alive, ending, as it is."""

from __future__ import annotations

import asyncio
import os
import socket
from pathlib import Path

import pytest

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.daemon.supervised import LATE_S, Supervised

WATCHDOG_S = 20.0


class Manager:
    """systemd's end."""

    def __init__(self, path: Path) -> None:
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_NONBLOCK)
        self._socket.bind(str(path))
        self.environ = {
            "NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": str(round(WATCHDOG_S * 1e6)),
            "WATCHDOG_PID": str(os.getpid()), "HOME": "/",
        }  # fmt: skip

    def heard(self) -> list[str]:
        said = []
        while True:
            try:
                said.append(self._socket.recv(100).decode())
            except BlockingIOError:
                return said


@pytest.fixture
def manager(tmp_path):
    manager = Manager(tmp_path / "notify")
    yield manager
    manager._socket.close()


def test_a_daemon_that_works_gives_signs_of_life_and_one_that_hangs_gives_none(tmp_path, manager):
    async def work() -> None:
        bench = Bench()
        daemon = Daemon(config_for(tmp_path), bench)
        supervised = Supervised(manager.environ, daemon.shell.late_s)
        async with daemon:
            supervised.start()
            assert manager.heard() == ["READY=1", "WATCHDOG=1"]
            for there in (True, False):  # without a device too
                bench.there = there
                await asyncio.sleep(5 * WATCHDOG_S)
                assert manager.heard() == 10 * ["WATCHDOG=1"]
            daemon.shell._tick = lambda due=0.0: None  # what is due is not done any more
            await asyncio.sleep(LATE_S + WATCHDOG_S)
            manager.heard()
            await asyncio.sleep(5 * WATCHDOG_S)
            assert not manager.heard()
            supervised.stop()
            assert manager.heard() == ["STOPPING=1"]
            await asyncio.sleep(5 * WATCHDOG_S)
            assert not manager.heard()

    in_simulated_time(work())


def test_no_child_of_the_daemon_can_speak_for_it(manager):
    environ = dict(manager.environ)
    Supervised(environ, lambda: 0.0)
    assert environ == {"HOME": "/"}


@pytest.mark.parametrize(
    "changed",
    [{"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_PID": "1"}],
    ids=lambda changed: "".join(changed.values()),
)
def test_a_sign_of_life_that_nobody_asks_of_this_process_is_not_given(manager, changed):
    async def work() -> None:
        Supervised(manager.environ | changed, lambda: 0.0).start()
        await asyncio.sleep(5 * WATCHDOG_S)
        assert manager.heard() == ["READY=1"]

    in_simulated_time(work())


@pytest.mark.parametrize("address", ["", "/nowhere/notify", "relative"])
def test_without_systemd_it_serves_all_the_same(address):
    async def work() -> None:
        supervised = Supervised({"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"}, lambda: 0.0)
        supervised.start()
        await asyncio.sleep(5.0)
        supervised.stop()

    in_simulated_time(work())
