"""Connections that say nothing, or come in crowds, at a real socket: whoever stops comes in."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Callable, Coroutine
from typing import Any

import pytest
import uvicorn
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Receive, Scope, Send

from platelink.serving import entrance as module
from platelink.serving import server as server_module
from platelink.serving.server import Protocol, Server
from platelink.serving.turns import Rules, Turns, keep_line

SEATS = 8
STOP = b"POST /v1/exposure/stop HTTP/1.1\r\nhost: x\r\ncontent-length: 0\r\n\r\n"
READ = b"GET /v1/status HTTP/1.1\r\nhost: x\r\n\r\n"
LIVE = (
    b"GET /v1/live HTTP/1.1\r\nhost: x\r\nconnection: Upgrade\r\nupgrade: websocket\r\n"
    b"sec-websocket-version: 13\r\nsec-websocket-key: AAAAAAAAAAAAAAAAAAAAAA==\r\n\r\n"
)
RULES = Rules(
    urgent=lambda scope: scope["path"].endswith("/stop"),
    token=lambda scope: "",
    refuse=lambda scope, status: PlainTextResponse("no", status),
    most_bytes=10,
    room_each=4,
)
Line = tuple[asyncio.StreamReader, asyncio.StreamWriter]


class Loopback:
    """A server at a port, and everybody who connects to it."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.lines: list[Line] = []

    async def connect(self, said: bytes = b"") -> Line:
        line = await asyncio.open_connection("127.0.0.1", self.port)
        self.lines.append(line)
        line[1].write(said)
        return line

    async def status(self, said: bytes) -> int:
        reader, _ = await self.connect(said)
        return int((await asyncio.wait_for(reader.readline(), 10.0)).split()[1])


def run(work: Callable[[Loopback], Coroutine[Any, Any, None]], app: ASGIApp | None = None) -> None:
    async def whole() -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        config = uvicorn.Config(
            Turns(app or PlainTextResponse("done"), RULES), http=Protocol, lifespan="off",
            log_config=None, timeout_graceful_shutdown=1,
        )  # fmt: skip
        server = Server(config, lambda _: SEATS)
        config.load()
        server.lifespan = config.lifespan_class(config)
        await server.startup([listener])
        here = Loopback(listener.getsockname()[1])
        try:
            await asyncio.wait_for(work(here), 30.0)
        finally:
            for _, writer in here.lines:
                writer.close()
            await server.shutdown([listener])

    asyncio.run(whole())


def ended(lines: list[Line]) -> int:
    return sum(reader.at_eof() or reader.exception() is not None for reader, _ in lines)


async def until(condition: Callable[[], Any]) -> None:
    while not condition():
        await asyncio.sleep(0.005)


def test_a_crowd_that_says_nothing_keeps_nobody_out() -> None:
    async def work(here: Loopback) -> None:
        crowd = [await here.connect() for _ in range(5 * SEATS)]
        assert await here.status(STOP) == 200
        assert await here.status(READ) == 200
        await until(lambda: ended(crowd) >= 4 * SEATS)

    run(work)


