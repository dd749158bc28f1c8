"""Acts: which controls there are, what is asked before light and heat, what is sent."""

from __future__ import annotations

import re
from copy import deepcopy
from pathlib import Path

import pytest
from playwright.async_api import Page, expect

from browser import documents as d
from browser.scenes import Scene, play
from browser.stage import PHONE, SMALL_TABLET, Stage

pytestmark = pytest.mark.system


def test_light_is_asked_for_once_and_said_what_will_happen(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.READY)
        async with scene.tablet(has_touch=True) as page:
            await page.goto(scene.address)
            begin = page.get_by_role("button", name="Begin exposure")
            await begin.tap()
            dialog = page.get_by_role("dialog", name="Begin exposure")
            await expect(dialog).to_contain_text("goes off at 340.0 mJ/cm², after about 37 s")
            await expect(dialog).to_contain_text("56.0–89.0 kPa")
            await expect(dialog).to_contain_text("UV injures eyes and skin")
            await dialog.get_by_role("button", name="Not now").tap()
            assert scene.played.posted == []
            await begin.tap()
            await dialog.get_by_role("button", name="Begin exposure").tap()
            await expect(dialog).to_have_count(0)
            await expect(begin).not_to_have_attribute("aria-disabled", "true")
            await scene.posts(1)
            path, body, headers = scene.played.posted[0]
            assert (path, body) == ("plates/P-1041/begin", {"step": 1})
            assert headers["x-csrf-token"] == "csrf-operator"

    play(stage, tmp_path, work)


def test_hold_is_one_touch_and_a_double_touch_is_one_act(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.LIGHT)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="Hold: light off").dblclick()
            await page.wait_for_timeout(300)
            assert await scene.posts(1) == [("plates/P-1041/hold", {"step": 1})]

    play(stage, tmp_path, work)


def test_the_washout_asks_for_the_water_and_says_who_measured(stage: Stage, tmp_path: Path) -> None:
    def bath(**water: object) -> d.Json:
        now = d.BATH["now"] | {"water": d.BATH["now"]["water"] | water}
        return d.BATH | {"now": now}

    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.BATH)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            card = page.locator(".work")
            await expect(card).to_contain_text("Measure the water and enter its temperature")
            await expect(page.get_by_role("button", name="Begin")).to_have_count(0)
            field = card.get_by_label("Measured in the water, °C")
            record = page.get_by_role("button", name="Record the temperature")
            await field.fill("warm")
            await record.click()
            await expect(card.get_by_role("alert")).to_have_text(
                "Enter the temperature of the water, a number."
            )
            assert scene.played.posted == []
            await field.fill("28,5")
            await record.click()
            (posted,) = await scene.posts(1)
            assert posted == ("plates/P-1041/measure", {"step": d.BATH["step"],
                                                        "values": {"water_c": 28.5}})  # fmt: skip
            scene.played.status = d.status(bath(water_c=28.5, by="C. Example"))
            await expect(card).to_contain_text("Out of its band of 21.0–27.0 °C: correct it.")
            await expect(card).to_contain_text("Correct the water and measure it again")
            good = bath(water_c=24.0, by="C. Example")
            good["now"] |= {"waiting_for": [], "acts": ["begin", "measure", "skip"]}
            scene.played.status = d.status(good)
            await expect(card).to_contain_text("Band 21.0–27.0 °C. Typed by C. Example.")
            await expect(page.get_by_role("button", name="Begin")).to_have_count(1)
            probed = bath(water_c=24.0)
            probed["now"] |= {"waiting_for": [], "acts": ["begin", "skip"]}
            scene.played.status = d.status(probed)
            await expect(card.locator("form")).to_be_hidden()

    play(stage, tmp_path, work)


