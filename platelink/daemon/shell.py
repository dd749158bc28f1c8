"""The daemon's shell: one asyncio loop where port, clock, journal and core meet.

After every input the shell does the same: write what is to be recorded, send what is to be sent,
tell the followers, re-arm one timer. Publishing runs in its own thread and reads the journal; the
control loop never waits for it, nor for any client.
"""

from __future__ import annotations

import asyncio
import math
import secrets
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from platelink.control.states import Learned
from platelink.daemon.clock import Clock
from platelink.daemon.control_socket import Answer, ControlServer
from platelink.daemon.core import UnitCore
from platelink.link.port import Port
from platelink.link.reconnect import Reconnect
from platelink.publish.publisher import Publisher
from platelink.record.journal import Journal
from platelink.record.writer import JournalWriter

TELL_S = 0.1
"""How often followers get the status, real seconds."""
CHECKPOINT_S = 1.0
"""How often the journal is made durable against a power cut, real seconds."""
RECOVER_WAIT_S = 30.0
"""How long a run left open waits for its device before it is closed without it."""


def from_ms(at_utc_ms: int) -> datetime:
    """UTC of a stamp in milliseconds."""
    return datetime.fromtimestamp(at_utc_ms / 1000.0, UTC)


@dataclass(frozen=True, slots=True)
class ShellSettings:
    """Where the shell finds its surroundings."""

    unit: str
    port: str
    baud: int
    journal: Path
    control_socket: Path | None


class Shell:
    """See the file's first lines. ``run`` until ``stop``; ``submit`` and ``command`` from the loop."""

    def __init__(
        self,
        settings: ShellSettings,
        core: Callable[[Learned, float], UnitCore],
        clock: Clock,
        publisher: Publisher | None = None,
    ) -> None:
        self.settings = settings
        self.clock = clock
        self.publisher = publisher
        self.journal = Journal.open(
            settings.journal, unit=settings.unit, new_uuid=secrets.token_hex(8)
        )
        self.writer = JournalWriter(self.journal)
        self.core = core(self._learned_before(), clock.now())
        self._reconnect = Reconnect()
        self._port: Port | None = None
        self._stopping = asyncio.Event()
        self._timer: asyncio.TimerHandle | None = None
        self._left_open = self.journal.open_runs()
        self._recover_by = math.inf
        self._listeners: list[Callable[[Answer], None]] = []
        self._told: str = ""
        self._server = (
            ControlServer(settings.control_socket, self.handle) if settings.control_socket else None
        )
