"""Broker and store as children of this process, on free loopback ports, for demo and tests.

A service counts as started when the child is alive, *it* owns the port, and it has answered; the
store must also have given back a point that was written into it.
"""

from __future__ import annotations

import getpass
import os
import re
import secrets
import shutil
import socket
import subprocess
import time
import urllib.parse
import urllib.request
from abc import ABC, abstractmethod
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import ClassVar

from platelink.publish.broker import BrokerSettings

START_LIMIT_S = 15.0
"""Ready after about 1 s here; a busy small computer gets a multiple of that."""
STOP_LIMIT_S = 5.0


class ServiceError(Exception):
    """A service is not installed or did not start; the text says what to do."""


class Service(ABC):
    """One child. ``start`` may be called again after ``kill`` or ``stop``: same port, same data."""

    program: ClassVar[str]
    package: ClassVar[str]

    def __init__(self, directory: Path) -> None:
        self.directory = directory
        self.port = free_port()
        self._child: subprocess.Popen[bytes] | None = None

    @classmethod
    def find(cls) -> str | None:
        """Path of the program, None if it is not installed."""
        return shutil.which(cls.program, path=f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin")

    @property
    def log_path(self) -> Path:
        return self.directory / f"{self.program}.log"

    @property
    def pid(self) -> int | None:
        return None if self._child is None else self._child.pid

    def start(self, *, verify: bool = True) -> None:
        """Start and wait until ready; ServiceError with the end of its log otherwise. With
        ``verify`` False it returns as soon as the child owns the port."""
        program = self.find()
        if program is None:
            raise ServiceError(
                f"{self.program} is not installed: sudo apt-get install {self.package}"
            )
        if self._child is not None:
            raise ServiceError(f"{self.program} is already running (pid {self._child.pid})")
        self.directory.mkdir(parents=True, exist_ok=True)
        command = [*die_with_parent(), program, *self._arguments()]
        with self.log_path.open("ab") as log:
            self._child = subprocess.Popen(  # noqa: S603 - our own arguments
                command, stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT
            )
        try:
            self._wait_until(lambda: owns_port(self._alive().pid, self.port), "own its port")
            if verify:
                self._wait_until(self._answers, "answer")
        except ServiceError:
            self.kill()
            raise

    def kill(self) -> None:
        """kill -9, and wait until it is gone."""
        if self._child is not None:
            self._child.kill()
            self._child.wait()
            self._child = None

    def stop(self) -> None:
        """End in order, by force after STOP_LIMIT_S."""
        if self._child is None:
            return
        self._child.terminate()
        try:
            self._child.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            self._child.kill()
            self._child.wait()
        self._child = None

    @abstractmethod
    def _arguments(self) -> list[str]: ...

    @abstractmethod
    def _answers(self) -> bool: ...

    def _alive(self) -> subprocess.Popen[bytes]:
        assert self._child is not None
        code = self._child.poll()
        if code is not None:
            self._child = None
            raise ServiceError(f"{self.program} ended with code {code}: {self._log_end()}")
        return self._child

    def _wait_until(self, condition: Callable[[], bool], what: str) -> None:
        limit = time.monotonic() + START_LIMIT_S
        while not condition():
            self._alive()
            if time.monotonic() > limit:
                raise ServiceError(
                    f"{self.program} did not {what} within {START_LIMIT_S:g} s on port "
                    f"{self.port}: {self._log_end()}"
                )
            time.sleep(0.02)

    def _log_end(self) -> str:
        return self.log_path.read_text("utf-8", "replace")[-400:].strip()


class BrokerService(Service):
    """mosquitto on the shipped configuration and access list, with a password for each user."""

    program = "mosquitto"
    package = "mosquitto"

    def __init__(
        self, directory: Path, *units: str, tls: bool = False,
        recorders: tuple[str, ...] = ("recorder",),
    ) -> None:  # fmt: skip
        """``units`` are users, "<site>/<unit>"; so are ``recorders``. ``tls``: the listener of the
        network too; its files are expected in ``directory``/certs."""
        super().__init__(directory)
        self.tls_port = free_port() if tls else None
        self._recorders = recorders
        users = (*units, *recorders, "reader", "keeper", "wall")
        self.passwords = {user: secrets.token_urlsafe(9) for user in users}

    def settings(self, user: str) -> BrokerSettings:
        """How this user reaches it, by the local listener."""
        return BrokerSettings("127.0.0.1", self.port, user, self.passwords[user])

    def section(self, unit: str) -> str:
        """The keys of a configuration's ``[broker]`` for this unit, and of ``[recorder]``."""
        return (
            f'[broker]\nhost = "127.0.0.1"\nport = {self.port}\nusername = "{unit}"\n'
            f'password = "{self.passwords[unit]}"\n\n[recorder]\nusername = "recorder"\n'
            f'password = "{self.passwords["recorder"]}"\n'
        )

    def _arguments(self) -> list[str]:
        path = self.directory / "mosquitto.conf"
        text = broker_configuration(self.port, self.directory, tls_port=self.tls_port)
        path.write_text(text, "utf-8")
        rights = access_list(self._recorders)
        (self.directory / "platelink.acl").write_text(rights, "utf-8")
        if not (self.directory / "platelink.passwd").exists():
            self._write_passwords(self.directory / "platelink.passwd")
        return ["-c", str(path)]

    def _write_passwords(self, path: Path) -> None:
        program = shutil.which("mosquitto_passwd")
        if program is None:
            raise ServiceError("mosquitto_passwd is not installed: sudo apt-get install mosquitto")
        path.touch(mode=0o600)
        path.write_text("".join(f"{u}:{p}\n" for u, p in self.passwords.items()), "utf-8")
        subprocess.run([program, "-U", str(path)], check=True)  # noqa: S603 - puts hashes there

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), timeout=1.0).close()
        except OSError:
            return False
        return True


