"""*Now* at every size: what is to be done, the figure and the act are in view, whole, large enough
for gloves and for two metres, with several plates, names as long as they may be, and an alarm. In
every other view nothing lies over anything else.

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
from browser.test_every_view import opened
from browser.views import VIEWS

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
LONGER = {"he": 0.8}
"""What is left of it where every text is a third longer."""
LONG = "Name as long as a form takes it, "
KINDS = {
    "ready": d.READY, "waiting": d.WAITING, "light": d.LIGHT, "held": d.HELD, "washout": d.WASH,
    "overdue": d.WASH_DUE, "oven": d.OVEN, "bath": d.BATH, "inspect": d.INSPECT,
}  # fmt: skip
FORMS = ("bath", "inspect")
"""What is typed stands where the figure would."""
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
    const q = p.getBoundingClientRect();
    if (b.right > q.right + 1 || b.left < q.left - 1 || e.scrollWidth > e.clientWidth + 1)
      found.push(`${e.textContent} is cut`);
  }
  for (const e of all('.acts button'))
    if (e.getBoundingClientRect().height < least) found.push(`${e.textContent} is low`);
  const size = parseFloat(getComputedStyle(all('.fig .value')[0] || root).fontSize);
  if (figure && size < figure) found.push(`figure of ${size} px`);
  return [...new Set(found)];
}"""


DRAWN = "() => new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))"
BESIDE = """() => {
  const found = [], see = (e) => e.checkVisibility() && e.getBoundingClientRect().height > 0;
  const root = document.documentElement, name = (e) => `${e.tagName} ${e.textContent.trim()}`;
  if (root.scrollWidth > innerWidth) found.push(`page ${root.scrollWidth} wide`);
  const top = document.querySelector('.top').getBoundingClientRect();
  const parts = [...document.querySelectorAll(
    'main :is(h1, h2, h3, p, dl, table, form, button, a.button, summary, figure, input, select)')
  ].filter((e) => see(e) && !e.closest('.unseen, [popover]')
    && getComputedStyle(e).position !== 'sticky');  // what lies under it scrolls
  const box = parts.map((e) => [e, e.getBoundingClientRect()]);
  const first = box.find(([e]) => e.matches('h1'));
  if (first && first[1].top < top.bottom - 1) found.push(`${name(first[0])} is behind the bar`);
  for (const [e, b] of box)
    if (!e.closest('.wide, .picks') && (b.right > innerWidth + 1 || b.left < -1))
      found.push(`${name(e).slice(0, 60)} is beside the screen`);
  for (let i = 0; i < box.length; i++)
    for (let j = i + 1; j < box.length; j++) {
      const [a, one] = box[i], [b, two] = box[j];
      if (a.contains(b) || b.contains(a)) continue;
      if (one.left < two.right - 1 && two.left < one.right - 1
        && one.top < two.bottom - 1 && two.top < one.bottom - 1)
        found.push(`${name(a).slice(0, 60)} over ${name(b).slice(0, 60)}`);
    }
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
@pytest.mark.parametrize("locale", ["en-GB", "de-DE", "he"])
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
        await page.evaluate(DRAWN)
        least = 0.0 if kind in FORMS else LEAST_FIGURE_PX.get(size, 0.0) * LONGER.get(locale, 1.0)
        found = await page.evaluate(FAULTS, [LEAST_ACT_PX.get(size, 52), least])
        faults.extend(f"{what}: {text}" for text in found)

    async def through(scene: Scene) -> None:
        view = {"width": width, "height": height}
        async with scene.tablet(role="lead", viewport=view, locale=locale) as page:
            scene.played.status = statuses()[0][2]
            await page.goto(scene.address)
            for what, kind, now in statuses():
                await look(page, scene, what, kind, now)

    play(stage, tmp_path, through, rtl=locale == "he")
    assert not faults, "\n".join(faults)


@pytest.mark.timeout(400)
@pytest.mark.parametrize("locale", ["en-GB", "de-DE", "he"])
def test_nothing_lies_over_another_in_any_other_view(
    stage: Stage, tmp_path: Path, locale: str
) -> None:
    """Every view but *Now*, with alarms, at every size: opened once, then turned and resized."""
    faults: list[str] = []

    async def through(scene: Scene) -> None:
        for role in dict.fromkeys(view.role for view in VIEWS):
            async with scene.tablet(role=role, locale=locale) as page:
                for view in (v for v in VIEWS if v.role == role and v.path != "/"):
                    await opened(page, scene, view)
                    for size, (width, height) in SIZES.items():
                        await page.set_viewport_size({"width": width, "height": height})
                        await page.evaluate(DRAWN)
                        found = await page.evaluate(BESIDE)
                        faults.extend(f"{view.name}, {size}: {text}" for text in found)

    play(stage, tmp_path, through, rtl=locale == "he")
    assert not faults, "\n".join(faults)
