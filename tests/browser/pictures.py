"""The pictures of the documents: ``cd tests && python -m browser.pictures ../docs/pictures``.

Those of the README are of a whole plate begun on the simulated unit; those of *Now* at several
sizes of a plate held under an alarm, with another in the oven. Everything on them is invented.
"""

from __future__ import annotations

import asyncio
import sys
import tempfile
from pathlib import Path

from playwright.async_api import Page, expect

from browser import documents as d
from browser.real import OPERATOR, Shop, shop
from browser.scenes import Scene, play
from browser.stage import TABLET, Stage
from platelink.simulated.demo_plate import JOB, LOT

SPEED = 3.0
AT_DOSE = 0.6
WAIT_MS = 60_000
SHOWN = ((1024, 600), (800, 480), (390, 844), (1280, 800), (1920, 1080))


async def begin(page: Page, step: str, act: str) -> None:
    await expect(page.locator(".work h2")).to_have_text(step, timeout=WAIT_MS)
    await page.get_by_role("button", name=act).click()
    await page.get_by_role("dialog").get_by_role("button", name=act).click()


async def in_the_light(page: Page, made: Shop, picture: Path) -> None:
    """The film's exposure with more than half of its dose."""
    await page.goto(f"{made.address}/plates/new")
    await page.get_by_role("button", name=made.recipe).click()
    await page.get_by_label("Name of the plate").fill("plate-7")
    await page.get_by_label("Job", exact=True).fill(JOB)
    await page.get_by_role("button", name=LOT).click()
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


async def held_at_every_size(scene: Scene, folder: Path) -> None:
    """*Now*, with the alarm that held the exposure, in light and dark by turns."""
    scene.played.status = d.status(d.HELD, d.OVEN, alarms=d.ALARMS)
    for place, (width, height) in enumerate(SHOWN):
        scheme = ("light", "dark")[place % 2]
        view = {"width": width, "height": height}
        async with scene.tablet(role="lead", viewport=view, color_scheme=scheme) as page:
            await page.goto(scene.address)
            await expect(page.locator(".work h2")).to_be_visible()
            await expect(page.locator("#link-state")).to_contain_text("s old")
            await page.screenshot(path=folder / f"now-{width}x{height}.png")


def main(folder: Path) -> None:
    """All pictures."""
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
    with tempfile.TemporaryDirectory() as directory:
        play(stage, Path(directory), lambda scene: held_at_every_size(scene, folder))
    stage.close()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
