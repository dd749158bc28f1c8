"""Clients that mean harm, as a process: ``python -m platelink.simulated.bench_attack KIND``, with a
``Target`` on standard input. Runs until it is ended.

Bytes are written by hand: what a client library would not do is part of it, and it costs little of
the computer that is attacked."""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import NamedTuple

NICENESS = 10
"""Attackers have computers of their own; here they have what is left of this one."""
PIECE = 1 << 16


@dataclass(frozen=True, slots=True)
class Target:
    """Where to attack, and as whom."""

    socket: str
    port: int
    page: int
    config: str
    run: str
    """A long one."""
    reader: str
    """Token of an auditor."""
    worker: str
    """Token of an operator; ``csrf`` goes with it."""
    csrf: str

    def told(self) -> bytes:
        """As the process reads it."""
        return json.dumps(asdict(self)).encode()


Address = str | int
"""Path of a Unix socket, or a port on loopback."""


async def _connected(at: Address) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
    if isinstance(at, str):
        return await asyncio.open_unix_connection(at)
    return await asyncio.open_connection("127.0.0.1", at)


async def idle(at: Address, beginning: bytes) -> None:
    """Connect, say next to nothing, and stay; come again when it is ended."""
    while True:
        with contextlib.suppress(OSError):
            reader, writer = await _connected(at)
            writer.write(beginning)
            await reader.read()
            writer.close()
        await asyncio.sleep(0.05)


async def flood(at: Address, asked: bytes) -> None:
    """Ask without a pause, by one connection for as long as it lasts."""
    while True:
        with contextlib.suppress(OSError, asyncio.IncompleteReadError, asyncio.LimitOverrunError):
            reader, writer = await _connected(at)
            try:
                while True:
                    writer.write(asked)
                    await _answer(reader)
            finally:
                writer.close()
        await asyncio.sleep(0.001)


async def _answer(reader: asyncio.StreamReader) -> None:
    head = (await reader.readuntil(b"\r\n\r\n")).lower()
    if head.startswith(b"http/1.1 101"):
        while await reader.read(PIECE):
            pass
    length = head.partition(b"content-length: ")[2].partition(b"\r\n")[0]
    await reader.readexactly(int(length or b"0"))


def http(method: str, path: str, body: object = None, **headers: str) -> bytes:
    """One request."""
    content = b"" if body is None else json.dumps(body).encode()
    lines = [f"{method} {path} HTTP/1.1", f"content-length: {len(content)}"]
    if content:
        lines.append("content-type: application/json")
    lines += [f"{name.replace('_', '-')}: {value}" for name, value in headers.items()]
    return "\r\n".join([*lines, "", ""]).encode() + content


class _Way(NamedTuple):
    at: Address
    before: str
    """What stands before each path."""
    proof: dict[str, str]
    """Headers that prove who asks."""