def test_an_overdue_calibration_is_a_leads_to_accept(stage: Stage, tmp_path: Path) -> None:
    late = d.alarm("calibration overdue", "acknowledged", "low", text="light 0 was due 2026-02-01")

    async def work(scene: Scene) -> None:
        alarms = {"unacknowledged": 0, "per_hour": 0, "flood": False, "list": [late]}
        scene.played.status = d.status(d.READY, alarms=alarms)
        async with scene.tablet(role="lead") as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="Begin exposure").click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("light 0 was due 2026-02-01")
            await dialog.get_by_role("button", name="Begin exposure").click()
            await expect(dialog).to_have_count(0)
            await scene.posts(1)  # a page that is closed sends no more
        async with scene.tablet(role="operator") as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="Begin exposure").click()
            await page.get_by_role("dialog").get_by_role("button", name="Begin exposure").click()
            await expect(page.get_by_role("dialog")).to_have_count(0)
            bodies = [body for _, body in await scene.posts(2)]
        assert bodies == [{"step": 1, "accept_overdue": True}, {"step": 1}]

    play(stage, tmp_path, work)


@pytest.mark.parametrize(
    ("role", "controls"),
    [
        ("operator", ["Hold: light off", "End …"]),
        ("lead", ["Hold: light off", "End …"]),
        ("auditor", []),
    ],
)
def test_a_role_sees_what_it_may_do(
    stage: Stage, tmp_path: Path, role: str, controls: list[str]
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.LIGHT)
        async with scene.tablet(role=role) as page:
            await page.goto(scene.address)
            await expect(page.locator(".work .state")).to_have_text("light on")
            assert await page.locator("#acts button").all_text_contents() == controls
            if controls:
                await page.get_by_role("button", name="End …").click()
                skips = page.get_by_role("button", name="Skip this step")
                await expect(skips).to_have_count(1 if role == "lead" else 0)
            new = page.get_by_role("link", name="New plate")
            await page.goto(f"{scene.address}/plates")
            await expect(new).to_have_count(0 if role == "auditor" else 1)

    play(stage, tmp_path, work)


def test_a_skip_needs_its_reason(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.HELD)
        async with scene.tablet(role="lead") as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="End …").click()
            dialog = page.get_by_role("dialog")
            await dialog.get_by_role("button", name="Skip this step").click()
            await expect(dialog.get_by_role("alert")).to_contain_text("Say why")
            assert scene.played.posted == []
            await dialog.get_by_label("Reason").fill("trial without film")
            await dialog.get_by_role("button", name="Skip this step").click()
            await expect(dialog).to_have_count(0)
            body = {"step": 1, "reason": "trial without film"}
            assert await scene.posts(1) == [("plates/P-1041/skip", body)]

    play(stage, tmp_path, work)


def test_findings_are_typed_with_either_decimal_mark_and_a_reject_is_asked(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.INSPECT)
        async with scene.tablet(locale="de-DE", viewport=PHONE) as page:
            await page.goto(scene.address)
            await page.get_by_label("large area, µm").fill("30,5")
            await page.get_by_role("button", name="Prüfergebnis speichern").click()
            await expect(page.get_by_role("alert")).to_contain_text("fine line")
            await expect(page.get_by_label("fine line, µm")).to_be_focused()
            await page.get_by_label("fine line, µm").fill("20.5")
            await expect(page.get_by_text("außerhalb der Grenzen")).to_be_visible()
            await page.get_by_label("Ja").check()
            await page.get_by_role("button", name="Prüfergebnis speichern").click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("fine line")
            await dialog.get_by_role("button", name="Als Ausschuss protokollieren").click()
            await expect(dialog).to_have_count(0)
            [(path, body)] = await scene.posts(1)
            assert path == "plates/P-1041/measure"
            assert body == {
                "step": 7,
                "values": {
                    "points": {"large area": 30.5, "fine line": 20.5},
                    "checks": {"dots": True},
                    "note": "",
                },
            }

    play(stage, tmp_path, work)


def test_typed_findings_outlive_a_refusal_and_the_ticking_status(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.INSPECT)
        scene.played.refuse = "the disk is full; free space, then try again"
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await page.get_by_label("large area, µm").fill("31")
            await page.get_by_label("fine line, µm").fill("24")
            await page.get_by_label("Yes").check()
            await page.get_by_role("button", name="Record the findings").click()
            await expect(page.get_by_role("alert")).to_contain_text("the disk is full")
            await page.wait_for_timeout(500)
            await expect(page.get_by_label("large area, µm")).to_have_value("31")
            scene.faults.clear()  # the browser tells the 409

    play(stage, tmp_path, work)


