"""What is predicted of a plate's depth stands where it is washed, and not while in the light."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage

pytestmark = pytest.mark.system
DEPTH, STOP = "#depth", "#not-to-wash"


def test_the_plate_says_what_to_expect_before_it_is_washed(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            scene.played.status = d.status(d.WASH)
            await page.goto(scene.address)
            line = "Depth 24.6 µm expected, 22.9–26.3: need not be measured"
            await expect(page.locator(DEPTH)).to_have_text(line)
            await expect(page.locator(STOP)).to_be_hidden()
            await page.goto(f"{scene.address}/records/P-1039")
            await expect(page.locator("section.depth")).to_contain_text("contact 0.81")

    play(stage, tmp_path, work)


def test_what_must_not_be_washed_is_said_large(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            scene.played.verdict = "stop before wash"
            scene.played.status = d.status(d.BATH)
            await page.goto(scene.address)
            await expect(page.locator(STOP)).to_contain_text("do not wash it")
            await expect(page.locator(DEPTH)).to_contain_text("do not wash")
            scene.played.status = d.status(d.LIGHT)
            await expect(page.locator(".work .state")).to_have_text("light on")
            await expect(page.locator(STOP)).to_be_hidden()
            await expect(page.locator(DEPTH)).to_be_hidden()

    play(stage, tmp_path, work)
