"""A whole plate made by touch, on the simulated unit behind the real daemon, service and page."""

from __future__ import annotations

import asyncio
import itertools
import re
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser.real import AUDITOR, LEAD, OPERATOR, SECRETS, Shop, shop
from browser.stage import PHONE, Stage, tablet
from platelink.simulated.demo_plate import LEAK, LOT

pytestmark = [pytest.mark.system, pytest.mark.alone, pytest.mark.timeout(300)]
SPEED = 4.0
SLOW_MS = 60_000
"""Longer than any step takes at this speed on a busy computer."""


async def at_step(page: Page, name: str) -> None:
    await expect(page.locator(".work h2")).to_have_text(name, timeout=SLOW_MS)


TOUCHES = itertools.cycle((1, 2))


async def tap(page: Page, name: str | re.Pattern[str]) -> None:
    """Not where the last act was: a double touch is one act."""
    act = page.locator("#acts").get_by_role("button", name=name)
    await act.tap(timeout=SLOW_MS, position={"x": 30 * next(TOUCHES), "y": 30})


async def confirmed(page: Page, name: str) -> None:
    """Touch what lights or heats, read the question, answer it."""
    await tap(page, name)
    dialog = page.get_by_role("dialog")
    await expect(dialog).to_be_visible()
    await dialog.get_by_role("button", name=name).tap()
    await expect(dialog).to_have_count(0)


KEYLESS = """() => {
  const note = (name, what) => sessionStorage.setItem(name, [sessionStorage.getItem(name), what]);
  addEventListener('keydown', (event) => note('keys', event.key), true);
  addEventListener('focusin', ({target}) => setTimeout(() => {
    if (target.matches('input:not([type=radio]), textarea') && target.inputMode !== 'none')
      note('wants', target.id);
  }));
}"""
"""Keeps every key pressed, and every field that would bring up a keyboard."""
PRESSED = "() => ['keys', 'wants'].map((name) => sessionStorage.getItem(name))"


async def on_the_pad(page: Page, text: str) -> None:
    for key in text:
        await page.locator(".pad").get_by_role("button", name=key, exact=True).tap()


async def sign_in_by_touch(page: Page, made: Shop) -> None:
    """Once a lead has had the names offered on this screen, nobody types one there any more."""
    await page.add_init_script(f"({KEYLESS})()")
    await page.goto(made.address)
    await page.get_by_label("Name").fill(LEAD)
    await page.get_by_label("PIN or password").fill(SECRETS[LEAD])
    await page.get_by_role("button", name="Sign in").tap()
    await expect(page.locator("#link-state")).to_contain_text("s old", timeout=15_000)
    await page.goto(f"{made.address}/people")
    await page.get_by_role("button", name=re.compile("^Offer these names")).tap()
    await page.get_by_role("button", name="Menu").tap()
    await page.get_by_role("button", name="Sign out", exact=True).tap()
    await page.wait_for_url("**/sign-in")
    await page.evaluate("() => sessionStorage.clear()")
    await page.get_by_role("button", name=OPERATOR).tap()
    await on_the_pad(page, SECRETS[OPERATOR])
    await page.get_by_role("button", name="Sign in").tap()
    await expect(page.locator("#link-state")).to_contain_text("s old", timeout=15_000)


async def make(page: Page, made: Shop) -> str:
    """From the form to the beginning of the first step; the plate's name."""
    await page.get_by_role("link", name="New plate").tap()
    await expect(page.locator("[aria-pressed=true]")).to_have_count(0)  # nothing is preselected
    await page.get_by_role("button", name=re.compile(f"^{made.recipe}")).tap()
    await page.get_by_role("button", name=re.compile(f"^{LOT}")).tap()
    await page.get_by_role("button", name="Make this plate").tap()
    await page.wait_for_url("**/#*")
    await at_step(page, "identify")
    await expect(page.locator("#where")).to_have_text("Step 1 of 8")
    name = str(await page.locator("#plate").text_content())
    await tap(page, re.compile("Done"))
    return name


async def held_by_the_leak(page: Page) -> None:
    """A pause that a busy computer made before it is gone over, as an operator would."""
    held, why = page.get_by_role("button", name="Restart: light on"), page.locator(".why")
    for _ in range(3):
        await expect(held).to_be_visible(timeout=SLOW_MS)
        if "vacuum" in str(await why.text_content()):
            return
        await confirmed(page, "Restart: light on")
        await expect(held).to_have_count(0)


async def expose_with_a_leak(page: Page, phone: Page, made: Shop) -> None:
    """The leak holds it; a second person sees it on a phone; reload; restart; the dose is given."""
    await at_step(page, "film")
    made.unit.order(do="mark")
    made.unit.order(fault="leak", **LEAK | {"at_light_s": 20.0})
    await confirmed(page, "Begin exposure")
    light = asyncio.ensure_future(
        expect(page.locator(".work[data-lit] .state")).to_have_text("light on", timeout=SLOW_MS)
    )
    await held_by_the_leak(page)
    await light
    state = page.locator(".work .state")
    for screen in (page, phone):
        await expect(screen.locator(".work .state")).to_have_text("held", timeout=SLOW_MS)
    await expect(page.locator(".why")).to_contain_text("kPa")
    await expect(page.locator("#calls")).to_contain_text("contact lost")
    await page.reload()
    await expect(state).to_have_text("held")
    await phone.locator("#calls-link").tap()
    await phone.get_by_role("button", name="Acknowledge: contact lost").tap()
    await expect(phone.get_by_role("button", name="Acknowledge: contact lost")).to_have_count(0)
    await confirmed(page, "Restart: light on")
    await exposed(page, "screen")
    assert made.unit.truth()["dose_mj_cm2"] == pytest.approx(190.0, rel=0.02)