def test_alarms_are_acknowledged_shelved_and_reset(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.HELD, alarms=d.ALARMS)
        async with scene.tablet(role="lead") as page:
            await page.goto(scene.address)
            await expect(page.locator("#calls")).to_contain_text(
                "contact lost · 51.5 kPa, limit 56.0 kPa"
            )
            await page.locator("#calls-link").click()
            await page.get_by_role("button", name="Acknowledge: contact lost").click()
            await page.get_by_role("button", name="Shelve …: stage overdue").click()
            dialog = page.get_by_role("dialog")
            await dialog.get_by_role("button", name="Shelve it").click()
            await expect(dialog.get_by_role("alert")).to_contain_text("Say why")
            await dialog.get_by_label("For").select_option("30")
            await dialog.get_by_label("Reason").fill("timer is broken")
            await dialog.get_by_role("button", name="Shelve it").click()
            await expect(dialog).to_have_count(0)
            await page.get_by_role("button", name="Unshelve: broker down").click()
            assert await scene.posts(3) == [
                ("alarms/contact lost/acknowledge", {}),
                ("alarms/stage overdue/shelve", {"why": "timer is broken", "minutes": 30}),
                ("alarms/broker down/unshelve", {}),
            ]
            await expect(page.get_by_role("heading", level=3)).to_have_text(
                ["contact lost", "oven over-temperature", "stage overdue", "calibration overdue",
                 "broker down"]
            )  # fmt: skip

    play(stage, tmp_path, work)


def test_a_link_from_a_message_opens_the_page_at_its_alarm_and_acknowledges_nothing(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.HELD, alarms=d.ALARMS)
        async with scene.tablet(role="lead") as page:
            await page.goto(f"{scene.address}/alarms?alarm=oven%20over-temperature")
            heading = page.get_by_role("heading", level=3, name="oven over-temperature")
            await expect(heading).to_be_focused()
            await expect(heading).to_be_in_viewport()
            await expect(page.locator("#gone")).to_be_hidden()
            await page.goto(f"{scene.address}/alarms?alarm=link%20lost")
            gone = "“link lost” is quiet now."
            await expect(page.locator("#gone")).to_have_text(gone)
            await page.goto(f"{scene.address}/alarms?alarm=%3Cb%3E")
            await expect(page.locator("#gone")).to_have_text("“<b>” is quiet now.")
            assert await scene.posts(0) == []

    play(stage, tmp_path, work)


def test_an_alarm_that_is_over_or_shelved_is_shown_as_such(stage: Stage, tmp_path: Path) -> None:
    over = d.alarm("oven over-temperature", "latched, unacknowledged", "high", active=False)
    back = d.alarm("contact lost", "returned, unacknowledged", "high", active=False)
    shelved = d.alarm("broker down", "shelved", "low", until_utc="2026-03-02T12:00:00+00:00")
    there = d.alarm("gauge silent", "unacknowledged", "high")

    async def work(scene: Scene) -> None:
        strip = {"per_hour": 0, "flood": False}
        scene.played.status = d.status(
            d.HELD, alarms={**strip, "unacknowledged": 1, "list": [back, shelved]}
        )
        async with scene.tablet(role="lead") as page:
            calls = page.locator("#calls")
            await page.goto(scene.address)
            await expect(calls).to_have_text("contact lost · over, not acknowledged")
            scene.played.status = d.status(
                d.HELD, alarms={**strip, "unacknowledged": 2, "list": [over, there]}
            )
            await expect(calls).to_have_text("gauge silent · and one more")
            scene.played.status = d.status(
                d.HELD, alarms={**strip, "unacknowledged": 0, "list": [shelved]}
            )
            await page.goto(f"{scene.address}/alarms")
            await expect(page.locator("#none")).to_have_text("No unacknowledged alarm.")
            await expect(page.locator("#away")).to_contain_text("shelved until")

    play(stage, tmp_path, work)


