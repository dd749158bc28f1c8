"""What stands on the page at this moment, looked at once: a second look would forgive the first."""

from __future__ import annotations

import asyncio
import itertools
from copy import deepcopy
from pathlib import Path
from typing import Any

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import Stage

pytestmark = pytest.mark.system
NUMBERS = itertools.count(1)
EVER_LIVE = """(ms) => new Promise((resolve) => {
  const until = performance.now() + ms;
  let seen = false;
  const look = () => {
    const light = document.querySelector("#light");
    seen ||= !document.querySelector("#live").hidden || light?.hasAttribute("data-on");
    if (performance.now() < until) requestAnimationFrame(look); else resolve(seen);
  };
  look();
})"""
"""Looks at every frame of so many milliseconds."""
LIVE_AND_TEXT = """(place) => {
  const found = document.querySelector(place);
  return [!document.querySelector("#live").hidden, found?.checkVisibility() ? found.innerText : ""];
}"""


async def shows(page: Page, scene: Scene, status: d.Json) -> None:
    """This very status is painted: its unit has a name that none had before."""
    unit = f"unit-{next(NUMBERS)}"
    scene.played.status = {**status, "unit": unit}
    await expect(page.locator("#unit-name")).to_have_text(unit)


async def text_of(page: Page, place: str) -> str:
    """At one moment at which the page is live; empty where it is hidden.

    A busy machine can make any status older than the page believes: then nothing is shown as live.
    """
    async with asyncio.timeout(10):
        while True:
            live, text = await page.evaluate(LIVE_AND_TEXT, place)
            if live:
                return str(text)


def alone(state: str, **more: Any) -> d.Json:
    """An exposure that belongs to no plate."""
    return d.exposure(state=state, step="light" if state == "running" else "none",
                      dose_mj_cm2=201.2, waiting_for=[], reason="", asks_what_fell=False,
                      **more)  # fmt: skip


def light(state: str) -> d.Json:
    on = state == "on"
    return {"state": state, "measured": on, "output": on, "order": 1 if on else None,
            "left_on": False}  # fmt: skip


def test_light_of_an_exposure_without_a_plate(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        running, held = alone("running"), alone("held")
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, d.status(exposure=running, light=light("on")))
            assert await text_of(page, "#light") == "UV light is on"
            assert await text_of(page, ".work .state") == "light on"
            unheard = running | {"dose_mj_cm2": None, "remaining_s": None}
            await shows(page, scene, d.status(exposure=unheard, light=light("unknown")))
            assert "UV light may be on" in await text_of(page, "#light")
            await shows(page, scene, d.status(exposure=held, light=light("unknown")))
            assert await text_of(page, "#light") == "UV light: not known"
            await shows(page, scene, d.status(exposure=running, light=light("on")))
            await page.get_by_role("button", name="Hold: light off").click()
            assert await scene.posts(1) == [("exposure/hold", {"reason": ""})]

    play(stage, tmp_path, work)


def test_light_without_a_plate_is_asked_for(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, d.status(exposure=alone("held")))
            restart = page.get_by_role("button", name="Restart: light on")
            await restart.click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("Make sure that nobody looks in")
            assert scene.played.posted == []
            await dialog.get_by_role("button", name="Not now").click()
            await expect(dialog).to_have_count(0)
            assert scene.played.posted == []
            await restart.click()
            await dialog.get_by_role("button", name="Restart: light on").click()
            assert await scene.posts(1) == [("exposure/restart", {"reason": ""})]
            unseen = alone("held") | {"asks_what_fell": True}
            await shows(page, scene, d.status(exposure=unseen))
            await restart.click()
            await expect(dialog).to_contain_text("What did the lamps do")
            await dialog.get_by_role("button", name="Not known. Restart").click()
            assert (await scene.posts(2))[1] == ("exposure/restart", {"reason": "not known"})

    play(stage, tmp_path, work)


def test_a_status_that_may_be_old_is_never_shown_as_live(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.LIGHT)
        scene.played.frozen_at = "2026-03-02T10:00:00.000+00:00"
        async with scene.tablet() as page:
            await page.goto(scene.address)
            assert await page.evaluate(EVER_LIVE, 1200) is False
            assert await page.locator("#link-state").inner_text() == "Connecting …"
            scene.played.frozen_at = None
            await expect(page.locator("#link-state")).to_contain_text("s old")
            scene.played.frozen_at = "2026-03-02T10:00:00.000+00:00"
            await page.reload()
            assert await page.evaluate(EVER_LIVE, 1200) is False

    play(stage, tmp_path, work)


