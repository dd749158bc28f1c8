"""The real thing under the browser: simulated unit, daemon, service and page, each its own process.

All names are invented.
"""

from __future__ import annotations

import asyncio
import contextlib
import sys
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from pathlib import Path

from playwright.async_api import Page, expect

from browser.stage import Faults, Stage, process, tablet
from platelink.client import Client, ClientError
from platelink.contract.words import Role
from platelink.simulated.demo_plate import provide
from platelink.simulated.harness import configuration
from platesim.ptyprocess import PtyProcess
from platesim.scenarios import SCENARIOS

LEAD, OPERATOR, AUDITOR = "Ada Invented", "Otto Invented", "Ida Invented"
SECRETS = {LEAD: "a lead's long secret", OPERATOR: "718293", AUDITOR: "an auditor's secret"}
START_S = 30.0


@dataclass
class Shop:
    """Everything that runs."""

    stage: Stage
    directory: Path
    unit: PtyProcess
    client: Client
    config: Path
    recipe: str
    faults: Faults
    address: str
    daemon: asyncio.subprocess.Process
    speed: float

    def another_daemon(self) -> contextlib.AbstractAsyncContextManager[object]:
        """Where the first was killed."""
        command = [sys.executable, "-m", "platelink", "--config", str(self.config), "serve"]
        return process([*command, "--speed", str(self.speed)])

    @contextlib.asynccontextmanager
    async def signed_in(self, name: str, **options: object) -> AsyncIterator[Page]:
        """A browser in which this person has signed in by hand."""
        async with tablet(self.stage, self.address, self.faults, role=None, **options) as page:
            await page.goto(self.address)
            await page.get_by_label("Name").fill(name)
            await page.get_by_label("PIN or password").fill(SECRETS[name])
            await page.get_by_role("button", name="Sign in").click()
            await expect(page.locator("#link-state")).to_contain_text("s old", timeout=15_000)
            yield page


async def within(limit_s: float, what: str, look: Callable[[], bool]) -> None:
    """Polls ``look`` in a thread until it is true."""
    end = time.monotonic() + limit_s
    while True:
        with contextlib.suppress(ClientError):
            if await asyncio.to_thread(look):
                return
        assert time.monotonic() < end, f"{what}: not within {limit_s} s"
        await asyncio.sleep(0.1)


def enter_people(client: Client, socket: Path) -> None:
    """A lead, an operator, an auditor; the lead's sign-in is the client's from then on."""
    client.add_first(LEAD, SECRETS[LEAD])
    token = client.sign_in(LEAD, SECRETS[LEAD]).token
    with Client(socket, token) as lead:
        for name, role in ((OPERATOR, Role.OPERATOR), (AUDITOR, Role.AUDITOR)):
            lead.add_person(name, role, SECRETS[name])


@contextlib.asynccontextmanager
async def shop(
    stage: Stage,
    directory: Path,
    *,
    speed: float,
    scenario: str = "plate",
    before: Callable[[Path], None] = lambda journal: None,
) -> AsyncIterator[Shop]:
    """A unit ready to work, after ``before`` has written into its journal; at the end no browser
    may have complained."""
    faults = Faults()
    before(directory / "journal.sqlite")
    with PtyProcess(scenario=scenario, speed=speed) as unit:
        config = directory / "platelink.toml"
        text = configuration(
            SCENARIOS[scenario].parameters, unit="unit-1", site="invented-shop", port=unit.path,
            journal=directory / "journal.sqlite", expected_mw_cm2=9.0,
        )  # fmt: skip
        config.write_text(text, "utf-8")
        run = [sys.executable, "-m", "platelink", "--config", str(config)]
        socket = directory / "journal.socket"
        async with process([*run, "serve", "--speed", str(speed)]) as daemon:
            with Client(socket) as client:
                up = lambda: client.status().link.state == "up"  # noqa: E731
                await within(START_S, "the link", up)
                recipe = await asyncio.to_thread(provide, client)
                await asyncio.to_thread(enter_people, client, socket)
                async with process([*run, "page", "--listen", "127.0.0.1:0"]) as page:
                    assert page.stdout is not None
                    line = (await page.stdout.readline()).decode()
                    address = line.removeprefix("the page: ").strip().rstrip("/")
                    yield Shop(
                        stage, directory, unit, client, config, recipe, faults, address, daemon,
                        speed,
                    )  # fmt: skip
    assert not faults
