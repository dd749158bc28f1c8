"""A new plate: nothing is chosen for anybody, and what stands against it is read first."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser.documents import RUNS, run
from browser.scenes import Scene, play
from browser.stage import Stage

pytestmark = pytest.mark.system
FOREIGN = "lot L-102 is example-stock-b, the recipe is for example-stock-a; take another lot"
SHORT = "lot L-102 has 400 cm² left, 600 cm² are needed; count it, or take another"
FREMD = (
    "Charge L-102 ist example-stock-b, das Rezept gilt für example-stock-a; andere Charge nehmen"
)
KNAPP = "Charge L-102: noch 400 cm² übrig, nötig sind 600 cm²; zählen oder eine andere nehmen"


async def filled(page: Page, scene: Scene) -> None:
    await page.goto(f"{scene.address}/plates/new")
    await page.locator("[data-value='plate-a-fine@2']").click()
    await page.locator("[data-value='L-102']").click()


@pytest.mark.parametrize(
    ("locale", "go_on", "says"),
    [("en-GB", "Continue anyway", [FOREIGN, SHORT]),
     ("de-DE", "Trotzdem weiter", [f"falsches Material: {FREMD}", f"zu wenig Fläche: {KNAPP}"])],
)  # fmt: skip
def test_what_stands_against_it_is_read_and_accepted_by_name(
    stage: Stage, tmp_path: Path, locale: str, go_on: str, says: list[str]
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.asks = {"wrong stock": FOREIGN, "not enough area": SHORT}
        async with scene.tablet(locale=locale) as page:
            await filled(page, scene)
            await page.locator("form button.main").click()
            dialog = page.get_by_role("dialog")
            for text in says:
                await expect(dialog.get_by_text(text, exact=True)).to_be_visible()
            await dialog.locator("button").last.click()  # not now
            await expect(page.locator("form .wrong")).to_contain_text(says[0].rpartition(": ")[2])
            assert [body.get("accept") for _, body in await scene.posts(1)] == [None]
            await page.locator("form button.main").click()
            await dialog.get_by_role("button", name=go_on).click()
            await page.wait_for_url("**/#P-1042")
            last = (await scene.posts(3))[-1][1]
            assert last["accept"] == ["wrong stock", "not enough area"] and last["lot"] == "L-102"
            scene.faults.clear()  # the browser tells the 409s

    play(stage, tmp_path, work)


def test_a_handful_of_names_is_offered_and_typing_finds_the_others(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        jobs = [f"J-{number} Invented Caps" for number in range(9)]
        scene.played.runs = [run(f"P-{n}", "plate", job=job) for n, job in enumerate(jobs)] + RUNS
        async with scene.tablet(has_touch=True) as page:
            await page.goto(f"{scene.address}/plates/new")
            offered = page.locator("[data-picks=job] [data-value]:visible")
            await expect(offered).to_have_text(jobs[:6])  # those of last time first
            await expect(page.locator("[aria-pressed=true]")).to_have_count(0)
            await page.get_by_label("Job", exact=True).fill("caps")
            await page.get_by_label("Job", exact=True).fill("j-8")
            await expect(offered).to_have_text([jobs[8]])
            await page.get_by_label("Job", exact=True).fill("")
            await page.get_by_role("button", name="5 more").tap()
            await expect(offered).to_have_count(11)
            await page.get_by_role("button", name=jobs[7]).tap()
            await expect(page.get_by_label("Job", exact=True)).to_have_value(jobs[7])
            await expect(page.locator("[aria-pressed=true]")).to_have_text([jobs[7]])

    play(stage, tmp_path, work)
