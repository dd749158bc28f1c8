"""The live line: what is shown is never older than it says, and comes back by itself."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import PHONE, Stage

pytestmark = [pytest.mark.system, pytest.mark.alone]
STALE_S = 2.0
SILENT = "#silent"
WHEN_SILENT = """() => new Promise((resolve) => {
  const look = () => document.querySelector("#silent").hidden
    ? requestAnimationFrame(look) : resolve(performance.timeOrigin + performance.now());
  look();
})"""
"""Looks at every frame: playwright itself looks once a second."""


async def running(page: Page, scene: Scene) -> None:
    """The light is seen on the page."""
    scene.played.status = d.status(d.LIGHT)
    await page.goto(scene.address)
    await expect(page.locator(".work .state")).to_have_text("light on")
    await expect(page.locator("#light")).to_have_text("UV light is on")


async def becomes_silent(page: Page, since: float) -> None:
    """Nothing that may be over is left on the screen, in time. ``since`` is in Unix seconds."""
    took = await page.evaluate(WHEN_SILENT) / 1000.0 - since
    assert took < STALE_S, f"stale after {took:.2f} s only"
    await expect(page.get_by_text("light on")).to_have_count(1)  # hidden with what is not known
    await expect(page.get_by_text("light on")).to_be_hidden()
    await expect(page.locator("#light")).to_have_text("UV light: not known")
    await expect(page.get_by_role("button", name="Hold")).to_be_hidden()
    await expect(page.locator("#last-known")).to_contain_text("P-1041")


def test_a_line_that_hangs_is_seen_within_two_seconds_and_comes_back(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await running(page, scene)
            since = time.time()
            scene.played.silent = True
            await becomes_silent(page, since)
            scene.played.status = d.status(d.HELD)
            scene.played.silent = False
            await expect(page.locator(".work .state")).to_have_text("held")
            await expect(page.locator(SILENT)).to_be_hidden()

    play(stage, tmp_path, work)


def test_a_lost_line_is_seen_and_made_anew(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await running(page, scene)
            scene.played.silent = True
            since = time.time()
            await scene.played.drop()
            await becomes_silent(page, since)
            assert not [text for text in scene.faults if "WebSocket" not in text]
            scene.played.silent = False
            await expect(page.locator(".work .state")).to_have_text("light on")

    play(stage, tmp_path, work)


def test_the_same_status_again_and_again_is_no_news(stage: Stage, tmp_path: Path) -> None:
    """A service whose daemon stands still repeats what it had."""

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await running(page, scene)
            scene.played.frozen_at = "2026-03-02T10:00:00.000+00:00"
            await becomes_silent(page, time.time() + 0.2)
            await page.reload()  # the first status after it may be hours old
            await asyncio.sleep(0.5)
            assert not await page.get_by_text("light on").is_visible()  # at once: no second look
            scene.played.frozen_at = None
            await expect(page.locator(".work .state")).to_have_text("light on")

    play(stage, tmp_path, work)


def test_without_the_service_it_says_so_and_finds_it_again(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await running(page, scene)
            since = time.time()
            await scene.played.stop()
            await becomes_silent(page, since)
            await page.goto(scene.address)
            await expect(page.get_by_role("heading")).to_have_text(
                "The unit’s service does not answer"
            )
            await scene.played.start()
            await page.get_by_role("link", name="Try again").click()
            await expect(page.locator(".work .state")).to_have_text("light on")
            scene.faults.clear()  # the browser tells every 503 and the closed socket, rightly

    play(stage, tmp_path, work)


def test_two_tablets_see_the_same_and_the_slower_act_is_refused(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as one, scene.tablet(viewport=PHONE) as two:
            scene.played.status = d.status(d.WASH)
            for page in (one, two):
                await page.goto(scene.address)
                await expect(page.get_by_role("button", name="Done: soak")).to_be_visible()
            await one.get_by_role("button", name="Done: soak").click()
            scene.played.refuse = "the plate is at blow-off now; look again"
            await two.get_by_role("button", name="Done: soak").click()
            await expect(two.get_by_role("alert")).to_contain_text("look again")
            acts = await scene.posts(2)
            assert acts == [("plates/P-1041/done", {"step": 3})] * 2
            scene.faults.clear()  # the browser tells the 409
            scene.played.status = d.status(d.OVEN)
            for page in (one, two):
                await expect(page.locator(".work h2")).to_have_text("dry")

    play(stage, tmp_path, work)


def test_a_sign_in_that_ended_leads_to_the_sign_in_and_back(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/alarms")
            await expect(page.locator("#link-state")).to_contain_text("s old")
            await page.context.clear_cookies()
            await scene.played.drop()
            await page.wait_for_url("**/sign-in?next=*")
            await page.get_by_label("Name").fill("B. Example")
            await page.get_by_label("PIN or password").fill("0000")
            await page.get_by_role("button", name="Sign in").click()
            await expect(page.get_by_role("alert")).to_contain_text("is wrong; try again")
            await page.get_by_label("PIN or password").fill("2345")
            await page.get_by_role("button", name="Sign in").click()
            await page.wait_for_url("**/alarms")
            await page.get_by_role("button", name="Menu").click()
            await page.get_by_role("button", name="Sign out").click()
            await page.wait_for_url("**/sign-in")
            await expect(page.get_by_role("button", name="B. Example")).to_be_visible()
            scene.faults.clear()  # the browser tells the 401s and the closed socket

    play(stage, tmp_path, work)


def test_while_nobody_is_entered_it_says_how_to_begin(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.nobody = True
        async with scene.tablet(role=None) as page:
            for path in ("/", "/sign-in", "/recipes"):
                await page.goto(scene.address + path)
                await expect(page.get_by_text("platelink user first")).to_be_visible()
            scene.faults.clear()  # the browser tells the 503

    play(stage, tmp_path, work)
