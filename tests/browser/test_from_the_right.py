"""Written from the right the page is mirrored, and numbers stay before their units."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import expect

from browser import documents as d
from browser.pseudo import pseudo
from browser.scenes import Scene, play
from browser.stage import SMALL_TABLET, Stage
from platelink.web.texts import read_languages

pytestmark = pytest.mark.system
TURNED = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const x = (node, at) => {
    const range = document.createRange();
    range.setStart(node, at);
    range.setEnd(node, at + 1);
    return range.getBoundingClientRect().left;
  };
  let seen = 0;
  while (walker.nextNode()) {
    const node = walker.currentNode, text = node.textContent;
    if (!node.parentElement.checkVisibility()) continue;
    const match = /\\d[\\d.,:–]* (?:kPa|mJ|mW|°C|min|s\\b|%)/.exec(text);
    if (!match || !text.includes('\\u2066')) continue;
    seen += 1;
    const unit = match.index + match[0].lastIndexOf(' ') + 1;
    if (x(node, match.index) > x(node, unit)) found.push(match[0]);
  }
  return [seen, found];
}"""


def test_it_is_not_one_of_the_choices() -> None:
    assert "he" not in read_languages()


def test_a_text_is_turned_and_longer_with_its_places_kept() -> None:
    text = pseudo("{n} of %(count)s plates")
    assert "{n}" in text and "%(count)s" in text and "plates" not in text
    assert len(text) >= 1.3 * len("{n} of %(count)s plates")


def test_the_page_is_mirrored_and_numbers_are_not(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="lead", locale="he", viewport=SMALL_TABLET) as page:
            seen = 0
            for path, status in (
                ("/", d.status(d.LIGHT, d.OVEN, alarms=d.ALARMS)), ("/", d.status(d.READY)),
                ("/", d.status(d.OVEN)), ("/", d.status(d.WASH)),
                ("/plates", d.status(d.LIGHT, d.OVEN)), ("/alarms", d.status(alarms=d.ALARMS)),
                ("/records/20260302-100200-aaaa", d.status()),
            ):  # fmt: skip
                scene.played.status = status
                await page.goto(scene.address + path)
                await expect(page.locator("#unit-name")).to_have_text("unit-1")
                await page.wait_for_timeout(300)
                found, turned = await page.evaluate(TURNED)
                assert turned == [], path
                seen += found
            assert seen > 5
            scene.played.status = d.status(d.LIGHT, alarms=d.ALARMS)
            await page.goto(scene.address)
            boxes = []
            for what in ("[popovertarget=menu]", ".bench", ".beside", "#acts .acts button"):
                part = page.locator(what).first
                await expect(part).to_be_visible()  # the page fills as its status comes
                boxes.append(await part.bounding_box())
            menu, bench, beside, main = boxes
            assert menu and bench and beside and main
            assert menu["x"] > SMALL_TABLET["width"] / 2 and bench["x"] > beside["x"]
            fig = page.locator(".figs .fig .value").first
            await expect(fig).to_have_css("direction", "ltr")

    play(stage, tmp_path, work, rtl=True)
