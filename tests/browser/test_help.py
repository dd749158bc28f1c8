"""The "?" of every view: what it is, and the acts on it by the words that stand there."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import PHONE, Stage
from browser.views import VIEWS, View
from platelink.web.help import HELP
from platelink.web.texts import read_languages

pytestmark = pytest.mark.system
LATCHED = {
    **d.ALARMS,
    "list": [d.alarm("oven over-temperature", "latched, acknowledged", "high", active=False)],
}
MORE = (
    View("step by hand", "/", d.status(d.plate("blow-off", "ready", ["begin", "stop"]))),
    View("done", "/", d.status(d.plate("identify", "running", ["done", "stop"]))),
    View("latched", "/alarms", d.status(d.HELD, alarms=LATCHED)),
    View("not found", "/nowhere", d.status()),
    View("approved", "/recipes/plate-a-fine@2", d.status()),
)
WORDS = """() => [...document.querySelectorAll('main :is(button, a, summary)')]
  .filter((e) => e.checkVisibility()).map((e) => e.textContent.trim())"""
TEMPLATES = {
    "/": "now", "/plates": "plates", "/plates/new": "new_plate", "/alarms": "alarms",
    "/history": "history", "/recipes": "recipes", "/stock": "stock", "/unit": "unit",
    "/people": "people", "/sign-in": "sign_in", "/calibrations": "calibrations",
    "/experiments": "experiments",
    "/trends": "trends", "/ask": "ask", "/ask/compare": "ask_compare",
    "/ask/sensor": "ask_sensor", "/nowhere": "trouble",
}  # fmt: skip
PARTS = {"/records/": "record", "/recipes/diff": "recipe_diff", "/recipes/": "recipe",
         "/calibrations/": "calibration", "/experiments/": "experiment"}  # fmt: skip


def template(view: View) -> str:
    exact = TEMPLATES.get(view.path.partition("?")[0])
    return exact or next(name for part, name in PARTS.items() if view.path.startswith(part))


@pytest.mark.parametrize("code", list(read_languages()))
def test_every_view_has_help_and_the_acts_it_names(stage: Stage, tmp_path: Path, code: str) -> None:
    translate = read_languages()[code].translations.gettext
    seen: dict[str, set[str]] = {name: set() for name in HELP}
    faults: list[str] = []

    async def look(page: Any, scene: Scene, view: View) -> None:
        part = HELP[template(view)]
        scene.played.status = view.status
        await page.goto(scene.address + view.path)
        if view.role is not None:
            await expect(page.locator("#unit-name")).to_have_text("unit-1")
        await page.wait_for_timeout(200)
        words = await page.evaluate(WORDS)
        known = {translate(act.word) for act in part.acts}
        here = {
            act.word for act in part.acts
            for word in words
            if word.removesuffix(" …") == translate(act.word).removesuffix(" …")
            or (word not in known and word.startswith(translate(act.word) + ":"))
        }  # fmt: skip
        seen[template(view)] |= here
        await page.get_by_role("button", name=translate("Help"), exact=True).click()
        box = page.locator("#help")
        await expect(box).to_contain_text(translate(part.what))
        now = await box.locator("dl").nth(0).locator("dt").all_text_contents()
        if set(now) != {translate(word) for word in here}:
            faults.append(f"{view.name}: {now} stand as possible, not {here}")
        await page.keyboard.press("Escape")
        if template(view) == "trouble":
            scene.faults.clear()  # the browser tells the 404

    async def through(scene: Scene) -> None:
        locale = {"en": "en-GB"}.get(code, code)
        for role in ("lead", "operator", None):
            async with scene.tablet(role=role, locale=locale) as page:
                for view in (*VIEWS, *MORE):
                    if view.role == role:
                        await look(page, scene, view)

    play(stage, tmp_path, through)
    assert not faults, "\n".join(faults)
    for name, part in HELP.items():
        assert {act.word for act in part.acts} <= seen[name], name


def test_help_leaves_out_what_a_role_may_not_do(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="auditor", viewport=PHONE) as page:
            await page.goto(f"{scene.address}/people")
            await page.get_by_role("button", name="Help", exact=True).click()
            await expect(page.locator("#help dt").first).to_be_visible()
            assert "Add a person" not in await page.locator("#help").inner_text()
            assert "Change your own PIN" in await page.locator("#help").inner_text()

    play(stage, tmp_path, work)