class StoreService(Service):
    """victoria-metrics on the shipped flags."""

    program = "victoria-metrics"
    package = "victoria-metrics"

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def _arguments(self) -> list[str]:
        return store_arguments(self.port, self.directory / "store")

    def _answers(self) -> bool:
        """True once a point written into this very process has come back from it."""
        mark = f"{self._alive().pid}"
        now_ms = time.time_ns() // 1_000_000
        try:
            point = f"platelink_check,pid={mark} seen=1 {now_ms}".encode()
            self._ask("/write?precision=ms", point)
            self._ask("/internal/force_flush")  # else a new series may stay unseen for 10 s
            matcher = urllib.parse.quote(f'platelink_check_seen{{pid="{mark}"}}')
            return mark.encode() in self._ask(f"/api/v1/export?match[]={matcher}")
        except OSError:
            return False

    def _ask(self, path: str, body: bytes | None = None) -> bytes:
        with urllib.request.urlopen(self.url + path, data=body, timeout=2.0) as answer:  # noqa: S310
            content: bytes = answer.read()
        return content


def broker_configuration(port: int, directory: Path, *, tls_port: int | None = None) -> str:
    """The shipped mosquitto.conf with another listener, all paths in ``directory``, and the user
    that runs it (as root it would change to a user who may not write there). With ``tls_port`` the
    lines of the network's listener are not comments."""
    text = _shipped("mosquitto.conf")
    if tls_port is not None:
        text = re.sub(r"^#(?=\w)", "", text, flags=re.M)
        text = text.replace("listener 8883", f"listener {tls_port} 127.0.0.1")
    text = text.replace("listener 1883 127.0.0.1", f"listener {port} 127.0.0.1")
    for place in ("/etc/mosquitto/", "/var/lib/mosquitto/"):
        text = re.sub(rf"^(#?\w+) {place}", rf"\1 {directory}/", text, flags=re.M)
    return f"{text}user {getpass.getuser()}\n"


def access_list(recorders: tuple[str, ...]) -> str:
    """The shipped access list, with the lines of ``recorder`` for each of these."""
    text = _shipped("mosquitto.acl")
    begin = text.index("user recorder\n")
    lines = text[begin : text.index("\n\n", begin)]
    each = [lines.replace("user recorder", f"user {name}") for name in recorders]
    return text.replace(lines, "\n".join(each))


def store_arguments(port: int, data: Path) -> list[str]:
    """The shipped flags with another address and another place for the data."""
    own = {"-httpListenAddr": f"127.0.0.1:{port}", "-storageDataPath": str(data)}
    flags = []
    for line in _shipped("victoria-metrics.args").splitlines():
        name, _, value = line.partition("=")
        if line.startswith("-"):
            flags.append(f"{name}={own.get(name, value)}")
    return flags


def free_port() -> int:
    """A TCP port of 127.0.0.1 that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def owns_port(pid: int, port: int) -> bool:
    """True if process ``pid`` itself listens on 127.0.0.1:``port`` (Linux, /proc)."""
    wanted = f"0100007F:{port:04X}"
    inodes = set()
    for line in Path("/proc/net/tcp").read_text("ascii").splitlines()[1:]:
        fields = line.split()
        if fields[1] == wanted and fields[3] == "0A":  # listening
            inodes.add(f"socket:[{fields[9]}]")
    try:
        handles = list(Path(f"/proc/{pid}/fd").iterdir())
    except OSError:
        return False
    return any(_link_of(handle) in inodes for handle in handles)


def _link_of(handle: Path) -> str:
    try:
        return str(handle.readlink())
    except OSError:
        return ""


def _shipped(name: str) -> str:
    return files("platelink.publish").joinpath("data", name).read_text("utf-8")


def die_with_parent() -> list[str]:
    """Prefix by which the kernel ends the child when this thread ends, however it ends."""
    setpriv = shutil.which("setpriv")
    return [setpriv, "--pdeathsig", "KILL", "--"] if setpriv else []
