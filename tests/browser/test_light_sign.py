"""Light and the lack of news of it, on every view, whoever looks."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage
from browser.views import VIEWS

pytestmark = pytest.mark.system
BY_ITSELF = "ends by itself"


def light(state: str, **more: Any) -> dict[str, Any]:
    return {"state": state, "measured": False, "output": False, "order": None, "left_on": False,
            **more}  # fmt: skip


LEFT = d.status(light=light("on", measured=True))
"""No exposure, no plate, and yet light."""
STILL_ON = d.status(light=light("on", measured=True, left_on=True))
"""After-glow is over, and it burns on."""


async def next_text(page: Page, text: str) -> None:
    await expect(page.locator(".work .next")).to_contain_text(text)


def test_light_is_told_on_every_view_signed_in_or_not(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        sign = "UV light is on"
        for role in dict.fromkeys(view.role for view in VIEWS):
            async with scene.tablet(role=role) as page:
                for view in (v for v in VIEWS if v.role == role):
                    scene.played.status = LEFT
                    await page.goto(scene.address + view.path)
                    await expect(page.locator("#light"), view.name).to_have_text(sign)
                scene.played.status = STILL_ON
                await expect(page.locator("#light"), view.name).to_contain_text("main switch")
                scene.played.status = d.status()
                await expect(page.locator("#light"), view.name).to_have_text("no UV light")

    play(stage, tmp_path, work)


def test_nothing_old_is_shown_of_a_device_that_says_nothing(stage: Stage, tmp_path: Path) -> None:
    unknown = d.exposure(
        step="light", dose_mj_cm2=None, remaining_s=None, light_s=None, irradiance_mw_cm2=None
    )
    gone = d.plate("film", "running", ["hold", "skip", "stop", "abort"], exposure=unknown)

    async def work(scene: Scene) -> None:
        async with scene.tablet(role="operator", locale="en-GB") as page:
            scene.played.status = d.status(d.LIGHT)
            await page.goto(scene.address)
            await next_text(page, BY_ITSELF)
            vacuum = page.locator("[data-reading=vacuum]")
            await expect(vacuum.locator(".note")).to_have_text("Band 56.0–89.0 kPa")
            scene.played.status = d.status(gone, reading=None, light=light("unknown"))
            await expect(page.locator("#light")).to_contain_text("UV light may be on")
            await expect(page.locator(".work .state")).to_have_text("light not known")
            await next_text(page, "Use the unit's own stop button")
            await expect(page.locator(".figs .fig:not([hidden]) .value")).to_have_text("–")
            await expect(vacuum.locator(".value")).to_have_text("–")
            await expect(vacuum.locator(".note")).to_have_text("Band 56.0–89.0 kPa")

    play(stage, tmp_path, work)


def test_a_hold_that_reaches_nobody_says_so_in_the_language_of_the_screen(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.refuse = "cannot reach the unit: use its stop button"
        async with scene.tablet(role="operator", locale="de-DE") as page:
            scene.played.status = d.status(d.LIGHT)
            await page.goto(scene.address)
            await page.locator("[data-key=hold]").click()
            await expect(page.locator("#acts .wrong")).to_have_text(
                "Das Gerät ist nicht zu erreichen: seinen Stopp-Knopf benutzen"
            )
            scene.faults.clear()  # the browser tells the 409

    play(stage, tmp_path, work)


@pytest.mark.parametrize(
    ("state", "step", "acts", "says"),
    [
        ("holding", "light", ["stop", "abort"], "is being switched off"),
        ("holding", "tail", ["stop", "abort"], "The light is off"),
        ("running", "tail", ["hold", "stop", "abort"], "The light is off"),
        ("holding", "light", ["hold", "stop", "abort"], BY_ITSELF),  # found on after a restart
        ("holding", "none", ["hold", "stop", "abort"], "is reporting the dose it gave"),
        ("running", "arm", ["hold", "stop", "abort"], "comes by itself"),
    ],
)
def test_what_becomes_of_the_light_is_said_as_it_is(
    stage: Stage, tmp_path: Path, state: str, step: str, acts: list[str], says: str
) -> None:
    shown = d.exposure(step=step, dose_mj_cm2=120.0)

    async def work(scene: Scene) -> None:
        async with scene.tablet(role="operator") as page:
            scene.played.status = d.status(d.plate("film", state, acts, exposure=shown))
            await page.goto(scene.address)
            await next_text(page, says)
            keys = await page.locator("#acts [data-key]").evaluate_all(
                "found => found.map((e) => e.dataset.key)"
            )
            assert ("hold" in keys) == ("hold" in acts)

    play(stage, tmp_path, work)
