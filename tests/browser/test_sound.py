"""Sound: off until somebody turned it on, told apart by rhythm, over with its cause."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage

pytestmark = pytest.mark.system
PROBE = """() => {
  window.tones = [];
  const start = OscillatorNode.prototype.start, stop = OscillatorNode.prototype.stop;
  OscillatorNode.prototype.start = function (at) { this.from = at; return start.call(this, at); };
  OscillatorNode.prototype.stop = function (at) {
    window.tones.push([this.frequency.value, Math.round((at - this.from) * 100) / 100]);
    return stop.call(this, at);
  };
}"""
SORTS = {
    "due": d.status(d.WASH_DUE), "held": d.status(d.HELD),
    "alarm": d.status(d.WASH, alarms=d.ALARMS),
}  # fmt: skip
QUIET = d.status(d.WASH)
LISTEN_S = 1.0


async def tones(page: Page) -> list[list[float]]:
    """What was started since the last look."""
    await asyncio.sleep(LISTEN_S)
    found: list[list[float]] = await page.evaluate("() => window.tones.splice(0)")
    return found


async def opened(scene: Scene, page: Page) -> None:
    scene.played.status = QUIET
    await page.add_init_script(f"({PROBE})()")
    await page.goto(scene.address)
    await expect(page.locator(".work h2")).to_have_text("washout")


async def turn_on(page: Page, *sorts: str) -> None:
    await page.get_by_role("button", name="Menu").click()
    for sort in sorts:
        button = page.locator(f"[data-sound={sort}]")
        await button.click()
        await expect(button).to_have_attribute("aria-pressed", "true")
    await page.keyboard.press("Escape")


def test_each_sort_has_a_rhythm_of_its_own(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await opened(scene, page)
            await page.get_by_role("button", name="Menu").click()
            rhythms = set()
            for sort in SORTS:
                await page.locator(f"[data-hear={sort}]").click()
                heard = await tones(page)
                assert heard
                rhythms.add(tuple(length for _, length in heard))
            assert len(rhythms) == len(SORTS)
            assert scene.played.posted == []  # nor does the unit's own beeper hear of it

    play(stage, tmp_path, work)


def test_nothing_sounds_until_it_is_turned_on(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await opened(scene, page)
            for status in SORTS.values():
                scene.played.status = status
                assert await tones(page) == []

    play(stage, tmp_path, work)


@pytest.mark.parametrize("sort", SORTS)
def test_a_sort_sounds_for_its_cause_alone(stage: Stage, tmp_path: Path, sort: str) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await opened(scene, page)
            await turn_on(page, sort)
            assert await tones(page) == []
            for other, status in SORTS.items():
                scene.played.status = QUIET
                await tones(page)
                scene.played.status = status
                assert bool(await tones(page)) == (other == sort), other
            scene.played.status = QUIET
            await tones(page)
            assert await tones(page) == []

    play(stage, tmp_path, work)


def test_what_is_acknowledged_or_over_is_silent_and_a_new_alarm_is_heard(
    stage: Stage, tmp_path: Path
) -> None:
    def told(**states: str) -> object:
        listed = [d.alarm(name.replace("_", " "), state, "high") for name, state in states.items()]
        return d.status(d.WASH, alarms={**d.ALARMS, "list": listed})

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await opened(scene, page)
            await turn_on(page, "alarm")
            scene.played.status = told(contact_lost="unacknowledged")
            assert await tones(page)
            for state in ("acknowledged", "returned, unacknowledged", "latched, unacknowledged"):
                scene.played.status = told(contact_lost=state)
                await tones(page)
                assert await tones(page) == [], state
            # not yet time for it again, but another one: heard at once
            scene.played.status = told(contact_lost="unacknowledged")
            assert await tones(page)
            scene.played.status = told(
                contact_lost="unacknowledged", oven_door_open="unacknowledged"
            )
            assert await tones(page)
            scene.played.silent = True  # nothing is known any more
            await asyncio.sleep(2.5)
            await tones(page)
            assert await tones(page) == []

    play(stage, tmp_path, work)


def test_a_sort_stays_on_over_the_views_and_a_screen_not_touched_says_so(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await opened(scene, page)
            await turn_on(page, "held")
            scene.played.status = SORTS["held"]
            await page.goto(f"{scene.address}/stock")
            waits = page.locator("#sound-waits")
            await expect(waits).to_have_text("Touch here for sound")
            await page.locator("h1").click()
            await expect(waits).to_be_hidden()
            scene.played.status = QUIET
            await tones(page)
            scene.played.status = SORTS["held"]
            assert await tones(page)
            scene.faults.clear()  # the browser says that it waits for a touch

    play(stage, tmp_path, work)
