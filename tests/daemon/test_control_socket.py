"""The control socket: clients that ask, follow, babble, hang and vanish."""

from __future__ import annotations

import asyncio
import json
import socket
from collections.abc import Callable, Coroutine
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest

from platelink.daemon.control_socket import (
    FOLLOWER_BYTES,
    ControlClient,
    ControlServer,
    SocketError,
    SocketInUseError,
)


def run(tmp_path: Path, work: Callable[[ControlServer, Path], Coroutine[Any, Any, None]],
        handle: Callable[[dict[str, Any]], dict[str, Any]] | None = None,
        faults_told: int = 0) -> None:  # fmt: skip
    """A server in this process, and no fault that asyncio would only log."""
    faults: list[str] = []

    async def whole() -> None:
        asyncio.get_running_loop().set_exception_handler(lambda _, c: faults.append(str(c)))
        path = tmp_path / "control.socket"
        server = ControlServer(path, handle or (lambda request: {"ok": True, "heard": request}))
        await server.start()
        try:
            await asyncio.wait_for(work(server, path), 10.0)
        finally:
            await server.stop()

    asyncio.run(whole())
    assert len(faults) == faults_told, faults


async def say(writer: asyncio.StreamWriter, reader: asyncio.StreamReader, line: bytes) -> Any:
    writer.write(line + b"\n")
    return json.loads(await reader.readline())


def test_a_client_asks_and_follows(tmp_path: Path) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        def client() -> list[Any]:
            with ControlClient(path) as asking, ControlClient(path) as following:
                answers = [asking.ask(do="status", n=1), following.ask(do="follow")]
                server_loop.call_soon_threadsafe(server.tell, {"event": "µ"})
                answers.append(next(following.follow()))
                return answers

        server_loop = asyncio.get_running_loop()
        assert await asyncio.to_thread(client) == [
            {"ok": True, "heard": {"do": "status", "n": 1}},
            {"ok": True},
            {"event": "µ"},
        ]

    run(tmp_path, work)


@pytest.mark.parametrize(
    "line", [b"{", b"[1]", b'"x"', b"5", b"", b"\xff\xfe", b"[" * 60_000, b"1" * 5000]
)
def test_what_is_no_request_is_answered_and_the_next_one_served(
    tmp_path: Path, line: bytes
) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        answer = await say(writer, reader, line)
        assert answer["ok"] is False and "request not understood" in answer["error"]
        assert (await say(writer, reader, b'{"do": "status"}'))["ok"]
        writer.close()

    run(tmp_path, work)


def test_a_line_without_end_ends_its_connection_only(tmp_path: Path) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        other_reader, other = await asyncio.open_unix_connection(path)
        writer.write(b"x" * (1 << 18))
        with suppress(ConnectionResetError):
            assert await reader.read() == b""
        assert (await say(other, other_reader, b'{"do": "status"}'))["ok"]
        writer.close()
        other.close()

    run(tmp_path, work)


def test_a_handler_that_fails_answers_so(tmp_path: Path) -> None:
    """A fault of ours must not look like a dead daemon."""

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        if request["do"] == "nan":
            return {"ok": True, "value": float("nan")}
        raise KeyError("job")

    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        for do in (b"expose", b"nan"):
            answer = await say(writer, reader, b'{"do": "' + do + b'"}')
            assert answer["ok"] is False and "fault in the daemon" in answer["error"]
        writer.close()

    run(tmp_path, work, handle, faults_told=2)


def test_a_follower_that_does_not_read_is_dropped(tmp_path: Path) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path, limit=64)
        quick_reader, quick = await asyncio.open_unix_connection(path)
        await say(writer, reader, b'{"do": "follow"}')
        await say(quick, quick_reader, b'{"do": "follow"}')
        line = {"event": "x" * 1000}
        for _ in range(4 * FOLLOWER_BYTES // 1000):
            server.tell(line)
            assert json.loads(await quick_reader.readline()) == line
        assert len(server._followers) == 1
        writer.close()
        quick.close()

    run(tmp_path, work)


def test_a_client_that_vanishes_is_forgotten(tmp_path: Path) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        await say(writer, reader, b'{"do": "follow"}')
        writer.close()
        await writer.wait_closed()
        for _ in range(100):
            server.tell({"event": "x"})
            await asyncio.sleep(0)
        assert server._followers == set()

    run(tmp_path, work)


def test_stopping_ends_every_connection_and_takes_no_more_requests(tmp_path: Path) -> None:
    heard: list[Any] = []

    def handle(request: dict[str, Any]) -> dict[str, Any]:
        heard.append(request)
        return {"ok": True}

    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        await say(writer, reader, b'{"do": "status"}')
        await server.stop()
        writer.write(b'{"do": "expose"}\n')
        with pytest.raises(ConnectionError):
            if not await reader.read():
                raise ConnectionResetError
        await asyncio.sleep(0)
        assert len(heard) == 1
        assert not path.exists()
        writer.close()

    run(tmp_path, work, handle)


def test_two_daemons_on_one_socket(tmp_path: Path) -> None:
    async def work(server: ControlServer, path: Path) -> None:
        second = ControlServer(path, lambda request: {})
        with pytest.raises(SocketInUseError, match="a daemon is running here already"):
            await asyncio.to_thread(lambda: asyncio.run(second.start()))
        with pytest.raises(SocketInUseError):
            await second.start()
        assert path.exists()
        for _ in range(10):  # let the server see its short visitors out
            await asyncio.sleep(0)

    run(tmp_path, work)


def test_the_socket_of_a_dead_daemon_is_replaced(tmp_path: Path) -> None:
    dead = socket.socket(socket.AF_UNIX)
    dead.bind(str(tmp_path / "control.socket"))
    dead.close()

    async def work(server: ControlServer, path: Path) -> None:
        reader, writer = await asyncio.open_unix_connection(path)
        assert (await say(writer, reader, b"{}"))["ok"]
        assert path.stat().st_mode & 0o777 == 0o660
        writer.close()

    run(tmp_path, work)


@pytest.mark.parametrize("name", ["x" * 120, "file/control.socket"])
def test_a_socket_that_cannot_be_made_says_why(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_text("")

    async def work() -> None:
        with pytest.raises(SocketError, match=r"control socket .* cannot be made"):
            await ControlServer(tmp_path / name, lambda request: {}).start()

    asyncio.run(work())


def test_nobody_there(tmp_path: Path) -> None:
    with pytest.raises(OSError):
        ControlClient(tmp_path / "control.socket")
