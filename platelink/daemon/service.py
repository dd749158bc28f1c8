"""The service of a unit as the daemon has it: its sockets, its process, and the wire to it.

The daemon binds the sockets and keeps them, so that clients only wait while the service, a child
process, is started anew. Everything a client can do to a server lands in that process; the wire to
it is ``platelink.daemon.wire``.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import socket
import subprocess
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from platelink.backoff import Backoff
from platelink.contract.base import Json
from platelink.contract.service import Settings, lane_of, page_side
from platelink.contract.unit import LiveLine, ServiceNow, StatusLine
from platelink.daemon.wire import Wire
from platelink.modules import own_module

FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.2, 10.0
"""Between two starts of the service."""
PROVEN_S = 20.0
"""A service that lived so long is started anew without a long pause."""
HUNG_S = 60.0
"""A service that has read nothing for so long is not coming back."""
LAST_WORDS_S = 3.0
"""How long the service may take to end in order."""
WAITING = 128
"""Clients that wait for the service to take them; more are turned away."""


class SocketError(Exception):
    """The service's socket cannot be had; the text says what to do."""


@dataclass(frozen=True, slots=True)
class ServiceSettings:
    """What the daemon must know to have a service."""

    socket: Path
    port: int | None
    """Port on loopback; 0 for any free one, None for none."""
    told: Settings
    """What the service is told at its start."""
    page_group: str | None = None
    """Group of users that may open the page's socket."""

    @property
    def page_socket(self) -> Path | None:
        """The page's own socket."""
        return page_side(self.told)

    def lane(self) -> ServiceSettings:
        """The same for the process that only carries what ends light."""
        told = self.told.model_copy(update={"lane": True})
        return ServiceSettings(lane_of(self.socket), None, told, self.page_group)


