"""The lamp set on the page: what is told of it, and what a person enters."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import expect

from browser.scenes import Scene, play
from browser.stage import Stage

pytestmark = pytest.mark.system


def test_a_reading_of_a_hand_meter_is_entered_beside_the_machine(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="lead") as page:
            await page.goto(f"{scene.address}/unit")
            lamps = page.locator("section", has=page.get_by_role("heading", name="The lamp set"))
            await expect(lamps).to_contain_text("61.4 h")
            await expect(lamps).to_contain_text("hardening takes too long")
            await expect(lamps).to_contain_text(
                "centre calibrated (light 0@2, cause: routine). Earlier levels are rescaled by "
                "8.0 %."
            )
            await expect(lamps).to_contain_text(
                "Earlier levels are on another scale; whether the lamps changed that day is "
                "not known. Across it: -11.5 %."
            )
            await expect(lamps).to_contain_text("Take a hand meter reading")
            await page.get_by_text("Record a hand meter reading").click()
            await page.get_by_role("button", name="Record the reading").click()
            await expect(lamps).to_contain_text("must be filled in")
            assert scene.played.posted == []
            await page.get_by_label("Irradiance, mW/cm²").fill("9,3")
            await page.get_by_label("Meter", exact=True).fill("meter 7")
            await page.get_by_label("Its uncertainty in percent").fill("4")
            await page.get_by_role("button", name="Record the reading").click()
            assert (await scene.posts(1))[0] == (
                "lamps",
                {"act": "measured", "irradiance_mw_cm2": 9.3, "meter": "meter 7", "u_pct": 4},
            )

    play(stage, tmp_path, work)


def test_who_may_not_enter_it_sees_it_only(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="operator") as page:
            await page.goto(f"{scene.address}/unit")
            await expect(page.get_by_text("61.4 h")).to_be_visible()
            await expect(page.get_by_text("Record a hand meter reading")).to_have_count(0)

    play(stage, tmp_path, work)