def test_a_line_that_hangs_for_good_is_replaced(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, d.status(d.LIGHT))
            scene.played.hang()
            await expect(page.locator("#silent")).to_be_visible()
            await expect(page.locator(".work .state")).to_have_text("light on")
            await expect(page.locator("#silent")).to_be_hidden()

    play(stage, tmp_path, work)


def test_a_restart_says_what_is_still_to_go(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, d.status(d.HELD))
            await page.get_by_role("button", name="Restart: light on").click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("goes off at 340.0 mJ/cm²")
            assert "138.8 mJ/cm² to go." in await dialog.inner_text()

    play(stage, tmp_path, work)


def test_lid_stop_and_faults_are_told_each_by_itself(stage: Stage, tmp_path: Path) -> None:
    lid, stop = "Cannot start: the lid is open.", "Cannot start: the stop button is pressed."
    full = "no space left for the journal; free disk space"
    silent = {"state": "down", "text": "nothing for 1.2 s", "frames": 1, "frames_lost": 0}

    def reading(**more: Any) -> d.Json:
        base = d.status(d.WASH)
        return base | {"reading": base["reading"] | more}

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            for status, told in [
                (reading(inputs=3), ""),
                (reading(inputs=2), lid),
                (reading(inputs=1), stop),
                (reading(inputs=0), f"{lid} {stop}"),
                (d.status(d.WASH, journal={"pending": 3, "fault": full}), full),
                (d.status(d.WASH, problem="the clock was set"), "the clock was set"),
                (d.status(d.WASH, link=silent), "The device does not answer: nothing for 1.2 s"),
                (d.status(d.WASH), ""),
            ]:
                await shows(page, scene, status)
                assert await text_of(page, "#unit-faults") == told

    play(stage, tmp_path, work)


@pytest.mark.parametrize(
    ("kind", "flag", "values"),
    [
        ("vacuum", "vacuum_missing", {"vacuum_kpa": None}),
        ("vacuum", "vacuum_range", {"vacuum_kpa": 101.0}),
        ("vacuum", "vacuum_stale", {"vacuum_kpa": None}),
        ("irradiance", "light_missing", {"irradiance_mw_cm2": None}),
        ("irradiance", "light_saturated", {}),
        ("temperature", "oven_missing", {"oven_c": None}),
        ("temperature", "oven_stale", {"oven_c": None}),
    ],
)
def test_a_fault_of_a_sensor_stands_at_that_sensor(
    stage: Stage, tmp_path: Path, kind: str, flag: str, values: d.Json
) -> None:
    status = d.status(d.LIGHT, d.OVEN)
    status["reading"] |= {"quality": [flag], **values}

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, status)
            for name in ("vacuum", "irradiance", "temperature"):
                note = await text_of(page, f"[data-reading={name}] .note")
                assert (note == "Sensor fault: check its wiring.") == (name == kind), name

    play(stage, tmp_path, work)


def test_an_instrument_on_the_bus_is_named_and_says_itself_what_is_wrong(
    stage: Stage, tmp_path: Path
) -> None:
    gone = (
        "gauge-1 does not answer at address 5; check its power, the two wires (exchanged?), its "
        "address, baud rate and parity, or raise timeout_s if it is slower"
    )

    def at(problem: str) -> d.Json:
        status = d.status(deepcopy(d.LIGHT), deepcopy(d.OVEN))
        status["instruments"] = [
            {"name": "gauge-1", "measures": "vacuum", "age_s": 0.1, "every_s": 0.2,
             "lost": bool(problem), "problem": problem},
        ]  # fmt: skip
        if problem:
            status["reading"] |= {"vacuum_kpa": None, "quality": ["vacuum_stale"]}
        return status

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, at(""))
            note = await text_of(page, "[data-reading=vacuum] .note")
            assert note.startswith("Band ") and note.endswith(" From gauge-1.")
            assert "From" not in await text_of(page, "[data-reading=temperature] .note")
            await shows(page, scene, at(gone))
            assert await text_of(page, "[data-reading=vacuum] .note") == gone
            await page.screenshot(path=tmp_path / "gone.png")

    play(stage, tmp_path, work)


