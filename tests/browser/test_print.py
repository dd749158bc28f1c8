"""Each record is one A4 page on paper: nothing cut, curves drawn, no dark ground. Printed by the
browser, counted and read by poppler's tools."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from playwright.async_api import Page

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import SMALL_TABLET, Stage

pytestmark = [
    pytest.mark.system,
    pytest.mark.skipif(not shutil.which("pdftotext"), reason="apt-get install poppler-utils"),
]
WHOLE = "() => document.body.dataset.whole === 'yes'"
MANY = [
    {**d.EVENTS[2], "id": f"m-{n}", "text": f"event number {n}, told at some length"}
    for n in range(60)
]


def tool(*arguments: str, given: bytes) -> bytes:
    return subprocess.run(arguments, input=given, capture_output=True, check=True).stdout


async def printed(page: Page, address: str) -> bytes:
    page.set_default_timeout(60_000)
    await page.goto(address)
    await page.wait_for_function(WHOLE)
    return await page.pdf(prefer_css_page_size=True, print_background=True)


def ink(pdf: bytes) -> np.ndarray:
    """Grey of its only page, 0 is black; the tool gives a PGM (netpbm's format, binary)."""
    kind, size, most, rest = tool("pdftoppm", "-r", "72", "-gray", "-", given=pdf).split(b"\n", 3)
    assert (kind, most) == (b"P5", b"255")
    wide, high = map(int, size.split())
    return np.frombuffer(rest, np.uint8).reshape(high, wide)


@pytest.mark.parametrize("look", ["light", "dark"])
def test_a_plate_and_an_exposure_are_a_page_each(
    stage: Stage, tmp_path: Path, look: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("browser.played.EVENTS", MANY)
    four = [
        d.run(f"20260302-11{n:02}00-{step}", step, plate="P-1039", target_dose_mj_cm2=340.0,
              dose_mj_cm2=340.0, begun_utc=f"2026-03-02T11:{n:02}:00.000+00:00")
        for n, step in enumerate(("screen", "hardening"))
    ]  # fmt: skip
    found: dict[str, bytes] = {}

    async def work(scene: Scene) -> None:
        scene.played.status = d.status()
        scene.played.runs = [*d.RUNS, *four]
        async with scene.tablet(role="lead", viewport=SMALL_TABLET, color_scheme=look) as page:
            for name in ("P-1039", "20260302-100200-aaaa"):
                found[name] = await printed(page, f"{scene.address}/records/{name}")

    play(stage, tmp_path, work)
    for name, pdf in found.items():
        info = tool("pdfinfo", "-", given=pdf).decode()
        assert re.search(r"Pages:\s+1\n", info), (name, info)
        assert "(A4)" in info
        grey = ink(pdf)
        assert np.median(grey) == 255 and (grey < 128).mean() < 0.12, "a dark ground"
        assert (grey[-25:] < 200).sum() == 0, "something reaches over the lower edge"
        assert (grey[:, -25:] < 200).sum() == 0, "something reaches over the right edge"
    plate, run = (tool("pdftotext", "-layout", "-", "-", given=p).decode() for p in found.values())
    for words in (
        "P-1039", "film", "screen", "dry", "hardening", "large area", "24.5", "recorded: 42.5",
        "rub: 37 of 30 s, late", "contact lost", "B. Example", "scratch", "printed",
    ):  # fmt: skip
        assert words in plate, words
    for words in ("Control", "Against the meter", "event number 23", "36 more events"):
        assert words in run, words
    assert "event number 24" not in run


def test_curves_are_on_the_paper(stage: Stage, tmp_path: Path) -> None:
    """With the curves taken away there is much less ink: they were there."""
    pages: list[bytes] = []

    async def work(scene: Scene) -> None:
        scene.played.status = d.status()
        async with scene.tablet(role="lead", viewport=SMALL_TABLET) as page:
            address = f"{scene.address}/records/20260302-100200-aaaa"
            pages.append(await printed(page, address))
            await page.evaluate(
                "() => document.querySelectorAll('canvas').forEach((c) => c.remove())"
            )
            pages.append(await page.pdf(prefer_css_page_size=True))

    play(stage, tmp_path, work)
    with_curves, without = (int((ink(pdf) < 200).sum()) for pdf in pages)
    assert with_curves > 1.2 * without, (with_curves, without)
