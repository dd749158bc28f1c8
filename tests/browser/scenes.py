"""A page on a played service, for one test."""

from __future__ import annotations

import asyncio
import contextlib
from collections.abc import AsyncIterator, Awaitable, Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from playwright.async_api import Page

from browser.documents import status
from browser.played import Played
from browser.stage import Faults, Stage, tablet

Json = dict[str, Any]


@dataclass
class Scene:
    """A running page, and what stands behind it."""

    stage: Stage
    address: str
    played: Played
    faults: Faults

    async def posts(self, count: int) -> list[tuple[str, Json]]:
        """What was posted, once it is this many."""
        for _ in range(200):
            if len(self.played.posted) >= count:
                break
            await asyncio.sleep(0.02)
        assert len(self.played.posted) == count, self.played.posted
        return [(path, body) for path, body, _ in self.played.posted]

    def tablet(self, **options: Any) -> contextlib.AbstractAsyncContextManager[Page]:
        """One more browser."""
        return tablet(self.stage, self.address, self.faults, **options)


@contextlib.asynccontextmanager
async def scene(
    stage: Stage, directory: Path, *, more: str = "", rtl: bool = False
) -> AsyncIterator[Scene]:
    """Page and service; at the end no browser may have complained."""
    socket, address = await stage.page_on(directory, more, rtl=rtl)
    played = Played(socket, status())
    await played.start()
    faults = Faults()
    try:
        yield Scene(stage, address, played, faults)
    finally:
        await played.stop()
    assert not faults


def play(
    stage: Stage, directory: Path, work: Callable[[Scene], Awaitable[None]], *, more: str = "",
    rtl: bool = False,
) -> None:  # fmt: skip
    """Runs a test's coroutine on a scene of its own."""

    async def whole() -> None:
        async with scene(stage, directory, more=more, rtl=rtl) as found:
            await work(found)

    stage.run(whole())