class Service:
    """``tell`` reaches the service's clients, their requests reach ``handle``."""

    def __init__(self, settings: ServiceSettings, handle: Callable[[Json], Json]) -> None:
        self.settings = settings
        self._handle = handle
        self._listeners: list[socket.socket] = []
        self._port: int | None = None
        self._port_problem = self._problem = ""
        self._child: subprocess.Popen[bytes] | None = None
        self._wire: Wire | None = None
        self._pauses = Backoff(FIRST_PAUSE_S, LONGEST_PAUSE_S)
        self._started_at = 0.0
        self._again: asyncio.TimerHandle | None = None
        self._spawning: asyncio.Task[None] | None = None
        self._lane = None if settings.told.lane else Service(settings.lane(), handle)
        self._lane_problem = ""

    async def start(self) -> None:
        """Listen, then start the child. Raises ``SocketError`` when that cannot be. A socket that
        is there is replaced: who holds the journal is the daemon here, and nobody else."""
        path = self.settings.socket
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._listeners.append(_unix_listener(path))
        except OSError as error:
            raise SocketError(
                f"the socket {path} cannot be made: {error}; it lies beside the journal: "
                "set another [journal] path"
            ) from error
        self._listen_for_page()
        self._listen_on_port()
        await self._spawn()
        if self._lane is not None:
            try:
                await self._lane.start()
            except SocketError as error:  # the service carries it, too
                self._lane_problem = str(error)

    def _listen_for_page(self) -> None:
        path, group = self.settings.page_socket, self.settings.page_group
        if path is None:
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._listeners.append(_unix_listener(path))
            if group is not None:
                shutil.chown(path, group=group)
        except (OSError, LookupError) as error:  # the unit is more than its page
            self._port_problem = (
                f"the page's socket {path} cannot be made ({error}); correct "
                "[service] page_socket and [service] page_group"
            )

    def _listen_on_port(self) -> None:
        if self.settings.port is None:
            return
        try:
            listener = _loopback_listener(self.settings.port)
        except OSError as error:  # the unit is more than its port
            self._port_problem = (
                f"port {self.settings.port} cannot be used ({error.strerror}); stop what uses it, "
                "or set another [service] port"
            )
            return
        self._listeners.append(listener)
        self._port = listener.getsockname()[1]

    async def stop(self) -> None:
        """End the child in order and leave nothing behind."""
        if self._again is not None:
            self._again.cancel()
        if self._listeners:
            self.settings.socket.unlink(missing_ok=True)
            if self.settings.page_socket is not None:
                self.settings.page_socket.unlink(missing_ok=True)
        for listener in self._listeners:
            listener.close()
        self._listeners.clear()
        if self._spawning is not None:
            await self._spawning
        wire, child, self._wire, self._child = self._wire, self._child, None, None
        if wire is not None:
            wire.finish()
        if child is not None:
            await asyncio.to_thread(_end, child)
        if self._lane is not None:
            await self._lane.stop()

    def tell(self, line: LiveLine) -> None:
        """One line to the service, for its clients. A service that has read nothing for so long
        that it hangs is ended, and so started anew."""
        wire, loop = self._wire, asyncio.get_running_loop()
        if wire is None:
            return
        try:
            kind = "status" if isinstance(line, StatusLine) else "event"
            wire.tell(kind, line.model_dump_json().encode() + b"\n")
        except ValueError as error:  # a fault of ours: told, and the unit is led on
            loop.call_exception_handler({"message": "a line is no JSON", "exception": error})
        if wire.unread_s(loop.time()) > HUNG_S and self._child is not None:
            self._child.kill()

    def status(self) -> ServiceNow:
        """What a face shows of it."""
        pid = self._child.pid if self._child is not None else None
        problem = self._problem or self._port_problem or self._lane_problem
        if not problem and self._lane is not None and (of_lane := self._lane.status().problem):
            problem = f"the lane for hold, stop and abort: {of_lane}"
        return ServiceNow(port=self._port, pid=pid, problem=problem)

    # --- the child -------------------------------------------------------------------------

    async def _spawn(self) -> None:
        loop = asyncio.get_running_loop()
        self._again = None
        ours, theirs = socket.socketpair()
        wire = Wire(self._handle, self._ended)
        try:
            self._child = self._popen(theirs)
        except OSError as error:
            ours.close()
            self._try_again(f"the service cannot be started: {error}")
            return
        finally:
            theirs.close()
        self._started_at = loop.time()
        self._wire = wire
        await loop.create_connection(lambda: wire, sock=ours)

    def _popen(self, theirs: socket.socket) -> subprocess.Popen[bytes]:
        fds = [listener.fileno() for listener in self._listeners]
        told = self.settings.told.model_copy(update={"wire": theirs.fileno(), "listen": tuple(fds)})
        command, env = own_module("platelink.api")
        child = subprocess.Popen(  # noqa: S603 -- our own module
            command,
            stdin=subprocess.PIPE,
            stdout=subprocess.DEVNULL,
            pass_fds=(theirs.fileno(), *fds),
            process_group=0,  # Ctrl-C at a terminal is for the daemon
            env=env,
        )
        assert child.stdin is not None
        # BrokenPipeError: it is gone already; the wire will tell.
        with contextlib.suppress(BrokenPipeError), child.stdin as pipe:
            # Not as an argument, which every user of the computer can read. A pipe takes it whole.
            pipe.write(told.model_dump_json().encode())
        return child

    def _ended(self, wire: Wire) -> None:
        """The wire is gone, and with it the child: start another."""
        if wire is not self._wire:
            return
        self._wire = None
        if asyncio.get_running_loop().time() - self._started_at > PROVEN_S:
            self._pauses.succeeded()
        self._try_again("the service ended; what it said is in the daemon's log")

    def _try_again(self, problem: str) -> None:
        pause_s = self._pauses.failed()
        self._problem = f"{problem}; it restarts in {pause_s:.1f} s"
        self._again = asyncio.get_running_loop().call_later(pause_s, self._start_again)

    def _start_again(self) -> None:
        child, self._child = self._child, None
        if child is not None:
            child.kill()  # it has hung up; should it live on, it is no use to anybody
        self._problem = ""
        self._spawning = asyncio.get_running_loop().create_task(self._reap_and_spawn(child))

    async def _reap_and_spawn(self, child: subprocess.Popen[bytes] | None) -> None:
        if child is not None:
            await asyncio.to_thread(child.wait)
        if self._listeners:
            await self._spawn()


def _end(child: subprocess.Popen[bytes]) -> None:
    """Wait for the child, which has heard that the wire is gone; then be less patient."""
    for more in (child.terminate, child.kill):
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(timeout=LAST_WORDS_S)
            return
        more()
    child.wait()


def _unix_listener(path: Path) -> socket.socket:
    path.unlink(missing_ok=True)
    listener = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
    try:
        listener.bind(str(path))
        os.chmod(path, 0o660)  # before anybody can come in
        listener.listen(WAITING)
    except OSError:
        listener.close()
        raise
    return listener


def _loopback_listener(port: int) -> socket.socket:
    # asyncio sends small answers at once only over a socket that names its protocol.
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM, socket.IPPROTO_TCP)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind(("127.0.0.1", port))
        listener.listen(WAITING)
    except OSError:
        listener.close()
        raise
    return listener
