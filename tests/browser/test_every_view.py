"""What holds of every view: accessible, big enough for gloves, nothing beside the screen, nothing
from outside, no word left in another language."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.async_playwright import Axe
from playwright.async_api import Page, expect

from browser.scenes import Scene, play
from browser.stage import PHONE, SMALL_TABLET, TABLET, Stage
from browser.views import VIEWS, View
from platelink.web.texts import read_languages

pytestmark = pytest.mark.system
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
LEAST_PX = 48
TOO_SMALL = """() => [...document.querySelectorAll('a, button, select, summary, input')]
  .filter((e) => e.checkVisibility({checkOpacity: true}) && !e.closest('td, p, .unseen')
    && !['radio', 'hidden'].includes(e.type) && !e.classList.contains('jump'))
  .map((e) => [e.getBoundingClientRect(), e])
  .filter(([box]) => box.height < %d || box.width < %d)
  .map(([box, e]) => `${e.outerHTML.slice(0, 80)} ${box.width}x${box.height}`)"""
WIDER = "() => document.documentElement.scrollWidth - document.documentElement.clientWidth"
TEXTS = """() => {
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const found = [];
  while (walker.nextNode()) found.push(walker.currentNode.textContent.trim());
  for (const e of document.querySelectorAll('[aria-label]')) found.push(e.ariaLabel);
  return found;
}"""


async def opened(page: Page, scene: Scene, view: View) -> None:
    """The view with everything on it."""
    scene.played.status = view.status
    await page.goto(scene.address + view.path)
    if view.role is not None:
        await expect(page.locator("#unit-name")).to_have_text("unit-1")
    for figure in await page.locator("figure[data-run]").all():
        await figure.scroll_into_view_if_needed()
        await expect(figure.locator("canvas")).to_be_visible()
    await page.evaluate("() => scrollTo(0, 0)")


@pytest.mark.parametrize(
    "look",
    [
        {"viewport": TABLET, "color_scheme": "light"},
        {"viewport": SMALL_TABLET, "color_scheme": "dark", "locale": "de-DE"},
        {"viewport": PHONE, "color_scheme": "light", "has_touch": True},
        {"viewport": SMALL_TABLET, "color_scheme": "light", "locale": "he"},
    ],
    ids=["tablet", "small, dark, German", "phone", "from the right"],
)
def test_every_view_is_accessible_and_fits(
    stage: Stage, tmp_path: Path, look: dict[str, Any]
) -> None:
    axe = Axe()
    faults: list[str] = []

    async def look_at(page: Page, view: View) -> None:
        found = await axe.run(
            page,
            options={"runOnly": {"type": "tag", "values": RULES}, "resultTypes": ["violations"]},
        )
        faults.extend(
            f"{view.name}: {v['id']}: {[n['html'][:120] for n in v['nodes']][:3]}"
            for v in found.response["violations"]
        )
        small = await page.evaluate(TOO_SMALL % (LEAST_PX, LEAST_PX))
        faults.extend(f"{view.name}: too small: {text}" for text in small)
        wider = await page.evaluate(WIDER)
        if wider > 0:
            faults.append(f"{view.name}: {wider} px beside the screen")

    async def through(scene: Scene) -> None:
        for role in dict.fromkeys(view.role for view in VIEWS):
            async with scene.tablet(role=role, **look) as page:
                for view in (v for v in VIEWS if v.role == role):
                    await opened(page, scene, view)
                    await look_at(page, view)

    play(stage, tmp_path, through, rtl=look.get("locale") == "he")
    assert not faults, "\n".join(faults)


def test_open_dialogs_and_menus_are_accessible(stage: Stage, tmp_path: Path) -> None:
    axe = Axe()
    faults: list[str] = []

    async def check(page: Page, what: str) -> None:
        found = await axe.run(page, options={"runOnly": {"type": "tag", "values": RULES}})
        faults.extend(f"{what}: {v['id']} {v['nodes'][0]['html'][:90]}"
                      for v in found.response["violations"])  # fmt: skip

    async def through(scene: Scene) -> None:
        async with scene.tablet(role="lead") as page:
            by_name = {view.name: view for view in VIEWS}
            await opened(page, scene, by_name["ready"])
            await page.get_by_role("button", name="Begin exposure").click()
            await expect(page.get_by_role("dialog")).to_be_visible()
            await check(page, "begin")
            await page.keyboard.press("Escape")
            await page.get_by_role("button", name="End …").click()
            await check(page, "end")
            await page.keyboard.press("Escape")
            await page.get_by_role("button", name="Menu").click()
            await check(page, "menu")
            await page.keyboard.press("Escape")
            await opened(page, scene, by_name["alarms"])
            await page.get_by_role("button", name="Shelve …: contact lost").click()
            await check(page, "silence")

    play(stage, tmp_path, through)
    assert not faults, "\n".join(faults)


def test_in_german_no_english_text_is_left(stage: Stage, tmp_path: Path) -> None:
    catalog = read_languages()["de"].catalog
    english = {
        text
        for message in catalog
        if message.id and message.id != message.string
        for text in ((message.id,) if isinstance(message.id, str) else message.id)
        if "%(" not in text and "{" not in text
    }
    names = {"washout", "blow-off", "screen"}  # steps of the recipe: people named them so
    left: dict[str, set[str]] = {}

    async def through(scene: Scene) -> None:
        async with scene.tablet(role="lead", locale="de-DE") as page:
            for view in (v for v in VIEWS if v.role == "lead"):
                await opened(page, scene, view)
                await page.wait_for_timeout(150)
                seen = set(await page.evaluate(TEXTS))
                found = (seen & english) - names
                if found:
                    left[view.name] = found

    play(stage, tmp_path, through)
    assert not left
    assert len(english) > 300
