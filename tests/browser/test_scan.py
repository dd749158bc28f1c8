"""A scanner types quickly and ends with Enter. It is heard in every view, whatever has the focus; a
person who types is left alone."""

from __future__ import annotations

from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage
from browser.views import VIEWS

pytestmark = pytest.mark.system
BY_HAND_MS = 120
# Events as a scanner's, all in one task: a busy computer must not make a slow typist of it.
TYPES = """(code) => {
  for (const key of [...code, 'Enter']) {
    const target = document.activeElement || document.body;
    const event = new KeyboardEvent('keydown', {key, bubbles: true, cancelable: true});
    const goes = target.dispatchEvent(event);
    if (goes && key.length === 1 && 'value' in target && target.tagName === 'INPUT') {
      target.setRangeText(key, target.selectionEnd, target.selectionEnd, 'end');
      target.dispatchEvent(new Event('input', {bubbles: true}));
    }
    if (goes && (key === 'Enter' || key === ' ') && target.tagName === 'BUTTON') target.click();
    if (goes && key === 'Enter' && target.form && target.tagName === 'INPUT')
      target.form.requestSubmit();
  }
}"""


async def scan(page: Page, code: str) -> None:
    await page.evaluate(TYPES, code)


async def at(page: Page, scene: Scene, path: str) -> None:
    await page.goto(scene.address + path)
    await expect(page.locator("#unit-name")).to_have_text("unit-1")


PLACES = {
    "P-1041": "**/#P-1041", "L-102": "**/stock#lot-L-102",
    "example-screen-fine": "**/stock#screen-example-screen-fine",
    "plate-a-fine@2": "**/recipes/plate-a-fine%402", "plate-a-bold": "**/recipes/plate-a-bold%401",
    "B. Example": "**/people#person-B.%20Example", "P-1039": "**/records/P-1039",
}  # fmt: skip


@pytest.mark.parametrize("code", PLACES)
def test_a_code_leads_to_what_it_names(stage: Stage, tmp_path: Path, code: str) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.LIGHT)
        async with scene.tablet(role="lead") as page:
            await at(page, scene, "/alarms")
            await scan(page, code)
            await page.wait_for_url(PLACES[code])

    play(stage, tmp_path, work)


def test_every_view_hears_a_code_and_presses_nothing(stage: Stage, tmp_path: Path) -> None:
    """Wherever a button has the focus, the blanks and the Enter of a code do not press it."""

    async def work(scene: Scene) -> None:
        async with scene.tablet(role="lead") as page:
            for path in dict.fromkeys(v.path for v in VIEWS if v.role == "lead" and v.path != "/"):
                scene.played.status = d.status(d.READY)
                await at(page, scene, path)
                await page.get_by_role("button", name="Menu").focus()
                if path == "/plates/new":
                    await scan(page, "L-118")
                    await expect(page.locator("#lot")).to_have_value("L-118")
                    continue
                await scan(page, "a plate of nobody")
                await page.wait_for_url("**/history?search=a%20plate%20of%20nobody")
            assert scene.played.posted == []

    play(stage, tmp_path, work)


def test_beside_a_plate_screen_and_lot_are_compared(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.READY, d.OVEN)
        async with scene.tablet() as page:
            await at(page, scene, "/#P-1041")
            await expect(page.locator("#plate")).to_have_text("P-1041")
            heard = page.locator(".heard")
            await page.get_by_role("button", name="Begin exposure").focus()
            for code, text in (
                ("example-screen-fine", "example-screen-fine: right for plate P-1041."),
                ("L-102", "L-102: wrong. Plate P-1041 has L-118."),
                ("L-118", "L-118: right for plate P-1041."),
            ):
                await scan(page, code)
                await expect(heard).to_have_text(text)
            await scan(page, "P-1040")
            await expect(page.locator("#plate")).to_have_text("P-1040")
            assert scene.played.posted == []

    play(stage, tmp_path, work)


def test_a_question_is_answered_by_hand(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.READY)
        async with scene.tablet() as page:
            await at(page, scene, "/")
            await page.get_by_role("button", name="Begin exposure").click()
            await page.get_by_role("dialog").get_by_role("button", name="Begin exposure").focus()
            await scan(page, "L 118")
            await expect(page.get_by_role("dialog")).to_be_visible()
            assert scene.played.posted == []

    play(stage, tmp_path, work)


def test_a_new_plate_takes_codes_wherever_the_focus_is(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await at(page, scene, "/plates/new")
            await page.get_by_label("Note").focus()
            await scan(page, "plate-a-bold")
            await expect(page.locator("#recipe")).to_have_value("plate-a-bold@1")
            await expect(page.get_by_label("Note")).to_have_value("")
            await scan(page, "L-118")
            await expect(page.locator("#lot")).to_have_value("L-118")
            await page.get_by_role("button", name="Make this plate").focus()
            await scan(page, "P-2000")  # no lot and no recipe: what it is, a person says
            await page.get_by_role("dialog").get_by_role("button", name="Name of the plate").click()
            await expect(page.locator("#plate")).to_have_value("P-2000")
            assert scene.played.posted == []
            await page.get_by_role("button", name="Make this plate").click()
            (made,) = await scene.posts(1)
            assert made[1] == {"recipe": "plate-a-bold@1", "lot": "L-118", "plate": "P-2000"}

    play(stage, tmp_path, work)


def test_a_scanned_name_waits_for_its_pin(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role=None) as page:
            await page.goto(f"{scene.address}/sign-in")
            await scan(page, "B. Example")
            await expect(page.get_by_label("Name")).to_have_value("B. Example")
            await expect(page.get_by_label("PIN or password")).to_be_focused()
            await expect(page.get_by_label("PIN or password")).to_have_value("")

    play(stage, tmp_path, work)


def test_who_types_is_left_alone(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(role="lead") as page:
            await at(page, scene, "/plates/new")
            note = page.get_by_label("Note")
            await note.focus()
            await page.keyboard.type("L-118", delay=BY_HAND_MS)
            await expect(note).to_have_value("L-118")
            await expect(page.locator("#lot")).to_have_value("")
            await at(page, scene, "/alarms")
            await page.keyboard.type("abc", delay=BY_HAND_MS)
            await page.wait_for_timeout(BY_HAND_MS)
            await page.keyboard.press("Enter")
            await page.wait_for_timeout(300)
            assert page.url.endswith("/alarms")
            await page.get_by_role("button", name="Menu").focus()
            await page.keyboard.press("Enter")
            await expect(page.locator("#menu")).to_be_visible()

    play(stage, tmp_path, work)


def test_a_code_that_follows_another_at_once_goes_to_its_own_field(
    stage: Stage, tmp_path: Path
) -> None:
    """Both in one task, with the other field touched between them."""
    both = f"""([first, second]) => {{
      const types = {TYPES};
      types(first);
      document.getElementById('job').focus();
      types(second);
    }}"""

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await at(page, scene, "/plates/new")
            await page.get_by_label("Lot of the stock", exact=True).focus()
            await page.evaluate(both, ["L-777", "J-123"])
            await expect(page.get_by_label("Lot of the stock", exact=True)).to_have_value("L-777")
            await expect(page.get_by_label("Job", exact=True)).to_have_value("J-123")
            await expect(page.get_by_label("Name of the plate")).to_be_focused()

    play(stage, tmp_path, work)
