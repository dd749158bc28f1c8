"""A browser and a page, in a loop of their own: a test runs its coroutine there.

playwright's synchronous face leaves a running loop behind, in which ``asyncio.run`` of later tests
fails; so this one lives in a thread.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import subprocess
import sys
import threading
from collections.abc import AsyncIterator, Coroutine
from pathlib import Path
from typing import Any, TypeVar

from playwright.async_api import Browser, BrowserContext, Page, Playwright, async_playwright

from browser.pseudo import write_catalogue

T = TypeVar("T")
FLAGS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
    "--force-device-scale-factor=1", "--disable-dev-shm-usage",
]  # fmt: skip
TABLET = {"width": 1280, "height": 800}
SMALL_TABLET = {"width": 1024, "height": 600}
PHONE = {"width": 390, "height": 844}
CONFIG = """format = 1
[unit]
name = "unit-1"
[link]
port = "/dev/none"
[light]
expected_mw_cm2 = 12.0
[[light.channel]]
dark_counts = 18.4
slope_mw_cm2_per_count = 0.0149
calibrated_on = 2026-01-15
due_on = 2027-01-15
[journal]
path = "{journal}"
{more}
"""


def chromium() -> str | None:
    """Debian's browser, where it is installed."""
    return shutil.which("chromium")


class Stage:
    """One browser for all tests of a session."""

    def __init__(self) -> None:
        self._loop = asyncio.new_event_loop()
        self._thread = threading.Thread(target=self._loop.run_forever, daemon=True)
        self._thread.start()
        self.playwright: Playwright
        self.browser: Browser
        self._pages: dict[str, tuple[Path, str]] = {}
        self._open = contextlib.AsyncExitStack()

    def run(self, work: Coroutine[Any, Any, T], timeout: float = 100.0) -> T:
        """Runs it in the browser's loop."""
        return asyncio.run_coroutine_threadsafe(work, self._loop).result(timeout)

    def open(self) -> None:
        """Starts the browser."""

        async def start() -> None:
            self.playwright = await async_playwright().start()
            self.browser = await self.playwright.chromium.launch(
                executable_path=chromium(), args=FLAGS
            )

        self.run(start())

    def close(self) -> None:
        """Ends browser and loop."""

        async def end() -> None:
            await self._open.aclose()
            await self.browser.close()
            await self.playwright.stop()

        self.run(end())
        self._loop.call_soon_threadsafe(self._loop.stop)
        self._thread.join(10.0)
        self._loop.close()

    async def page_on(
        self, directory: Path, more: str = "", *, rtl: bool = False
    ) -> tuple[Path, str]:
        """Socket and address of a page of this configuration; one process serves all tests.
        ``rtl``: with the language that is written from the right, beside English."""
        key = f"{more} {rtl}"
        if key not in self._pages:
            socket = directory / "service.socket"
            begun = page_process(directory, socket, more, rtl=rtl)
            self._pages[key] = socket, await self._open.enter_async_context(begun)
        return self._pages[key]


class Faults(list[str]):
    """What a browser complained of: any console error, page error, failed request or policy."""

    def watch(self, page: Page) -> None:
        page.on("pageerror", lambda error: self.append(f"page error: {error}"))
        page.on(
            "console",
            lambda said: (
                self.append(f"console: {said.text}") if said.type in ("error", "warning") else None
            ),
        )
        page.on(
            "request",
            lambda request: (
                None if "127.0.0.1" in request.url else self.append(f"outside: {request.url}")
            ),
        )


@contextlib.asynccontextmanager
async def page_process(
    directory: Path, service: Path, more: str = "", options: tuple[str, ...] = (),
    *, rtl: bool = False,
) -> AsyncIterator[str]:  # fmt: skip
    """The page as its own process; its address."""
    config = directory / "page.toml"
    config.write_text(CONFIG.format(journal=directory / "journal.sqlite", more=more), "utf-8")
    program = ["-m", "platelink"]
    if rtl:
        folder = write_catalogue(directory / "texts")
        program = [str(Path(__file__).with_name("pseudo.py")), str(folder)]
    command = [
        sys.executable, *program, "--config", str(config), "page", "--listen",
        "127.0.0.1:0", "--service", str(service), *options,
    ]  # fmt: skip
    async with process(command) as child:
        assert child.stdout is not None
        line = (await child.stdout.readline()).decode()
        assert line.startswith("the page: "), line
        yield line.removeprefix("the page: ").strip().rstrip("/")


@contextlib.asynccontextmanager
async def process(command: list[str]) -> AsyncIterator[asyncio.subprocess.Process]:
    """A child that ends with the block."""
    child = await asyncio.create_subprocess_exec(
        *command, stdout=subprocess.PIPE, env={**os.environ, "TZ": "UTC"}
    )
    try:
        yield child
    finally:
        if child.returncode is None:
            child.terminate()
            with contextlib.suppress(asyncio.TimeoutError):
                await asyncio.wait_for(child.wait(), 10.0)
        if child.returncode is None:
            child.kill()
            await child.wait()


@contextlib.asynccontextmanager
async def tablet(
    stage: Stage, address: str, faults: Faults, *, role: str | None = "operator", **options: Any
) -> AsyncIterator[Page]:
    """A browser of its own, signed in on the played service by its cookie."""
    values: dict[str, Any] = {
        "viewport": TABLET,
        "locale": "en-GB",
        "color_scheme": "light",
        **options,
    }
    context: BrowserContext = await stage.browser.new_context(**values)
    context.set_default_timeout(10_000)
    if role is not None:
        await context.add_cookies([{"name": "platelink_session", "value": role, "url": address}])
    page = await context.new_page()
    faults.watch(page)
    try:
        yield page
    finally:
        await context.close()
