"""A daemon in a thread of a program that needs one, where none runs."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Iterator
from datetime import date

from platelink.client import Client
from platelink.client.reach import answers
from platelink.client.token import saved_token
from platelink.config.model import Config
from platelink.daemon.clock import Clock
from platelink.daemon.setup import make_shell, socket_path
from platelink.daemon.shell import Shell


class Background:
    """A daemon in a thread of this process."""

    def __init__(self, config: Config, clock: Clock) -> None:
        self._config, self._clock = config, clock
        self._ready = threading.Event()
        self._shell: Shell | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._error: Exception | None = None
        self._thread = threading.Thread(target=self._run, name="daemon", daemon=True)

    def __enter__(self) -> Background:
        self._thread.start()
        self._ready.wait()
        if self._error is not None:
            raise self._error
        return self

    def __exit__(self, *_: object) -> None:
        if self._loop is not None and self._shell is not None:
            with contextlib.suppress(RuntimeError):  # the loop has ended by itself
                self._loop.call_soon_threadsafe(self._shell.stop)
        self._thread.join()

    def _run(self) -> None:
        try:
            asyncio.run(self._serve())
        except Exception as error:  # told in the caller's thread
            self._error = error
        finally:
            self._ready.set()

    async def _serve(self) -> None:
        self._shell = make_shell(self._config, self._clock, today=date.today)
        self._loop = asyncio.get_running_loop()
        await self._shell.run(ready=self._ready.set)


@contextlib.contextmanager
def client_of_daemon(config: Config, clock: Clock | None = None) -> Iterator[Client]:
    """A client of the daemon of this configuration, which is started here if none runs."""
    path = socket_path(config)
    with contextlib.ExitStack() as stack:
        if not answers(path):
            stack.enter_context(Background(config, clock or Clock()))
        yield stack.enter_context(Client(path, saved_token(path)))
