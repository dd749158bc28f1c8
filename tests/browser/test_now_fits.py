"""*Now* at every size: what is to be done, the figure and the act are in view, whole, large enough
for gloves and for two metres, with several plates, names as long as they may be, and an alarm.

Legible is a digit of a 120th of the distance, common practice, no source. A 7 inch panel of 1024
dots has 0.15 mm a dot, a 24 inch screen of 1920 has 0.277 mm.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage

LONGEST = 200

pytestmark = pytest.mark.system
Json = dict[str, Any]
SIZES = {
    "panel": (1024, 600), "small panel": (800, 480), "phone": (390, 844),
    "phone on its side": (844, 390), "tablet": (1280, 800), "screen": (1920, 1080),
}  # fmt: skip
LEAST_ACT_PX = {"panel": 100, "small panel": 78}
DIGIT_EM = 0.72
LEAST_FIGURE_PX = {"panel": 2000 / 120 / 0.15 / DIGIT_EM, "screen": 5000 / 120 / 0.277 / DIGIT_EM}
"""Of a figure with a short instruction beside it."""
LONG = "Name as long as a form takes it, "
KINDS = {
    "ready": d.READY, "waiting": d.WAITING, "light": d.LIGHT, "held": d.HELD, "washout": d.WASH,
    "overdue": d.WASH_DUE, "oven": d.OVEN, "bath": d.BATH, "inspect": d.INSPECT,
}  # fmt: skip
SHORT = ("light", "oven", "washout")
FORMS = ("bath", "inspect")
FAULTS = """([least, figure]) => {
  const found = [], see = (e) => e.checkVisibility() && e.getBoundingClientRect().height > 0;
  const all = (css) => [...document.querySelectorAll(css)].filter(see);
  const name = (e) => e.id ? '#' + e.id : '.' + e.className.split(' ')[0];
  const root = document.documentElement;
  if (root.scrollHeight > innerHeight) found.push(`page ${root.scrollHeight} high`);
  if (root.scrollWidth > innerWidth) found.push(`page ${root.scrollWidth} wide`);
  const parts = all('.top, .chips, .who, .headline, .say, .figs, .meter, .track, .bath, #acts, '
    + '.reading, #cautions, form.findings');
  const box = new Map(parts.map((e) => [e, e.getBoundingClientRect()]));
  const scrolls = document.querySelector('form.findings')?.checkVisibility();
  const moves = (e) => scrolls && e.closest('.bench') && !e.matches('.who, .headline, .say');
  for (const [a, one] of box) {
    const held = a.closest('.bench, .beside')?.getBoundingClientRect()
      || {left: 0, top: 0, right: innerWidth, bottom: innerHeight};
    const inside = one.left >= held.left - 1 && one.top >= held.top - 1
      && one.right <= held.right + 1 && one.bottom <= held.bottom + 1;
    if (!inside && !moves(a)) found.push(`${name(a)} is cut`);
    for (const [b, two] of box)
      if (a !== b && !a.contains(b) && !b.contains(a) && !moves(a) && !moves(b)
        && one.left < two.right - 1 && two.left < one.right - 1
        && one.top < two.bottom - 1 && two.top < one.bottom - 1)
        found.push(`${name(a)} over ${name(b)}`);
  }
  for (const e of all('.fig .value, .fig .unit, .acts button, .reading .figure')) {
    const b = e.getBoundingClientRect(), p = e.parentElement.closest('.figs, #acts, .reading');
    if (b.right > p.getBoundingClientRect().right + 1 || e.scrollWidth > e.clientWidth + 1)
      found.push(`${e.textContent} is cut`);
  }
  for (const e of all('.acts button'))
    if (e.getBoundingClientRect().height < least) found.push(`${e.textContent} is low`);
  const size = parseFloat(getComputedStyle(all('.fig .value')[0] || root).fontSize);
  if (size < figure) found.push(`figure of ${size} px`);
  return [...new Set(found)];
}"""


def named(plate: Json, number: int, *, long: bool) -> Json:
    name = f"P-{number}"
    if not long:
        return {**plate, "plate": name}
    text = (LONG * 9)[: LONGEST - len(name) - 1]
    return {**plate, "plate": f"{name} {text}", "job": text, "lot": text, "title": text}


def statuses() -> list[tuple[str, str, Json]]:
    """Each kind of step with one, three and five plates, with long names and an alarm."""
    found = []
    for kind, plate in KINDS.items():
        for count in (1, 3, 5):
            for called in (False, True):
                others = [d.OVEN, d.WASH_DUE, d.READY, d.WAITING][: count - 1]
                plates = [named(one, n, long=called) for n, one in enumerate([plate, *others])]
                alarms = {"alarms": d.ALARMS} if called else {}
                now = d.status(*plates, **alarms)
                found.append((f"{kind}, {count}{', called' if called else ''}", kind, now))
    return found


@pytest.mark.timeout(400)
@pytest.mark.parametrize("locale", ["en-GB", "de-DE"])
@pytest.mark.parametrize("size", SIZES)
def test_state_figure_and_act_are_in_view(
    stage: Stage, tmp_path: Path, size: str, locale: str
) -> None:
    faults: list[str] = []
    width, height = SIZES[size]

    async def look(page: Page, scene: Scene, what: str, kind: str, now: Json) -> None:
        name, count = now["plates"][0]["plate"], len(now["plates"])
        scene.played.status = now
        await page.evaluate("(plate) => { location.hash = encodeURIComponent(plate); }", name)
        await page.wait_for_function(
            """([plate, step, count, calls]) =>
              document.getElementById('plate').textContent === plate
              && document.querySelector('.work h2')?.textContent === step
              && (count < 2 || document.querySelectorAll('#chips li').length === count)
              && document.getElementById('calls').hidden !== calls""",
            arg=[name, now["plates"][0]["now"]["name"], count,
                 bool(now["alarms"]["unacknowledged"])],
        )  # fmt: skip
        await page.evaluate("() => new Promise((done) => requestAnimationFrame(() => "
                            "requestAnimationFrame(done)))")  # fmt: skip
        short = kind in SHORT and what.endswith("1")
        least = LEAST_FIGURE_PX.get(size, 0.0) if short else 0.0
        found = await page.evaluate(FAULTS, [LEAST_ACT_PX.get(size, 52), least])
        faults.extend(f"{what}: {text}" for text in found)

    async def through(scene: Scene) -> None:
        view = {"width": width, "height": height}
        async with scene.tablet(role="lead", viewport=view, locale=locale) as page:
            scene.played.status = statuses()[0][2]
            await page.goto(scene.address)
            for what, kind, now in statuses():
                await look(page, scene, what, kind, now)

    play(stage, tmp_path, through)
    assert not faults, "\n".join(faults)