class Attack:
    """The kinds of attack on a target, each a number of clients."""

    def __init__(self, target: Target) -> None:
        self._t = target
        self._page = f"localhost:{target.page}"

    def _ways(self, token: str) -> tuple[_Way, _Way]:
        """By the socket and by the page."""
        origin = {"host": self._page, "origin": f"http://{self._page}"}
        proof = {"cookie": f"platelink_session={token}", "x_csrf_token": self._t.csrf}
        bearer = {"host": "platelink", "authorization": f"Bearer {token}"}
        return _Way(self._t.socket, "", bearer), _Way(self._t.page, "/api", origin | proof)

    def idle(self) -> Iterator[asyncio.Future[None]]:
        """Nothing is asked; some begin a line, or a head."""
        beginnings = (b"", b"GET /v1/sta", b"GET / HTTP/1.1\r\nhost: localhost\r\nx: ")
        for at, clients in ((self._t.port, 520), (self._t.page, 1100), (self._t.socket, 520)):
            for number in range(clients):
                yield asyncio.ensure_future(idle(at, beginnings[number % len(beginnings)]))

    def reads(self) -> Iterator[asyncio.Future[None]]:
        """An auditor reads everything at once."""
        paths = (
            "/v1/plates",
            "/v1/runs?limit=100",
            "/v1/status",
            f"/v1/runs/{self._t.run}/samples",
        )
        for way, clients in zip(self._ways(self._t.reader), (48, 24), strict=True):
            yield from self._floods(way, clients, "GET", paths)
        for number in range(24):
            path = ("/", "/history", "/sign-in")[number % 3]
            yield asyncio.ensure_future(flood(self._t.page, http("GET", path, host=self._page)))

    def acts(self) -> Iterator[asyncio.Future[None]]:
        """An operator restarts what is held, and holds what is not there."""
        paths = ("/v1/exposure/restart", "/v1/plates/none/hold", "/v1/alarms/none/reset")
        for way in self._ways(self._t.worker):
            yield from self._floods(way, 32, "POST", paths, {})

    def sign_ins(self) -> Iterator[asyncio.Future[None]]:
        """Somebody guesses."""
        guess = {"name": "bench", "secret": "wrong on purpose"}
        for way in self._ways("guessed"):
            yield from self._floods(way, 32, "POST", ("/v1/sign-in",), guess)

    def lines(self) -> Iterator[asyncio.Future[None]]:
        """An auditor follows hundredfold; strangers would like to."""
        upgrade = {
            "connection": "Upgrade", "upgrade": "websocket", "sec_websocket_version": "13",
            "sec_websocket_key": "AAAAAAAAAAAAAAAAAAAAAA==",
        }  # fmt: skip
        by_socket, by_page = self._ways(self._t.reader)
        for way, clients in ((by_socket, 150), (by_page, 300), (self._ways("guessed")[1], 50)):
            asked = http("GET", f"{way.before}/v1/live", **way.proof, **upgrade)
            for _ in range(clients):
                yield asyncio.ensure_future(flood(way.at, asked))

    def export(self) -> Iterator[asyncio.Future[None]]:
        """Everything of a long run, again and again, by the service and by the command."""
        paths = (f"/v1/runs/{self._t.run}/samples?points=20000",)
        for way in self._ways(self._t.reader):
            yield from self._floods(way, 4, "GET", paths)
        yield self._command("export", self._t.run, "--output", os.devnull)

    def check(self) -> Iterator[asyncio.Future[None]]:
        """A long record is integrated again, and again."""
        for _ in range(2):
            yield self._command("check", self._t.run)

    def full(self) -> Iterator[asyncio.Future[None]]:
        """No room is left on the disk that everything is recorded on."""
        yield asyncio.ensure_future(_fill(Path(self._t.socket).with_name("filler")))

    def _floods(
        self, way: _Way, clients: int, method: str, paths: tuple[str, ...], body: object = None
    ) -> Iterator[asyncio.Future[None]]:
        for client in range(clients):
            path = way.before + paths[client % len(paths)]
            asked = http(method, path, body, **way.proof)
            yield asyncio.ensure_future(flood(way.at, asked))

    def _command(self, *arguments: str) -> asyncio.Future[None]:
        command = [sys.executable, "-m", "platelink", "--config", self._t.config, *arguments]
        return asyncio.ensure_future(_again(command))


async def _again(command: list[str]) -> None:
    while True:
        child = await asyncio.create_subprocess_exec(
            *command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            await child.wait()
        finally:
            if child.returncode is None:
                child.kill()


async def _fill(path: Path) -> None:
    """All that is left, and whatever becomes free."""
    with path.open("ab", buffering=0) as file:
        while True:
            with contextlib.suppress(OSError):
                while file.write(b"x" * PIECE):
                    pass
            with contextlib.suppress(OSError):
                while file.write(b"x"):
                    pass
            await asyncio.sleep(0.05)


async def attack(kind: str, target: Target) -> None:
    """Until the process is ended."""
    try:
        await asyncio.gather(*getattr(Attack(target), kind)())
    finally:
        Path(target.socket).with_name("filler").unlink(missing_ok=True)


if __name__ == "__main__":
    os.nice(NICENESS)
    socket.setdefaulttimeout(60.0)
    asyncio.run(attack(sys.argv[1], Target(**json.loads(sys.stdin.read()))))
