"""Asking the record by hand: on the played service, and on the real one with its journal."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from facts.shop import asking, made_at
from playwright.async_api import Page, expect

from browser.real import AUDITOR, shop
from browser.scenes import Scene, play
from browser.stage import Stage
from platelink.contract.facts import Asked
from platelink.facts.both import Both
from platelink.facts.compare import compare
from platelink.facts.refused import nobody

pytestmark = pytest.mark.system
ROWS = "table tbody tr"


async def names(page: Page) -> list[str]:
    """Of what was found, from the top."""
    return await page.locator(f"{ROWS} th a").all_text_contents()


def test_a_question_is_asked_by_the_keyboard_and_stands_in_the_address(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="operator") as page:
            await page.goto(f"{scene.address}/ask")
            await expect(page.get_by_label("Part of a name, job or note")).to_be_focused()
            await page.keyboard.type("roller")
            await page.keyboard.press("Enter")
            await page.wait_for_url("**/ask?text=roller")
            await expect(page.get_by_role("status").first).to_contain_text("2 found.")
            await page.get_by_text("Change the question").click()
            await page.get_by_label("Verdict").select_option("reject")
            await page.get_by_label("Threshold").select_option("vacuum")
            await page.get_by_label("Level").fill("50")
            await page.get_by_label("For more than, s").fill("2")
            await page.keyboard.press("Enter")
            where = "where=vacuum+below+50+kPa+for+2+s"
            await page.wait_for_url(f"**/ask?text=roller&verdict=reject&{where}")
            found = page.get_by_role("row", name="P-1031")
            await expect(found).to_contain_text(re.compile(r"vacuum below 50.0 kPa: 3.25\ss"))
            for said in (
                "Searched back to", "12 newer entries", "1 run cannot be read",
                "3 plates or runs cannot be found by vacuum, light or oven",
            ):  # fmt: skip
                await expect(page.get_by_text(said)).to_be_visible()
            await page.get_by_role("link", name="Remove: Verdict: reject").click()
            await page.wait_for_url(f"**/ask?text=roller&{where}")
            await page.get_by_text("Change the question").click()
            await page.get_by_role("button", name="Search").first.click()  # what was there stays
            await page.wait_for_url(f"**/ask?{where}&text=roller")
            others = page.get_by_role("region", name="Imported from other units")
            await expect(others.get_by_role("row", name="unit-7/P-0412")).to_contain_text(
                "verified"
            )
            assert not await others.get_by_role("link").count()
            for said in ("In no figures of this unit", "2 imported records are not in this answer",
                         "1 imported record is left out: it does not verify"):  # fmt: skip
                await expect(page.get_by_text(said)).to_be_visible()
            for name in ("P-1039", "unit-7/P-0412"):
                await page.get_by_role("checkbox", name=f"Compare {name}", exact=True).check()
            await page.get_by_role("button", name="Put side by side").click()
            await page.wait_for_url("**/ask/compare?plate=P-1039&plate=unit-7%2FP-0412")
            await expect(page.locator(ROWS).first).to_contain_text("film · lowest vacuum")

    play(stage, tmp_path, work)


def test_why_there_is_no_answer_stands_beside_the_question(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="operator", locale="de-DE") as page:
            scene.played.refuse = str(nobody("P-9"))
            await page.goto(f"{scene.address}/ask?lamps_of=P-9&verdict=good")
            await expect(page.get_by_role("alert")).to_have_text(
                "kein Klischee und kein Lauf „P-9“ ist aufgezeichnet; nach einem Teil des Namens "
                "suchen"
            )
            await expect(page.locator("#lamps_of")).to_have_value("P-9")
            await expect(page.locator("#verdict")).to_have_value("good")
            assert not await page.locator(ROWS).count()
            scene.faults.clear()  # the browser tells the 409
        async with scene.tablet(role=None) as page:
            await page.goto(f"{scene.address}/ask?verdict=good")
            assert page.url == f"{scene.address}/sign-in?next=/ask%3Fverdict%3Dgood"

    play(stage, tmp_path, work)


def test_the_real_service_answers_here_as_it_does_elsewhere(stage: Stage, tmp_path: Path) -> None:
    """With the least of rights: whoever reads records may ask."""

    def before(journal: Path) -> None:
        made_at(journal, 12)

    async def work() -> None:
        async with (
            shop(stage, tmp_path, speed=1.0, before=before) as made,
            made.signed_in(AUDITOR) as page,
        ):
            with asking(tmp_path / "journal.sqlite", tmp_path / "other.sqlite") as facts:
                where = "vacuum below 60 kPa for 1 s"
                rejects = [one.name for one in facts.pieces(Asked(verdict="reject")).made]
                weak = facts.pieces(Asked(where=[where])).made
                two = compare(Both(facts), "P-000001", "P-000002").differences
                lot = next(one.lot for one in weak if one.lot)
                both = [one.name for one in weak if one.lot == lot]
            assert weak and both
            await page.goto(f"{made.address}/ask")
            await page.get_by_role("link", name="Verdict: reject").click()
            await expect(page.get_by_role("status").first).to_contain_text("found.")
            assert await names(page) == rejects
            await page.goto(f"{made.address}/ask?where={where.replace(' ', '+')}")
            assert await names(page) == [one.name for one in weak]
            first = await page.locator(ROWS).first.inner_text()
            assert f"{weak[0].longest_s[0]:.2f}" in first
            await page.get_by_text("Change the question").click()
            await page.get_by_label("Lot").select_option(lot)
            await page.get_by_role("button", name="Search").first.click()
            await expect(page.get_by_role("link", name=f"Remove: Lot: {lot}")).to_be_visible()
            assert await names(page) == both
            await page.goto(f"{made.address}/ask/compare?plate=P-000001&plate=P-000002")
            await expect(page.locator(ROWS)).to_have_count(len(two))
            address = f"{made.address}/ask/sensor?sensor=light+0&since=2026-03-02&factor=1.03"
            await page.goto(f"{address}&until=2026-03-02")
            await expect(page.locator(ROWS).first).to_contain_text("light 0@")
            off = await page.locator(f"{ROWS}:first-child td:nth-child(6)").inner_text()
            assert off.startswith("+3.")
            await page.locator(f"{ROWS}:first-child th a").click()
            await expect(page.locator("h1")).to_be_visible()

    stage.run(work())
