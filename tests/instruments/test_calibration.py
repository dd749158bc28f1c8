"""Instruments on a bus calibrated as the device's own sensors: counts, approval, what follows."""

from __future__ import annotations

import asyncio
from dataclasses import replace
from pathlib import Path

import pytest
from calibrations.make import DUE, PLAN, TODAY, by
from daemon.daemon_shop import in_simulated_time

from instruments.bus_shop import BUS, BusShop, on_bus
from platelink.calibrations.store import CalibrationStore
from platelink.daemon.calibrated import settings_of, unfit
from platelink.daemon.setup import on_bus as on_bus_of
from platelink.sensing.calibrate import OnBus
from platelink.sensing.calibration import Counts, Level
from platelink.simulated.plates import WARM_UNIT


def told(sensor: str, x: float) -> Counts:
    """A settled number whose last digit rests, of either sign."""
    raw = -100.0 * x if sensor == "vacuum" else 10.0 * x
    return Counts(mean=raw, rms=0.0, u_mean=0.0, n=30)


def approve(shop: BusShop, sensor: str, pairs: list[tuple[float, float]]) -> None:
    """A calibration with these (reference, value as configured)."""
    section = shop.config.measuring(sensor)
    by_bus = on_bus_of(section)
    assert by_bus is not None
    plan = replace(
        PLAN, settings=settings_of(shop.config, sensor), on_bus=OnBus(*by_bus),
        instrument=replace(PLAN.instrument, u_rel=0.0, u_abs=0.4),
    )  # fmt: skip
    with CalibrationStore.open(shop.config.calibrations_path()) as store:
        name = store.begin(sensor, plan, by()).name
        for reference, x in pairs:
            store.level(name, Level(reference=reference, x=x, counts=told(sensor, x)), by())
        store.finish(name, DUE, by(), today=TODAY)
        store.approve(name, by("compared", who="B. Example"))


def test_counts_are_the_numbers_in_its_register_and_settle(tmp_path: Path) -> None:
    shop = BusShop(tmp_path)

    async def work() -> None:
        await shop.begin()
        await shop.daemon.until_up()
        await shop.daemon.until(lambda: shop.daemon.ask("counts", sensor="vacuum")["settled"], 60.0)
        now = shop.daemon.ask("counts", sensor="vacuum")
        assert now["counts"]["mean"] == pytest.approx(0.0, abs=5.0)
        assert now["x"] == pytest.approx(0.0, abs=0.05) and now["limit"] == pytest.approx(20.0)
        shop.daemon.ask("counts", sensor="oven")
        await asyncio.sleep(10.0)  # its thermostat never lets it settle
        now = shop.daemon.ask("counts", sensor="oven")
        assert now["counts"]["mean"] == pytest.approx(580.0, abs=20.0)
        assert now["x"] == pytest.approx(now["counts"]["mean"] / 10.0)
        assert now["value"] == pytest.approx(58.0, abs=2.0)
        shop.bus.noise_kpa = 2.0
        await asyncio.sleep(10.0)
        assert not shop.daemon.ask("counts", sensor="vacuum")["settled"]
        await shop.end()

    in_simulated_time(work())


def test_what_is_approved_is_taken_up_and_named_in_the_record(tmp_path: Path) -> None:
    shop = BusShop(tmp_path)

    async def work() -> None:
        await shop.begin()
        await shop.daemon.until_up()
        before = shop.daemon.ask("status")["reading"]["oven_c"]
        approve(shop, "oven", [(x + 2.0, x) for x in (20.0, 40.0, 60.0, 80.0)])
        approve(shop, "vacuum", [(0.95 * x, x) for x in (0.0, 30.0, 60.0, 85.0)])
        assert shop.daemon.ask("calibrations")["ok"]
        await asyncio.sleep(2.0)
        assert shop.daemon.ask("status")["reading"]["oven_c"] == pytest.approx(
            before + 2.0, abs=1.0
        )
        run_id = shop.daemon.expose(contact=True)
        await shop.daemon.until_ended()
        run = shop.daemon.shell.journal.reader.run(run_id)
        assert run is not None
        told = {one["sensor"]: one for one in run.start.conditions["calibrations"]}  # type: ignore[union-attr,index,call-overload]
        assert (
            told["vacuum"]["calibration"] == "vacuum@1" and told["oven"]["calibration"] == "oven@1"
        )
        assert told["vacuum"]["due_on"] == DUE.isoformat() and told["vacuum"]["unit"] == "kPa"
        true_kpa = max(shop.daemon.shell.journal.reader.samples(run_id).values["vacuum_kpa"])
        assert true_kpa == pytest.approx(0.95 * 86.0, rel=0.02)
        await shop.end()

    in_simulated_time(work())


def test_another_scale_or_register_makes_a_calibration_worthless_and_a_name_does_not(
    tmp_path: Path,
) -> None:
    shop = BusShop(tmp_path)
    approve(shop, "vacuum", [(x, x) for x in (0.0, 30.0, 60.0, 85.0)])
    with CalibrationStore.open(shop.config.calibrations_path()) as store:
        held = store.in_force()["vacuum"]
    assert unfit(shop.config, held) == ""
    for old, new, changed in (
        ("scale = 0.01", "scale = 0.02", "scale"),
        ("first_register = 10", "first_register = 12", "first_register"),
        ("slave = 5", "slave = 6", "slave"),
        ('"gauge-1"', '"another"', ""),
        ("low = -102", "low = -101\npoll_s = 0.1", ""),
    ):
        told = unfit(on_bus(tmp_path, WARM_UNIT, BUS.replace(old, new)), held)
        assert (changed in told) if changed else told == ""
