"""The buttons of a record, on the real service: report and label are files that open, with the
plate's code; where there is no file, the page says why. Read by poppler's tools and a scanner."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from facts.shop import made_at
from playwright.async_api import Page, expect
from report.test_report import poppler, scanned

from browser.real import AUDITOR, OPERATOR, Shop, shop
from browser.stage import Stage
from platelink.contract.base import Reasoned
from platelink.evidence.log import SealLog

pytestmark = [
    pytest.mark.system,
    pytest.mark.timeout(300),
    pytest.mark.skipif(not shutil.which("pdftotext"), reason="apt-get install poppler-utils"),
]
PLATE = "P-000003"


async def opened(page: Page, made: Shop, name: str = PLATE) -> None:
    """The record, once it is sealed: its report is offered from then on."""
    await page.goto(f"{made.address}/records/{name}")
    for _ in range(60):
        if await page.get_by_role("link", name="Report (PDF)").count():
            return
        await page.wait_for_timeout(500)
        await page.reload()
    raise AssertionError(f"{name} is not sealed within 30 s")


async def saved(page: Page, button: str, folder: Path) -> Path:
    async with page.expect_download(timeout=60_000) as coming:
        await page.get_by_role("link", name=button).click()
    found = await coming.value
    path = folder / found.suggested_filename
    await found.save_as(path)
    return path


def test_report_and_label_are_saved_and_open(stage: Stage, tmp_path: Path) -> None:
    async def work() -> None:
        async with shop(
            stage, tmp_path, speed=1.0, before=lambda journal: made_at(journal, 4) and None
        ) as made:
            async with made.signed_in(AUDITOR) as page:  # with the least of rights
                await opened(page, made)
                pdf = await saved(page, "Report (PDF)", tmp_path)
                label = await saved(page, "Label", tmp_path)
                html = await saved(page, "Report (HTML)", tmp_path)
                await expect(page.locator("#not-saved")).to_be_hidden()
            assert (pdf.name, label.name, html.name) == (
                f"{PLATE}.pdf", f"label-{PLATE}.pdf", f"{PLATE}.html",
            )  # fmt: skip
            assert "Pages:           1\n" in poppler("pdfinfo", pdf)
            assert f"Plate {PLATE}" in poppler("pdftotext", "-layout", pdf, "-")
            (code,) = scanned(pdf)
            with SealLog.open(tmp_path / "journal.seals", read_only=True) as log:
                leaf = log.find(("plate",), PLATE)
            assert leaf is not None
            assert code.split("\n")[0] == f"platelink verify {PLATE}"
            assert f"SHA-256 {leaf.seal.leaf.hex()}" in code
            assert "Pages:           1\n" in poppler("pdfinfo", label)
            assert scanned(label) == [PLATE]
            assert f"Plate {PLATE}" in html.read_text("utf-8")

    stage.run(work(), 250.0)


def test_who_may_not_or_not_any_more_is_told_why_and_gets_no_file(
    stage: Stage, tmp_path: Path
) -> None:
    async def refused(page: Page, made: Shop, says: str) -> None:
        files: list[object] = []
        page.on("download", lambda one: files.append(one))  # noqa: PLW0108 -- no built-in is taken
        for button in ("Report (PDF)", "Report (HTML)", "Label"):
            await page.get_by_role("link", name=button).click()
            await expect(page.locator("#not-saved")).to_contain_text(says)
        assert files == []
        made.faults.clear()  # the browser tells the refusals

    async def work() -> None:
        async with shop(
            stage, tmp_path, speed=1.0, before=lambda journal: made_at(journal, 4) and None
        ) as made:
            async with made.signed_in(OPERATOR) as page:
                await opened(page, made)
                await page.context.clear_cookies()  # signed out in another window
                await refused(page, made, "sign in")
                await page.goto(f"{made.address}/records/{PLATE}")
                assert page.url.startswith(f"{made.address}/sign-in?next=")
            async with made.signed_in(AUDITOR) as page:
                await opened(page, made)
                made.client.at_person(AUDITOR, "close", Reasoned(why="left (invented)"))
                await refused(page, made, "sign in")
            async with made.signed_in(OPERATOR) as page:
                await opened(page, made)
                (tmp_path / "journal.seals").rename(tmp_path / "away")
                await page.get_by_role("link", name="Report (PDF)").click()
                await expect(page.locator("#not-saved")).to_contain_text("is not sealed yet")
                made.faults.clear()

    stage.run(work(), 250.0)