def test_what_is_begun_and_not_ended_keeps_nobody_out_and_ends(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    for place in (module, server_module):
        monkeypatch.setattr(place, "HEAD_S", 0.2)

    async def work(here: Loopback) -> None:
        few = [
            await here.connect(b"GET /v1/sta") for _ in range(2)
        ]  # connections are made of these
        crowd = [await here.connect(READ[:-2]) for _ in range(3)]
        assert await here.status(STOP) == 200
        await until(lambda: ended([*few, *crowd]) == 5)
        line = await here.connect(READ)
        await line[0].readuntil(b"done")
        line[1].write(b"GET /v1/sta")  # a second one on the same line, slowly
        await until(lambda: ended([line]))

    run(work)


def test_of_a_crowd_a_stop_comes_in_at_once_and_others_one_after_another(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "APART_S", 3600.0)

    async def work(here: Loopback) -> None:
        few = SEATS // module.MANY
        for _ in range(few):
            await here.connect()
        assert await here.status(READ) == 200  # the first of a crowd, and all others an hour later
        waiting = asyncio.ensure_future(here.status(READ))
        for said in (
            STOP,
            STOP.replace(b"/v1", b"/api/v1"),
            STOP.replace(b"exposure", b"plates/p"),
        ):
            assert await here.status(said) == 200
        part, writer = await here.connect(STOP[:9])
        await asyncio.sleep(0.05)
        writer.write(STOP[9:])
        assert (await asyncio.wait_for(part.readline(), 10.0)).split()[1] == b"200"
        assert not waiting.done()
        waiting.cancel()

    run(work)


def test_a_line_that_is_begun_and_not_ended_costs_nothing_while_it_waits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """What is looked at and not read would be told by the loop at every turn."""
    looks: list[bytes] = []
    look = module._Hall._look

    def counted(self: Any) -> None:
        looks.append(b"")
        look(self)

    monkeypatch.setattr(module._Hall, "_look", counted)
    monkeypatch.setattr(module, "APART_S", 3600.0)

    async def work(here: Loopback) -> None:
        for said in (b"", b"", b"GET /", b"POST /v1/expo", b"PO", b"GET / HTTP/1.1\r\n"):
            await here.connect(said)
        await asyncio.sleep(0.3)
        assert 4 <= len(looks) < 40

    run(work)


def test_who_is_worked_for_keeps_the_seat() -> None:
    free = asyncio.Event()

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["path"] == "/v1/status":
            await free.wait()
        await PlainTextResponse("done")(scope, receive, send)

    async def work(here: Loopback) -> None:
        working = asyncio.ensure_future(here.status(READ))
        await asyncio.sleep(0.1)
        for _ in range(3 * SEATS):
            await here.connect()
        assert await here.status(STOP) == 200
        free.set()
        assert await working == 200

    run(work, app)


def test_of_too_many_live_lines_nothing_is_made(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    free = asyncio.Event()

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        asked.append(scope["type"])
        await free.wait()
        await PlainTextResponse("done")(scope, receive, send)

    async def work(here: Loopback) -> None:
        for _ in range(RULES.room_each):
            await here.connect(READ)
        await until(lambda: len(asked) == RULES.each)
        assert await here.status(LIVE) == 429
        assert asked == ["http"] * RULES.each
        free.set()

    run(work, app)


def test_a_live_line_that_ended_leaves_its_seat() -> None:
    """Tablets lose their network and come again all day; each time is one seat, not one more."""

    async def app(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] == "http":
            await PlainTextResponse("done")(scope, receive, send)
            return
        await receive()
        await send({"type": "websocket.accept"})
        keep_line(scope)
        while (await receive())["type"] != "websocket.disconnect":
            pass

    async def work(here: Loopback) -> None:
        for _ in range(2 * SEATS):
            reader, writer = await here.connect(LIVE)
            assert b" 101 " in await reader.readuntil(b"\r\n\r\n")
            writer.close()
            await writer.wait_closed()
        assert await here.status(READ) == 200

    run(work, app)


def test_where_no_more_files_may_be_opened_it_is_said_once_and_goes_on(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setattr(module, "PAUSE_S", 0.05)
    accept, faults = socket.socket.accept, [OSError(24, "Too many open files")] * 2

    def failing(self: socket.socket) -> Any:
        if faults:
            raise faults.pop()
        return accept(self)

    async def work(here: Loopback) -> None:
        monkeypatch.setattr(socket.socket, "accept", failing)
        assert await here.status(STOP) == 200

    run(work)
    assert [record.getMessage() for record in caplog.records] == [
        "no connection can be taken: [Errno 24] Too many open files"
    ] * 2


def test_who_has_just_come_is_read_before_a_storm_takes_the_seat() -> None:
    """Everybody of it comes again as soon as they have to go."""

    async def work(here: Loopback) -> None:
        storming = True

        async def storm() -> None:
            while storming:
                line = await asyncio.open_connection("127.0.0.1", here.port)
                here.lines.append(line)
                with contextlib.suppress(OSError):
                    await line[0].read()
                line[1].close()

        storms = [asyncio.create_task(storm()) for _ in range(5 * SEATS)]
        for _ in range(40):
            assert await here.status(STOP) == 200
        storming = False
        for task in storms:
            task.cancel()
        await asyncio.gather(*storms, return_exceptions=True)

    run(work)


def test_who_comes_when_it_is_over_is_refused_at_once() -> None:
    async def whole() -> None:
        listener = socket.create_server(("127.0.0.1", 0))
        port = listener.getsockname()[1]
        entrance = module.Entrance(
            listener, module.Seats(SEATS), lambda seat, left: asyncio.Protocol(), ssl=None
        )
        entrance.close()
        entrance.close()
        with pytest.raises(ConnectionRefusedError):
            await asyncio.open_connection("127.0.0.1", port)

    asyncio.run(whole())
