"""A device whose account of a run comes after the run had to end without it."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from click.testing import CliRunner
from control.procedure.plate_bench import short

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from daemon.test_plates_crash import Shop, in_light, in_shop
from platelink.cli.show import show
from platelink.contract.words import PlateAct
from platelink.control.procedure.table import StepState
from platelink.daemon.recovery import WAIT_S
from platesim.faults import DeviceResets

CORRECTED = "dose corrected"


async def away_past_the_guard(daemon: Daemon, bench: Bench) -> str:
    """The run of an exposure that ended without its device's account."""
    await daemon.until_up()
    bench.unit.mark()
    run_id = daemon.expose(dose="220 mJ/cm2")
    await daemon.until_light(10.0)
    bench.there = False
    await daemon.until_ended()
    bench.catch_up()
    return run_id


def test_a_cable_that_was_out_past_the_guard(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            run_id = await away_past_the_guard(daemon, bench)
            reader, true = daemon.shell.journal.reader, bench.unit.true_dose_mj_cm2()
            before = reader.run(run_id)
            told, doubt = before.end.dose_mj_cm2, before.end.data["uncertain_mj_cm2"]
            assert told < 0.6 * true < true < told + doubt
            assert before.summary.uncertain_mj_cm2 == doubt
            bench.there = True
            await daemon.until(lambda: daemon.events(CORRECTED), 60.0)
            (event,) = daemon.events(CORRECTED)
            assert event["data"]["of_run"] == run_id
            assert event["data"]["believed_mj_cm2"] == pytest.approx(told, abs=0.01)
            assert event["data"]["believed_uncertain_mj_cm2"] == pytest.approx(doubt, abs=0.01)
            after = reader.run(run_id)
            assert after.end == before.end
            assert after.summary.dose_mj_cm2 == pytest.approx(true, rel=2e-3)
            assert after.summary.uncertain_mj_cm2 < 0.02 * true
            shown = daemon.ask("status")["exposure"]
            assert shown["dose_mj_cm2"] == pytest.approx(after.summary.dose_mj_cm2, abs=0.01)
            assert shown["uncertain_mj_cm2"] < 0.02 * true
            assert "came after the end" in shown["reason"]
            bench.there = False
            await asyncio.sleep(5.0)
            bench.there = True
            await daemon.until_up()
            assert len(daemon.events(CORRECTED)) == 1
            daemon.expose()
            assert daemon.ask("status")["exposure"]["dose_mj_cm2"] == 0.0
            await daemon.until_ended()
            assert daemon.state == "complete"
        found = CliRunner().invoke(show, [run_id, "--no-plot", "--journal", config.journal.path])
        assert f"{true:.0f}" in found.output.split("delivered")[1].split("\n")[0], found.output
        assert f"{told:.2f}" in found.output

    in_simulated_time(work())


def test_a_device_that_has_started_anew_meanwhile_tells_nothing(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            run_id = await away_past_the_guard(daemon, bench)
            bench.unit.inject(DeviceResets())
            bench.there = True
            await daemon.until_up()
            assert not daemon.events(CORRECTED)
            run = daemon.shell.journal.reader.run(run_id)
            assert run.summary.uncertain_mj_cm2 == run.end.data["uncertain_mj_cm2"]

    in_simulated_time(work())


async def given_up(shop: Shop) -> None:
    """The daemon has died in the light, and its device was away for longer than it is waited
    for."""
    await in_light(shop)
    shop.bench.there = False
    await shop.crash()
    await shop.daemon.until(lambda: not shop.plate.cut, WAIT_S + 5.0)
    present = shop.plate.present
    assert present.state is StepState.HELD and present.doubtful(shop.plate.step)
    assert "give or take" in present.reason


async def corrected(shop: Shop) -> None:
    shop.bench.there = True
    await shop.daemon.until(lambda: shop.daemon.events(CORRECTED), 60.0)


async def at_once(shop: Shop) -> None:
    await corrected(shop)


async def after_another_crash(shop: Shop) -> None:
    await shop.crash()
    await corrected(shop)


@pytest.mark.parametrize("then", [at_once, after_another_crash], ids=lambda f: f.__name__)
def test_a_step_that_was_held_in_doubt_takes_the_account(
    tmp_path: Path, then: Callable[[Shop], Awaitable[None]]
) -> None:
    async def work(shop: Shop) -> None:
        await given_up(shop)
        await then(shop)
        film = shop.plate.steps[1]
        assert film.state is StepState.COMPLETE  # the device had ended it at its dose
        assert film.dose_mj_cm2 == pytest.approx(shop.bench.unit.true_dose_mj_cm2(), rel=0.01)
        assert film.unsure_mj_cm2 < 0.01 * film.dose_mj_cm2
        await shop.finish()

    data = in_shop(tmp_path, work).judge(dose_off=0.01)
    assert any("film corrected: the device's account" in text for text in data["deviations"])


def test_light_that_was_on_until_the_device_was_back(tmp_path: Path) -> None:
    """Nobody waits for it any more, so it is ended, and what fell is told then."""

    async def work(shop: Shop) -> None:
        await given_up(shop)
        shop.bench.there = True
        await shop.daemon.until(lambda: shop.daemon.shell.core.up, 60.0)
        assert shop.bench.unit.lamp_on
        await shop.daemon.until(lambda: shop.daemon.events(CORRECTED), 2.0)
        assert not shop.bench.unit.lamp_on
        film, true = shop.plate.present, shop.bench.unit.true_dose_mj_cm2()
        assert film.state is StepState.HELD
        assert abs(film.dose_mj_cm2 - true) < 0.01 * true
        assert not shop.act(PlateAct.STOP, reason="seen enough")
        await shop.end()

    in_shop(tmp_path, work, short(dose_mj_cm2="1500.0"))