def test_the_end_of_a_plate_is_told_with_its_judgement(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.INSPECT)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await expect(page.locator(".work .state")).to_be_visible()
            line = {"ended": "P-1041", "state": "complete", "reason": "reject: dots: no"}
            scene.played.say({**line, "data": {"judgement": "reject"}})
            await expect(page.locator("#ended")).to_contain_text(
                "Plate P-1041 has ended: complete, judged reject."
            )
            mark = page.get_by_text("Not yet recorded: a crash would lose it.")
            assert await mark.count() == 0

    play(stage, tmp_path, work)


def test_an_end_that_waits_to_be_written_says_so_until_it_is(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        waiting = {"pending": 3, "fault": "the disk is full; make room"}
        scene.played.status = d.status(d.INSPECT, journal=waiting)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await expect(page.locator(".work .state")).to_be_visible()
            line = {"ended": "P-1041", "state": "complete", "reason": "good"}
            scene.played.say({**line, "unrecorded": True})
            mark = page.get_by_text("Not yet recorded: a crash would lose it.")
            await expect(mark).to_be_visible()
            await page.wait_for_timeout(500)  # some statuses later it still waits
            assert await mark.is_visible()
            scene.played.status = d.status(d.INSPECT, journal={"pending": 0, "fault": ""})
            await expect(mark).to_have_count(0)
            await expect(page.locator("#ended")).to_contain_text("has ended: complete")

    play(stage, tmp_path, work)


def test_a_scanner_opens_the_one_hit_and_sends_no_form(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/history")
            await expect(page.get_by_label("Plate, run, job or lot")).to_be_focused()
            await page.keyboard.type("p-1039")
            await page.keyboard.press("Enter")
            await page.wait_for_url("**/records/P-1039")
            await page.goto(f"{scene.address}/history")
            await expect(page.get_by_label("Plate, run, job or lot")).to_be_focused()
            await page.keyboard.type("Example Caps")
            await page.keyboard.press("Enter")
            await expect(page.get_by_text("2 fit “Example Caps”.")).to_be_visible()
            await page.goto(f"{scene.address}/plates/new")
            await expect(page.locator("#unit-name")).to_have_text("unit-1")
            await page.get_by_label("Lot of the stock", exact=True).focus()
            await page.keyboard.type("L-118")
            await page.keyboard.press("Enter")
            await page.get_by_label("Job", exact=True).focus()
            await page.keyboard.type("J-1")
            await page.keyboard.press("Enter")
            await expect(page.get_by_label("Name of the plate")).to_be_focused()
            await page.get_by_role("button", name="Make this plate").click()
            assert scene.played.posted == []  # no recipe is chosen for anybody
            await page.get_by_role("button", name="plate-a-fine@2").click()
            await page.get_by_role("button", name="Make this plate").click()
            await page.wait_for_url("**/#P-1042")
            assert scene.played.posted[0][:2] == (
                "plates",
                {"recipe": "plate-a-fine@2", "lot": "L-118", "job": "J-1"},
            )

    play(stage, tmp_path, work)


def test_units_are_those_the_shop_chose(stage: Stage, tmp_path: Path) -> None:
    more = '[display]\ndose = "J/cm2"\nvacuum = "inHg"\ntemperature = "degF"\n'

    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.LIGHT, d.OVEN)
        async with scene.tablet(locale="de-DE") as page:
            await page.goto(scene.address)
            dose = page.locator(".figs")
            await expect(dose).to_contain_text("0,201")
            await expect(dose).to_contain_text("von 0,340 J/cm²")
            readings = page.locator("[data-reading='vacuum']")
            await expect(readings).to_contain_text("23,2")
            await expect(readings).to_contain_text("16,5–26,3 inHg")
            await expect(page.locator("[data-reading='temperature']")).to_contain_text("136,9")
            await page.goto(f"{scene.address}/recipes/plate-a-fine@2")
            await expect(page.locator("dl.facts").nth(1)).to_contain_text("0,340 J/cm²")

    play(stage, tmp_path, work, more=more)


def test_keyboard_alone_makes_an_act(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.READY)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            begin = page.get_by_role("button", name="Begin exposure")
            await expect(begin).to_be_visible()
            for _ in range(40):
                await page.keyboard.press("Tab")
                if await begin.evaluate("(e) => e === document.activeElement"):
                    break
            await expect(begin).to_be_focused()
            await page.wait_for_timeout(400)  # the status goes on; the focus stays
            await expect(begin).to_be_focused()
            await page.keyboard.press("Enter")
            await expect(page.get_by_role("dialog")).to_be_visible()
            await page.keyboard.press("Escape")
            await expect(begin).to_be_focused()

    play(stage, tmp_path, work)


def test_a_calibration_is_read_level_by_level(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/calibrations/light%200@3")
            await expect(page.locator("#counts-mean")).to_have_text("826.67")
            await expect(page.locator("#counts-state")).to_have_text(
                "Settled: a reading can be taken."
            )
            await expect(page.get_by_text("UV light injures eyes")).to_be_visible()
            level = page.get_by_label("The reference shows, mW/cm²")
            await level.fill("much")
            await page.get_by_role("button", name="Take the level").click()
            await expect(page.get_by_role("alert")).to_contain_text("enter a number")
            await level.fill("11.8")
            async with page.expect_request("**/level") as sent:
                await page.get_by_role("button", name="Take the level").click()
            request = await sent.value
            assert request.post_data_json == {"reference": "11.8 mW/cm2"}

    play(stage, tmp_path, work)


def test_a_calibration_is_begun_with_its_reference(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/calibrations")
            chart = page.get_by_role("img", name="Change of light 0 since its first calibration")
            await expect(chart).to_be_visible()
            await expect(page.get_by_role("link", name="Continue light 0@3")).to_be_visible()
            await page.get_by_text("Calibrate it …").click()
            await page.get_by_label("Reference instrument").fill("gauge (invented)")
            await page.get_by_label("Number of its certificate").fill("EX-9")
            await page.get_by_label("Its own calibration is good until").fill("2026-09-01")
            await page.get_by_label("Its U (k = 2), kPa").fill("0.3")
            async with page.expect_request("**/api/v1/calibrations") as sent:
                await page.get_by_role("button", name="Begin", exact=True).click()
            request = await sent.value
            assert request.post_data_json == {
                "sensor": "vacuum", "cause": "routine",
                "reference": {"name": "gauge (invented)", "certificate": "EX-9",
                              "due_on": "2026-09-01", "u_abs": 0.3},
            }  # fmt: skip

    play(stage, tmp_path, work)


def test_an_experiment_is_read_reading_by_reading(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(viewport=SMALL_TABLET, has_touch=True) as page:
            await page.goto(f"{scene.address}/experiments/wedge-2")
            await expect(page.get_by_text("UV light injures eyes")).to_be_visible()
            dose = page.get_by_label("Dose, mJ/cm²", exact=True).first
            await expect(dose).to_be_focused()
            pad = page.get_by_role("group", name="Number pad")
            for key in "455":
                await pad.get_by_role("button", name=key, exact=True).click()
            await expect(dose).to_have_value("455")
            held = page.get_by_label("Last step held whole (0: none)").first
            await held.fill("70")
            await page.get_by_label("First step washed away whole").first.fill("6")
            keep = page.get_by_role("button", name="Keep the reading")
            await keep.click()
            await expect(page.get_by_role("alert").first).to_contain_text("at most 60")
            await held.fill("5")
            async with page.expect_request("**/experiments/wedge-2/read") as sent:
                await keep.click()
            request = await sent.value
            assert request.post_data_json == {
                "reading": {"dose_mj_cm2": 455, "held": 5, "washed": 6}
            }

    play(stage, tmp_path, work)


def test_points_of_a_patch_are_sent_together_and_a_run_by_a_touch(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/experiments/depth-1")
            await expect(page.get_by_text("Cannot tell yet.")).to_be_visible()
            enter = page.get_by_role("region", name="Reading 4")
            await enter.get_by_label("Plate", exact=True).fill("2")
            await enter.get_by_label("Lot of the plate").fill("K-52")
            for number, depth in (("1", "28.5"), ("2", "29"), ("3", "28")):
                await enter.get_by_label(f"Depth at a point {number}, µm").fill(depth)
            await enter.get_by_role("button", name="340.0 mJ/cm²").first.click()
            async with page.expect_request("**/experiments/depth-1/read") as sent:
                await enter.get_by_role("button", name="Keep the reading").click()
            reading = (await sent.value).post_data_json["reading"]
            assert reading == {
                "plate": "2", "lot": "K-52", "points_um": [28.5, 29, 28],
                "run": "20260302-100200-aaaa",
            }  # fmt: skip

    play(stage, tmp_path, work)


def test_a_correction_begins_with_what_was_typed_and_needs_its_reason(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet(locale="de-DE") as page:
            await page.goto(f"{scene.address}/experiments/wedge-1")
            await expect(page.get_by_text("98 mJ/cm² halten das Klischee.")).to_be_visible()
            await expect(page.get_by_text("zwischen 86 und 112 mJ/cm²")).to_be_visible()
            row = page.get_by_role("row").filter(has_text="487,5")
            await row.get_by_text("Berichtigen …").click()
            dose = row.get_by_label("Dosis, mJ/cm²")
            await expect(dose).to_have_value("487,5")
            await row.get_by_label("Letzte ganz gehaltene Stufe (0: keine)").fill("4")
            correct = row.get_by_role("button", name="Berichtigen", exact=True)
            await correct.click()
            await expect(row.get_by_role("alert")).to_contain_text("Grund")
            await row.get_by_label("Grund").first.fill("falsch abgelesen")
            async with page.expect_request("**/experiments/wedge-1/correct") as sent:
                await correct.click()
            assert (await sent.value).post_data_json == {
                "number": 3, "reading": {"dose_mj_cm2": 487.5, "held": 4, "washed": 6},
                "why": "falsch abgelesen",
            }  # fmt: skip

    play(stage, tmp_path, work)


def test_an_experiment_is_begun_with_what_its_kind_asks(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/experiments")
            kind = page.get_by_role("region", name="2. Depth strip", exact=True)
            await kind.get_by_text("Begin one …").click()
            await kind.get_by_label("Depth that is wanted, µm").fill("27.5")
            async with page.expect_request("**/api/v1/experiments") as sent:
                await kind.get_by_role("button", name="Begin", exact=True).click()
            assert (await sent.value).post_data_json == {
                "kind": "depth", "head": {"target_um": 27.5},
            }  # fmt: skip

    play(stage, tmp_path, work)


def test_theme_and_language_are_kept_for_the_screen(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        async with scene.tablet() as page:
            await page.goto(f"{scene.address}/stock")
            await page.get_by_role("button", name="Menu").click()
            await page.get_by_role("link", name="dark", exact=True).click()
            await expect(page.locator("html")).to_have_attribute("data-theme", "dark")
            ground = await page.evaluate(
                "getComputedStyle(document.documentElement).backgroundColor"
            )
            assert ground == "rgb(25, 27, 28)"
            await page.get_by_role("button", name="Menu").click()
            await page.get_by_role("link", name="Deutsch").click()
            await expect(page.get_by_role("heading", level=1)).to_have_text(
                "Material, Raster und Filme"
            )

    play(stage, tmp_path, work)


def test_a_unit_with_its_own_timer_is_told_what_to_set_and_when_to_end(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.READY, advisory=True, run_id="r-1")
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="Begin exposure").click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("The unit's own timer switches the light")
            await expect(dialog).not_to_contain_text("by itself")
            await dialog.get_by_role("button", name="Not now").click()
            event = {"run_id": "r-1", "name": "timer advice", "data": {"timer_s": 64.0}}
            scene.played.say({"event": {**event, "text": "set 64 s"}})
            advice = page.locator("#advice")
            await expect(advice).to_have_text(
                "Set 1:04 min on the unit's own timer, then start it."
            )
            scene.played.say({"event": {**event, "name": "dose reached", "text": "end it"}})
            await expect(advice).to_have_text("Dose reached: switch the light off now.")
            scene.played.status = d.status(d.WASH, advisory=True)
            await expect(advice).to_be_hidden()

    play(stage, tmp_path, work)


def test_curves_are_read_by_touch_and_keys_and_looked_at_closer(
    stage: Stage, tmp_path: Path
) -> None:
    async def work(scene: Scene) -> None:
        ranges: list[str] = []
        async with scene.tablet() as page:
            page.on(
                "request",
                lambda r: ranges.append(r.url.partition("?")[2]) if "/samples" in r.url else None,
            )
            await page.goto(f"{scene.address}/records/20260302-100200-aaaa")
            canvas, reading = page.locator("canvas.curves"), page.locator("figure .note")
            await expect(canvas).to_have_accessible_name(re.compile("Irradiance from 0.00 to 9.19"))
            await canvas.hover(position={"x": 800, "y": 60})
            await expect(reading).to_have_text(
                re.compile(r"10:00:\d\d · Irradiance 9\.\d+ mW/cm² · Dose \d+\.\d mJ/cm² · Vacuum")
            )
            await page.mouse.move(0, 0)
            await canvas.focus()
            await page.keyboard.press("Home")
            await expect(reading).to_have_text(re.compile("^10:00:00 · Irradiance 0.00"))
            await page.get_by_role("button", name="Closer").click()
            await expect(reading).to_have_text(re.compile("^Touch"))
            await page.get_by_role("button", name="Later").click()
            await page.get_by_role("button", name="All").click()
            await page.wait_for_timeout(300)
        asked = [dict(part.split("=") for part in text.split("&")) for text in ranges]
        spans = [int(a["until_ms"]) - int(a["from_ms"]) if "from_ms" in a else None for a in asked]
        assert spans[-4:] == [None, 30_000, 30_000, None]
        assert int(asked[-2]["from_ms"]) - int(asked[-3]["from_ms"]) == 15_000

    play(stage, tmp_path, work)


def test_what_fell_unseen_is_asked_for_before_a_restart(stage: Stage, tmp_path: Path) -> None:
    async def work(scene: Scene) -> None:
        held = deepcopy(d.HELD)
        held["now"]["exposure"]["asks_what_fell"] = True
        scene.played.status = d.status(held)
        async with scene.tablet() as page:
            await page.goto(scene.address)
            await page.get_by_role("button", name="Restart: light on").click()
            dialog = page.get_by_role("dialog")
            await expect(dialog).to_contain_text("What did the lamps do")
            for answer in ("They were on. Restart", "Not known. Restart"):
                await expect(dialog.get_by_role("button", name=answer)).to_be_visible()
            await expect(dialog.get_by_role("button", name="Restart: light on")).to_have_count(0)
            await dialog.get_by_role("button", name="They were off. Restart").click()
            asked = {"step": held["step"], "reason": "lamps off"}
            assert await scene.posts(1) == [("plates/P-1041/restart", asked)]

    play(stage, tmp_path, work)


def test_a_panel_needs_no_keyboard_for_numbers(stage: Stage, tmp_path: Path) -> None:
    async def touched(page: Page, keys: str) -> None:
        pad = page.get_by_role("group", name="Number pad")
        await expect(pad).to_be_visible()
        for key in keys:
            name = "Delete the last digit" if key == "<" else key
            await pad.get_by_role("button", name=name, exact=True).tap()

    async def work(scene: Scene) -> None:
        scene.played.status = d.status(d.BATH)
        async with scene.tablet(role=None, has_touch=True, is_mobile=True) as page:
            pad = page.get_by_role("group", name="Number pad")
            await page.goto(f"{scene.address}/sign-in")
            await page.get_by_label("Name").fill("B. Example")
            await expect(pad).to_be_hidden()
            await page.get_by_label("PIN or password").tap()
            await touched(page, "23<345")
            await pad.get_by_role("button", name="Letters").tap()
            await expect(pad).to_be_hidden()
            await page.get_by_role("button", name="Sign in").tap()
            water = page.get_by_label("Measured in the water, °C")
            await water.tap()
            await touched(page, "24<3.5")
            await expect(pad.get_by_role("button", name="Letters")).to_be_hidden()
            await page.get_by_role("button", name="Record the temperature").tap()
            (_, body) = (await scene.posts(1))[0]
            assert body["values"] == {"water_c": 23.5}
            await expect(pad).to_be_hidden()
        async with scene.tablet(role="operator") as page:
            await page.goto(scene.address)
            await page.get_by_label("Measured in the water, °C").click()
            await expect(page.get_by_role("group", name="Number pad")).to_be_hidden()

    play(stage, tmp_path, work)
