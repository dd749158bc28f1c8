"""Runs the service in its own process, from its sockets and its wire, until the wire closes."""

from __future__ import annotations

import asyncio
import contextlib
import gc
import os
import signal
import socket
from dataclasses import replace

import anyio.to_thread
from starlette.types import ASGIApp, Scope

from platelink.api.app import make_app
from platelink.api.context import Context
from platelink.api.hub import Hub
from platelink.api.process import bounded, server_of
from platelink.api.remembered import now_utc, people_remembered
from platelink.api.routes.people import remember_people
from platelink.api.rules import RULES
from platelink.api.security import SecurityLog
from platelink.api.stores import accounts_of
from platelink.api.whence import whence
from platelink.api.wire import Wire
from platelink.contract.service import Settings, page_side
from platelink.serving.syslog import to_syslog
from platelink.serving.turns import Turns

MEMORY_BYTES = 1 << 30
"""Of data, this process's own: beyond it one request fails, and not the computer."""
NICENESS = 5
"""The daemon goes first."""
READERS = 4
"""Reads of files at a time."""
SEATS: dict[int, int] = {socket.AF_UNIX: 320, socket.AF_INET: 128}
"""Connections by the Unix socket, of page and commands, and by the port: none takes another's."""


def run(settings: Settings) -> None:
    """Serve until the daemon hangs up or SIGTERM comes."""
    bounded(MEMORY_BYTES)
    os.nice(NICENESS)
    with contextlib.suppress(OSError):
        # Woken by a line of the daemon, it waits until the daemon has sent it and gone on.
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is the daemon's to understand
    asyncio.run(_serve(settings))


async def remember(here: Context) -> None:
    """People entered while no daemon ran, or before it kept this in mind: now it does."""
    standing = await here.accounts.standing()
    known = await asyncio.to_thread(people_remembered, here.settings.journal)
    if standing.anybody and not known:
        remember_people(here, "platelink")


async def _serve(settings: Settings) -> None:
    assert settings.wire is not None
    anyio.to_thread.current_default_thread_limiter().total_tokens = READERS
    hub, accounts = Hub(), accounts_of(settings)
    listeners = [socket.socket(fileno=fd) for fd in settings.listen]

    def end() -> None:
        server.end()

    wire = Wire(hub.broadcast, end)
    here = Context(settings, wire, hub, accounts, SecurityLog(wire, now_utc))

    def refuse(scope: Scope, status: int) -> ASGIApp:
        if status == 429:
            here.security.note("flood", address=whence(scope).address)
        return RULES.refuse(scope, status)

    server = server_of(
        Turns(make_app(here), replace(RULES, refuse=refuse)), SEATS, page_side(settings)
    )
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, server.end)
    await wire.connect(settings.wire)
    remembering = asyncio.ensure_future(remember(here))
    gc.freeze()
    with to_syslog():
        await server.serve(sockets=listeners)
    remembering.cancel()
    accounts.close()