def test_below_is_below_and_above_is_above(stage: Stage, tmp_path: Path) -> None:
    def at(kpa: float, oven_c: float) -> d.Json:
        status = d.status(deepcopy(d.LIGHT), deepcopy(d.OVEN))
        status["reading"] |= {"vacuum_kpa": kpa, "oven_c": oven_c}
        return status

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            for kpa, oven_c, vacuum, oven in [
                (50.0, 62.0, "Below its band of", "Above its band of"),
                (92.0, 54.0, "Above its band of", "Below its band of"),
                (56.0, 61.0, "Band", "Band"),
            ]:
                await shows(page, scene, at(kpa, oven_c))
                told = await text_of(page, "[data-reading=vacuum] .note")
                assert told == f"{vacuum} 56.0–89.0 kPa"
                told = await text_of(page, "[data-reading=temperature] .note")
                assert told == f"{oven} 55.0–61.0 °C"

    play(stage, tmp_path, work)


def test_the_most_urgent_alarm_stands_first(stage: Stage, tmp_path: Path) -> None:
    calls = "unacknowledged"
    listed = [
        d.alarm("broker down", calls, "low", since_utc="2026-03-02T10:01:00+00:00"),
        d.alarm("stage overdue", calls, "medium", since_utc="2026-03-02T10:02:00+00:00"),
        d.alarm("gauge silent", calls, "high", since_utc="2026-03-02T10:04:00+00:00"),
        d.alarm("contact lost", calls, "high", first_out=True),
        d.alarm("oven over-temperature", "acknowledged", "high"),
    ]
    alarms = {"unacknowledged": 4, "per_hour": 4, "flood": False, "list": listed}

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/alarms")
            await shows(page, scene, d.status(alarms=alarms))
            assert await page.get_by_role("heading", level=3).all_text_contents() == [
                "contact lost", "gauge silent", "stage overdue", "broker down",
                "oven over-temperature",
            ]  # fmt: skip
            assert (await text_of(page, "#calls-link")).startswith("contact lost · ")
            mark = page.locator("#calls-mark")
            assert await mark.get_attribute("data-priority") == "high"
            alarms["list"] = listed[:2]
            alarms["unacknowledged"] = 2
            await shows(page, scene, d.status(alarms=alarms))
            assert (await text_of(page, "#calls-link")).startswith("stage overdue · ")
            assert await mark.get_attribute("data-priority") == "medium"

    play(stage, tmp_path, work)


def test_nothing_can_be_touched_twice(stage: Stage, tmp_path: Path) -> None:
    """Also where the second touch comes after the answer, as on a slow screen."""

    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await shows(page, scene, d.status(d.WASH))
            done = page.get_by_role("button", name="Done: soak")
            await done.click(click_count=2, delay=60)
            await asyncio.sleep(0.2)
            assert await scene.posts(1) == [("plates/P-1041/done", {"step": 3})]

    play(stage, tmp_path, work)


def test_what_the_unit_says_is_said_in_the_language(stage: Stage, tmp_path: Path) -> None:
    """Why it is held, and why it refuses; where the page cannot say it, the unit's own words."""

    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.HELD)
        async with scene.tablet(locale="de-DE") as page:
            await page.goto(scene.address)
            why = page.locator(".why")
            await expect(why).to_have_text(
                "Vakuum 51,5 kPa, seit 0,30 s unter der Grenze 56,0 kPa: Drucktuchrand und "
                "Schlauch prüfen, dann fortsetzen"
            )
            scene.played.refuse = "restart refused: target dose reached"
            await page.get_by_role("button", name="Fortsetzen: Licht an").click()
            await page.get_by_role("dialog").get_by_role("button", name="Licht an").click()
            says = page.locator("#acts").get_by_role("alert")
            await expect(says).to_have_text("Fortsetzen abgelehnt: Solldosis erreicht")
            scene.faults.clear()  # the browser tells the 409
            odd = d.HELD | {"now": d.HELD["now"] | {"reason": "a reason that nothing fits"}}
            scene.played.status = d.status(odd)
            await expect(why).to_have_text("a reason that nothing fits")

    play(stage, tmp_path, work)
