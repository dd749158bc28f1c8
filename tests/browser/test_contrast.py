"""Every visible text has a contrast of 4.5 : 1 or more (WCAG 2.2, 1.4.3), in light and dark, as it
is, without any colour, and under yellow room light, which has no blue."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from playwright.async_api import expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import SMALL_TABLET, Stage
from browser.test_light_sign import LEFT, STILL_ON
from browser.views import VIEWS, View

pytestmark = pytest.mark.system
LEAST = 4.5
BRIGHTEST, DARKEST = 0.87, 0.05
"""Relative luminance of the largest surfaces: in the light scheme no white that glares, in the dark
one nothing that lights the room. Common practice, no source."""
PAIRS = """() => {
  const found = [];
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, text = walker.currentNode.textContent.trim();
    if (!text || !e.checkVisibility({checkOpacity: true, checkVisibilityCSS: true})) continue;
    if (e.closest('.unseen, .jump, noscript, [disabled], option, title')) continue;
    const box = e.getBoundingClientRect();
    if (box.width < 2 || box.height < 2) continue;
    let behind = e;
    while (behind && getComputedStyle(behind).backgroundColor === 'rgba(0, 0, 0, 0)')
      behind = behind.parentElement;
    const back = getComputedStyle(behind || document.documentElement).backgroundColor;
    found.push([text.slice(0, 40), getComputedStyle(e).color, back]);
  }
  return found;
}"""
Rgb = tuple[float, float, float]


def rgb(text: str) -> Rgb:
    """A colour as the browser computes it; one that is not opaque fails."""
    values = [float(value) for value in re.findall(r"[\d.]+", text)]
    assert text.startswith("rgb") and (len(values) == 3 or values[3] == 1.0), text
    return values[0], values[1], values[2]


def luminance(colour: Rgb) -> float:
    """Relative luminance as WCAG 2.2 defines it."""
    linear = [
        c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4
        for c in (value / 255.0 for value in colour)
    ]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def grey(colour: Rgb) -> Rgb:
    """Luma of BT.601, as a screen or a printer without colour shows it."""
    value = 0.299 * colour[0] + 0.587 * colour[1] + 0.114 * colour[2]
    return value, value, value


def yellow(colour: Rgb) -> Rgb:
    return colour[0], colour[1], 0.0


def as_it_is(colour: Rgb) -> Rgb:
    return colour


FILTERS = {"as it is": as_it_is, "grey": grey, "yellow": yellow}


def contrast(a: Rgb, b: Rgb) -> float:
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_that_of_the_standard() -> None:
    """Black on white is 21 : 1 and #777 on white 4.48 : 1: worked examples of WCAG, from memory."""
    white = (255.0, 255.0, 255.0)
    assert contrast((0.0, 0.0, 0.0), white) == pytest.approx(21.0)
    assert contrast((119.0, 119.0, 119.0), white) == pytest.approx(4.48, abs=0.01)


LIT = (View("light on, stock", "/stock", LEFT), View("still on", "/plates", STILL_ON),
       View("light on, signed out", "/sign-in", LEFT, None),
       View("unknown", "/unit", d.status(light={**LEFT["light"], "state": "unknown"})))  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("by", ["surroundings", "choice"])
def test_every_text_can_be_read(stage: Stage, tmp_path: Path, scheme: str, by: str) -> None:
    faults: set[str] = set()
    surfaces: set[str] = set()

    async def through(scene: Scene) -> None:
        # what a person chose goes before what the room is like
        around = scheme if by == "surroundings" else {"light": "dark", "dark": "light"}[scheme]
        views = (*VIEWS, *LIT) if by == "surroundings" else (*VIEWS[:6], *LIT)
        for role in dict.fromkeys(view.role for view in views):
            async with scene.tablet(role=role, color_scheme=around, viewport=SMALL_TABLET) as page:
                if by == "choice":
                    await page.goto(f"{scene.address}/choose/theme/{scheme}?back=/sign-in")
                for view in (v for v in views if v.role == role):
                    scene.played.status = view.status
                    await page.goto(scene.address + view.path)
                    if role is not None:
                        await expect(page.locator("#unit-name")).to_have_text("unit-1")
                    await expect(page.locator("#light")).not_to_be_empty()
                    pairs = await page.evaluate(PAIRS)
                    assert pairs
                    for text, front, back in pairs:
                        for name, seen in FILTERS.items():
                            found = contrast(seen(rgb(front)), seen(rgb(back)))
                            if found < LEAST:
                                faults.add(f"{view.name}, {name}: {text!r} {found:.2f}")
                    surfaces.add(await page.evaluate(
                        "getComputedStyle(document.documentElement).backgroundColor"
                    ))  # fmt: skip

    play(stage, tmp_path, through)
    assert not faults, "\n".join(sorted(faults))
    for surface in surfaces:
        level = luminance(rgb(surface))
        assert level <= BRIGHTEST if scheme == "light" else level <= DARKEST
