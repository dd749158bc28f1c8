"""The port over a pty: data, hang-up, a second opener, a name that is not there."""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import sys
import tty
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from platelink.link.framing import Decoder, Frame, encode
from platelink.link.messages import Heartbeat
from platelink.link.outputs import GarbageReceived
from platelink.link.port import (
    MAX_UNSENT,
    Port,
    PortBusy,
    PortError,
    PortMissing,
    PortRefused,
    explain,
    holder,
)
from platelink.link.session import Session

DEADLINE_S = 5.0


@pytest.fixture
def pty() -> Iterator[tuple[int, str]]:
    """(master, path of the slave)."""
    master, slave = os.openpty()
    tty.setraw(slave)
    path = os.ttyname(slave)
    os.close(slave)
    os.set_blocking(master, False)
    yield master, path
    with contextlib.suppress(OSError):
        os.close(master)


class Watched:
    """A port whose callbacks are recorded."""

    def __init__(self, path: str) -> None:
        self.data = bytearray()
        self.lost: list[str] = []
        self.port = Port(path, on_data=self.data.extend, on_lost=self.lost.append)


async def until(true: Callable[[], object]) -> None:
    """Let the loop work until something is so; the deadline is for broken code only."""
    async with asyncio.timeout(DEADLINE_S):
        while not true():
            await asyncio.sleep(0.001)


def test_bytes_both_ways(pty: tuple[int, str]) -> None:
    master, path = pty

    async def run() -> None:
        watched = Watched(path)
        watched.port.open()
        os.write(master, b"\0" + encode(Heartbeat(), 7))
        await until(lambda: watched.data.endswith(b"\0") and len(watched.data) > 1)
        assert Decoder().feed(bytes(watched.data)) == [Frame(0x42, 7, b"")]
        watched.port.write(b"hello\0")
        assert os.read(master, 100) == b"hello\0"
        assert not watched.lost
        watched.port.close()
        watched.port.close()
        watched.port.write(b"nobody")
        assert not watched.port.is_open

    asyncio.run(run())


def test_hang_up_is_said_once(pty: tuple[int, str]) -> None:
    master, path = pty

    async def run() -> None:
        watched = Watched(path)
        watched.port.open()
        os.close(master)
        await until(lambda: watched.lost)
        await asyncio.sleep(0)
        assert len(watched.lost) == 1
        assert path in watched.lost[0]
        assert not watched.port.is_open

    asyncio.run(run())


def test_garbage_is_diagnosed(pty: tuple[int, str]) -> None:
    master, path = pty

    async def run() -> None:
        watched = Watched(path)
        watched.port.open()
        session = Session()
        session.port_opened(now=0.0)
        os.write(master, bytes(range(1, 256)) * 9)
        await until(lambda: len(watched.data) == 9 * 255)
        outputs = session.receive(bytes(watched.data), now=0.1)
        (garbage,) = [output for output in outputs if isinstance(output, GarbageReceived)]
        assert garbage.size == 9 * 255
        assert session.status().state == "garbage"
        watched.port.close()

    asyncio.run(run())


def test_second_opener_is_refused_by_name(pty: tuple[int, str]) -> None:
    _, path = pty
    first = (
        "import serial, sys; p = serial.Serial(sys.argv[1], exclusive=True);"
        "print(1, flush=True); input()"
    )

    async def run() -> None:
        watched = Watched(path)
        with pytest.raises(PortBusy, match=rf"{path} is in use by .*process {holder.pid}\)"):
            watched.port.open()
        assert not watched.port.is_open

    with subprocess.Popen(
        [sys.executable, "-c", first, path], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"1\n"
        try:
            asyncio.run(run())
        finally:
            holder.communicate(b"\n", timeout=DEADLINE_S)

    async def again() -> None:
        watched = Watched(path)
        watched.port.open()
        with pytest.raises(PortBusy, match="this program"):
            Watched(path).port.open()
        watched.port.close()

    asyncio.run(again())


def test_missing_port_says_what_there_is(tmp_path: Path) -> None:
    async def run() -> None:
        with pytest.raises(PortMissing, match=r"ports found: .*plug the unit in"):
            Watched(str(tmp_path / "ttyUSB0")).port.open()

    asyncio.run(run())


def test_refused_port_names_the_remedy() -> None:
    error = explain("/dev/ttyUSB0", PermissionError(13, "Permission denied"))
    assert isinstance(error, PortRefused)
    assert "dialout" in str(error)


def test_a_port_that_takes_nothing_costs_bounded_memory(pty: tuple[int, str]) -> None:
    master, path = pty

    async def run() -> None:
        watched = Watched(path)
        watched.port.open()
        block = b"x" * 1000
        for _ in range(200):
            watched.port.write(block)
        assert watched.port.dropped > 0
        assert len(watched.port._unsent) <= MAX_UNSENT
        kept = 200_000 - watched.port.dropped
        got = 0

        def drain() -> bool:
            nonlocal got
            with contextlib.suppress(BlockingIOError):
                got += len(os.read(master, 65536))
            return got == kept

        await until(drain)
        watched.port.write(b"again")
        await until(lambda: not watched.port._unsent)
        assert os.read(master, 10) == b"again"
        watched.port.close()

    asyncio.run(run())


@pytest.mark.parametrize("kind", ["file", "directory", "null"])
def test_what_is_no_serial_port_is_said_so(tmp_path: Path, kind: str) -> None:
    path = {"file": tmp_path / "a.txt", "directory": tmp_path, "null": Path("/dev/null")}[kind]
    if kind == "file":
        path.write_text("no port")

    async def work() -> None:
        port = Port(str(path), on_data=lambda _: None, on_lost=lambda _: None)
        with pytest.raises(
            PortError, match=r"is no serial port; ports found: .*; correct the port"
        ):
            port.open()

    asyncio.run(work())


def test_a_process_may_end_while_it_is_looked_at(monkeypatch: pytest.MonkeyPatch) -> None:
    before = Path.iterdir

    def ended(self: Path) -> Iterator[Path]:
        if self.name == "fd":
            raise FileNotFoundError(self)
        return before(self)

    monkeypatch.setattr(Path, "iterdir", ended)
    assert holder("/dev/null").startswith("another program")
