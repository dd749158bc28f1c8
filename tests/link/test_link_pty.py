"""Port, session and back-off against the firmware as a process on a pty, in real time."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from platelink.link.messages import Output, ReplyCode, ResetCause, SetOutput
from platelink.link.outputs import CommandAnswered, LinkLost, LinkOutput, LinkUp, SampleReceived
from platelink.link.port import Port, PortError
from platelink.link.reconnect import Reconnect
from platelink.link.session import Session
from platesim.ptyprocess import PtyProcess

pytestmark = pytest.mark.system
DEADLINE_S = 20.0


class Shell:
    """The least that joins the three: read, send, open again."""

    def __init__(self, path: str) -> None:
        self.session = Session()
        self.reconnect = Reconnect()
        self.port = Port(path, on_data=self._data, on_lost=self._lost)
        self.out: list[LinkOutput] = []
        self.errors: list[str] = []
        self._loop = asyncio.get_running_loop()

    def of(self, kind: type) -> list[Any]:
        return [output for output in self.out if isinstance(output, kind)]

    async def until(self, true: Callable[[], object]) -> None:
        async with asyncio.timeout(DEADLINE_S):
            while not true():
                self._step()
                await asyncio.sleep(0.005)

    def _step(self) -> None:
        now = self._loop.time()
        if self.reconnect.tick(now=now):
            try:
                self.port.open()
            except PortError as error:
                self.errors.append(str(error))
                self.reconnect.failed(str(error), now=now)
            else:
                self.reconnect.opened(now=now)
                self.out += self.session.port_opened(now=now)
        self.out += self.session.tick(now=now)
        self.port.write(self.session.data_to_send())

    def _data(self, data: bytes) -> None:
        now = self._loop.time()
        self.out += self.session.receive(data, now=now)
        if self.session.status().state == "up":
            self.reconnect.proven(now=now)
        self.port.write(self.session.data_to_send())

    def _lost(self, reason: str) -> None:
        now = self._loop.time()
        self.out += self.session.port_lost(reason, now=now)
        self.reconnect.lost(reason, now=now)


async def live(unit: PtyProcess) -> None:
    shell = Shell(unit.path)
    loop = asyncio.get_running_loop()
    shell.reconnect.start(now=loop.time())
    await shell.until(lambda: shell.of(LinkUp))
    ref = shell.session.send(SetOutput(Output.VACUUM, 1, 500), now=loop.time())
    await shell.until(lambda: shell.of(CommandAnswered))
    assert shell.of(CommandAnswered)[0].ref == ref
    assert shell.of(CommandAnswered)[0].code is ReplyCode.OK

    unit.order(fault="unplug")
    await shell.until(lambda: shell.of(LinkLost))
    assert shell.of(LinkLost)[0].reason == "port lost"
    await shell.until(lambda: shell.errors)  # the name is gone while it is unplugged
    assert "plug the unit in" in shell.errors[0]
    unit.order(end="unplug")
    await shell.until(lambda: len(shell.of(LinkUp)) == 2)
    assert not shell.of(LinkUp)[1].rebooted

    unit.order(fault="reset", cause=int(ResetCause.WATCHDOG))
    await shell.until(lambda: len(shell.of(LinkUp)) == 3)
    assert shell.of(LinkUp)[2].rebooted
    assert shell.of(LinkUp)[2].hello.reset_cause == ResetCause.WATCHDOG
    seen = len(shell.of(SampleReceived))
    await shell.until(lambda: len(shell.of(SampleReceived)) > seen + 2)
    status = shell.session.status()
    assert (status.state, status.reconnects, status.reboots) == ("up", 1, 1)
    shell.port.close()


def test_unplug_replug_and_reset_of_a_real_serial_device(tmp_path: Path) -> None:
    with PtyProcess(link=tmp_path / "unit") as unit:
        asyncio.run(live(unit))
