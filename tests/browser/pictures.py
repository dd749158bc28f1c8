"""The two pictures of the README: ``cd tests && python -m browser.pictures ../docs/pictures``.

A whole plate is begun on the simulated unit; everything on the pictures is invented or simulated.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from pathlib import Path

from playwright.async_api import Page, expect

from browser.real import OPERATOR, Shop, shop
from browser.stage import TABLET, Stage
from platelink.simulated.demo_plate import JOB, LOT

SPEED = 3.0
AT_DOSE = 0.6
WAIT_MS = 60_000


async def begin(page: Page, step: str, act: str) -> None:
    await expect(page.locator(".work h2")).to_have_text(step, timeout=WAIT_MS)
    await page.get_by_role("button", name=act).click()
    await page.get_by_role("dialog").get_by_role("button", name=act).click()


async def in_the_light(page: Page, made: Shop, picture: Path) -> None:
    """The film's exposure with more than half of its dose."""
    await page.goto(f"{made.address}/plates/new")
    await page.get_by_label("Recipe").select_option(index=1)
    await page.get_by_label("Name of the plate").fill("plate-7")
    await page.get_by_label("Job").fill(JOB)
    await page.get_by_label("Lot of the stock").fill(LOT)
    await page.get_by_role("button", name="Make this plate").click()
    await page.get_by_role("button", name="Done").click()
    await begin(page, "film", "Begin exposure")
    bar = page.get_by_role("progressbar", name="Dose given")
    while int(str(await bar.get_attribute("aria-valuenow"))) < 100 * AT_DOSE:
        await asyncio.sleep(0.2)
    await page.evaluate("scrollTo(0, 0)")  # pressing buttons has scrolled to them
    await page.screenshot(path=picture)


async def afterwards(page: Page, made: Shop, picture: Path) -> None:
    """The record of that exposure."""
    await expect(page.locator(".work h2")).to_have_text("screen", timeout=WAIT_MS)
    await page.goto(f"{made.address}/records/plate-7")
    await page.get_by_role("link", name="2").first.click()
    await expect(page.locator("figure canvas")).to_be_visible()
    await page.screenshot(path=picture)


def main(folder: Path) -> None:
    """Both pictures."""
    stage = Stage()
    stage.open()

    async def whole() -> None:
        with tempfile.TemporaryDirectory() as directory:
            async with (
                shop(stage, Path(directory), speed=SPEED) as made,
                made.signed_in(OPERATOR, viewport=TABLET) as page,
            ):
                await in_the_light(page, made, folder / "now.png")
                await afterwards(page, made, folder / "record.png")

    stage.run(whole(), 300.0)
    stage.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
