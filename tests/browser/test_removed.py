"""A record whose samples were removed by retention: the page says so, and draws no empty curve."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.record_documents import DRY, FILM
from browser.scenes import Json, Scene, play
from browser.stage import Stage

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(not shutil.which("pdftotext"), reason="apt-get install poppler-utils"),
]
WHOLE = "() => document.body.dataset.whole === 'yes'"


def removed(holds: bool) -> Json:
    return {
        "samples": 0, "from_ms": None, "until_ms": None, "gaps": [], "series": {},
        "removed_utc": "2026-09-14T03:00:00.000+00:00", "removed_days": 120,
        "removed_seal_holds": holds,
    }  # fmt: skip


async def opened(page: Page, scene: Scene, name: str) -> None:
    await page.goto(f"{scene.address}/records/{name}")
    await page.wait_for_function(WHOLE)


def test_it_says_when_by_which_rule_and_that_the_seal_holds(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status()
        scene.played.removed = {FILM: removed(True), DRY: removed(False)}
        async with scene.tablet(role="auditor") as page:
            await opened(page, scene, FILM)
            says = page.locator("figure .says")
            await expect(says).to_have_text(
                "Samples removed on 2026-09-14 by the retention of 120 days. All else is as it was "
                "sealed, and so is their sum: the seal holds."
            )
            await expect(says).to_have_class(re.compile("told"))
            assert not await page.locator("canvas").count()
            await opened(page, scene, DRY)
            await expect(says).to_contain_text("The seal was not found to hold.")
            await expect(says).to_have_class(re.compile("wrong"))
            assert not await page.locator("canvas").count()
            scene.played.removed.clear()  # the same record with its samples says none of it
            await opened(page, scene, FILM)
            await expect(page.locator("canvas").first).to_be_visible()
            await expect(says).to_be_hidden()
        async with scene.tablet(role="auditor", locale="de-DE") as page:
            scene.played.removed = {FILM: removed(True)}
            await opened(page, scene, FILM)
            await expect(page.locator("figure .says")).to_contain_text("Das Siegel hält")

    play(stage, tmp_path, work)


def test_of_a_plate_each_part_says_it_and_the_others_are_drawn(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status()
        scene.played.removed = {FILM: removed(True)}
        async with scene.tablet(role="auditor") as page:
            await opened(page, scene, "P-1039")
            film, dry = (page.locator(f"figure[data-run='{run}']") for run in (FILM, DRY))
            await expect(film.locator(".says")).to_contain_text("Samples removed on 2026-09-14")
            assert not await film.locator("canvas").count()
            await expect(dry.locator("canvas").first).to_be_attached()
            await expect(dry.locator(".says")).to_be_hidden()
            paper = await page.pdf(prefer_css_page_size=True)
        tool = ["pdftotext", "-layout", "-", "-"]
        words = subprocess.run(tool, input=paper, capture_output=True, check=True).stdout.decode()
        assert "Samples removed on 2026-09-14 by the retention" in " ".join(words.split())

    play(stage, tmp_path, work)


def test_laid_over_another_it_says_why_it_is_not_drawn(stage: Stage, tmp_path: Path) -> None:
    another = "20260302-120000-cccc"

    async def work(scene: Scene) -> None:
        scene.played.status = d.status()
        scene.played.runs = [*d.RUNS, d.run(another, "film")]
        async with scene.tablet(role="auditor") as page:
            note = page.locator("figure .over")
            await opened(page, scene, f"{another}?over={FILM}")
            await expect(note).to_contain_text(FILM)
            await expect(note).not_to_contain_text("not drawn")
            scene.played.removed = {FILM: removed(True)}
            await opened(page, scene, f"{another}?over={FILM}")
            await expect(note).to_contain_text("not drawn, as its samples were removed")
            await expect(page.locator("canvas").first).to_be_visible()

    play(stage, tmp_path, work)