async def exposed(page: Page, after: str) -> None:
    """Until the next step; as an operator does, restart when a busy computer made a pause of it."""
    there = page.locator(".work h2", has_text=after)
    held = page.get_by_role("button", name="Restart: light on")
    for _ in range(3):
        await expect(held).to_have_count(0)  # what was asked has been done
        await expect(there.or_(held)).to_be_visible(timeout=SLOW_MS)
        if await held.count() == 0:
            break
        await confirmed(page, "Restart: light on")
    await at_step(page, after)


async def wash_dry_and_harden(page: Page) -> None:
    await confirmed(page, "Begin exposure")
    await exposed(page, "washout")
    await tap(page, "Begin")
    await expect(page.locator(".next")).to_contain_text("Time is up", timeout=SLOW_MS)
    await tap(page, "Done: soak")
    await tap(page, "Done: rub")
    await at_step(page, "blow-off")
    await tap(page, re.compile("Done"))
    await at_step(page, "dry")
    await confirmed(page, "Begin baking")
    await at_step(page, "hardening")
    await confirmed(page, "Begin exposure")
    await exposed(page, "inspect")


async def inspect(page: Page) -> None:
    await page.get_by_label("large area, µm").tap()
    await on_the_pad(page, "32.6")
    await page.locator(".pad").get_by_role("button", name="Close").tap()
    await page.locator(".choice", has_text="Yes").tap()
    await page.get_by_role("button", name="Record the findings").tap()
    await expect(page.locator("#idle")).to_be_visible(timeout=SLOW_MS)
    await page.get_by_role("link", name="See its record").tap()


async def read_record(page: Page, name: str) -> None:
    await page.wait_for_url(f"**/records/{name}")
    assert await page.evaluate(PRESSED) == [None, None]
    await expect(page.locator(".outcome")).to_have_text("good")
    parts = page.locator("section.part h2")
    await expect(parts).to_have_text(["film", "screen", "dry", "hardening"])
    for figure in await page.locator("figure[data-run]").all():
        await figure.scroll_into_view_if_needed()
        await expect(figure.locator("canvas")).to_be_visible(timeout=SLOW_MS)
    await expect(page.get_by_role("row", name=re.compile("plate made"))).to_contain_text(OPERATOR)
    await page.get_by_role("link", name="History").tap()
    await expect(page.get_by_role("row", name=re.compile(name))).to_contain_text("good")


def test_a_whole_plate_by_touch(stage: Stage, tmp_path: Path) -> None:
    async def work() -> None:
        async with shop(stage, tmp_path, speed=SPEED) as made:
            touch = {"has_touch": True}
            async with (
                tablet(stage, made.address, made.faults, role=None, **touch) as page,
                made.signed_in(LEAD, viewport=PHONE, **touch) as phone,
            ):
                await sign_in_by_touch(page, made)
                name = await make(page, made)
                await expose_with_a_leak(page, phone, made)
                await wash_dry_and_harden(page)
                await inspect(page)
                await read_record(page, name)

    stage.run(work(), 280.0)


def test_rights_hold_in_the_service_whatever_the_page_shows(stage: Stage, tmp_path: Path) -> None:
    """The browser of an auditor asks for what its page does not offer."""
    ask = """async ([path, body, csrf]) => (await fetch(path, {method: "POST",
      headers: {"Content-Type": "application/json", "X-CSRF-Token": csrf},
      body: JSON.stringify(body)})).status"""

    async def work() -> None:
        async with shop(stage, tmp_path, speed=SPEED) as made:
            async with made.signed_in(AUDITOR) as page:
                await expect(page.get_by_role("link", name="New plate")).to_have_count(0)
                csrf = await page.locator("body").get_attribute("data-csrf")
                body = {"recipe": made.recipe, "accept": ["no lot"]}
                assert await page.evaluate(ask, ["/api/v1/plates", body, csrf]) == 403
                assert await page.evaluate(ask, ["/api/v1/plates", body, ""]) == 403
                first = {"name": "Eve Invented", "secret": "a long enough secret"}
                assert await page.evaluate(ask, ["/api/v1/people/first", first, csrf]) == 403
                await page.goto(f"{made.address}/people")
                await expect(page.get_by_text(OPERATOR)).to_have_count(0)
            async with made.signed_in(OPERATOR) as page:
                csrf = await page.locator("body").get_attribute("data-csrf")
                assert await page.evaluate(ask, ["/api/v1/plates", body, ""]) == 403
                assert await page.evaluate(ask, ["/api/v1/plates", body, csrf]) == 200
                await expect(page.locator(".work h2")).to_have_text("identify")
            made.faults.clear()  # the browser tells the 403s

    stage.run(work())


def test_the_daemon_killed_in_mid_exposure_is_told_and_found_again(
    stage: Stage, tmp_path: Path
) -> None:
    """What the page shows after it is what the daemon found out, not what it showed before."""

    async def work() -> None:
        async with (
            shop(stage, tmp_path, speed=4.0) as made,
            made.signed_in(OPERATOR, has_touch=True) as page,
        ):
            name = await make(page, made)
            await at_step(page, "film")
            await confirmed(page, "Begin exposure")
            await expect(page.locator(".work .state")).to_have_text("light on", timeout=SLOW_MS)
            made.daemon.kill()
            await expect(page.locator("#silent")).to_be_visible()
            await expect(page.get_by_text("light on").first).to_be_hidden()
            async with made.another_daemon():
                await expect(page.locator("#silent")).to_be_hidden(timeout=SLOW_MS)
                await expect(page.locator("#plate")).to_have_text(name)
            made.faults.clear()  # the browser tells the closed socket

    stage.run(work())
