"""Whole plates with vacuum and oven told by instruments on a bus, and what they meet on the way."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path

import numpy as np
import pytest
from daemon.daemon_shop import in_simulated_time

from instruments.bus_shop import BusShop
from platelink.record.reader import JournalReader
from platelink.replay.play import play_all, play_plate
from platelink.sensing.beside import Unanswered
from platelink.tape.files import folder_of, tapes


@pytest.fixture(autouse=True)
def coarser_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("platelink.simulated.virtual.Bench.grain_s", 0.04)


async def nothing(shop: BusShop) -> None:
    """A plate without trouble."""


def made(directory: Path, trouble: Callable[[BusShop], Awaitable[None]] = nothing) -> BusShop:
    shop = BusShop(directory)

    async def whole() -> None:
        await shop.begin()
        await shop.daemon.until_up()
        shop.bench.unit.mark()
        shop.make()
        await trouble(shop)
        await shop.finish()

    in_simulated_time(whole())
    return shop


def comes_the_same(shop: BusShop) -> None:
    there = tapes(folder_of(shop.config.journal.path))
    with JournalReader.open(shop.config.journal.path) as reader:
        run = reader.run("p-1")
        assert run is not None
        for part in (*play_plate(run, reader, there), *play_all(there, reader)):
            assert part.problems == [] and part.differences == []


def test_a_plate_is_made_by_what_they_tell_and_comes_the_same_again(tmp_path: Path) -> None:
    shop = made(tmp_path)
    shop.judge()
    with JournalReader.open(shop.config.journal.path) as reader:
        parts = {part.start.step: part for part in reader.parts("p-1")}
        film = reader.samples(parts["film"].start.run_id).values
        lit = film["counting"] > 0.0
        assert 60.0 < np.min(film["vacuum_kpa"][lit]) <= np.max(film["vacuum_kpa"][lit]) < 88.0
        baked = next(part for part in parts.values() if part.start.run_kind == "bake")
        oven_c = reader.samples(baked.start.run_id).values["oven_c"]
        assert np.isfinite(oven_c).all() and abs(np.median(oven_c) - 70.0) < 12.0
        (told,) = [c for c in baked.start.conditions["calibrations"] if c["sensor"] == "oven"]  # type: ignore[union-attr,index,call-overload]
        assert told["calibration"] == "as configured"
    comes_the_same(shop)


async def lost_in_the_light(shop: BusShop) -> None:
    await shop.to("film")
    await shop.work(lambda: shop.daemon.light_s >= 2.0)
    shop.bus.faults["gauge-1"] = Unanswered.SILENT
    at = shop.daemon.clock.now()
    await shop.daemon.until(lambda: shop.daemon.state in ("holding", "held"), 10.0)
    assert shop.daemon.clock.now() - at <= 1.0 + 0.2 + 0.2  # stale_after, poll, a look or two
    await shop.daemon.until(lambda: shop.daemon.state == "held", 10.0)
    status = shop.daemon.ask("status")
    assert status["reading"]["vacuum_kpa"] is None
    assert "vacuum_stale" in status["reading"]["quality"]
    (gauge, oven) = status["instruments"]
    assert gauge["lost"] and not oven["lost"] and oven["problem"] == ""
    assert gauge["problem"].startswith("gauge-1 does not answer at address 5; check its power")
    assert not shop.bench.lamp_driven
    await asyncio.sleep(3.0)
    raised = [alarm["name"] for alarm in shop.daemon.ask("status")["alarms"]["list"]]
    assert {"gauge silent", "instrument lost"} <= set(raised)
    del shop.bus.faults["gauge-1"]
    await shop.daemon.until(lambda: shop.daemon.events("instrument back"), 10.0)


def test_a_gauge_lost_in_the_light_holds_and_the_plate_goes_on_when_it_is_back(
    tmp_path: Path,
) -> None:
    shop = made(tmp_path, lost_in_the_light)
    (lost,) = shop.daemon.events("instrument lost")
    assert "does not answer at address 5" in lost["text"]
    assert lost["data"] == {"instrument": "gauge-1"}
    held = [e["text"] for e in shop.daemon.events("holding")]
    assert any("no valid vacuum value" in text for text in held)
    shop.judge()
    comes_the_same(shop)


async def crashed(shop: BusShop) -> None:
    await shop.to("film")
    await shop.work(lambda: shop.daemon.light_s >= 2.0)
    await shop.crash()


def test_a_daemon_that_dies_finds_them_again(tmp_path: Path) -> None:
    shop = made(tmp_path, crashed)
    comes_the_same(shop)


@pytest.mark.parametrize(
    ("tells", "says", "alarm"),
    [
        (None, "the vacuum gauge is stuck at", "gauge stuck"),
        ((0x7FFF,), "no valid vacuum value for", "gauge silent"),
    ],
)
def test_what_a_gauge_cannot_tell_holds_the_light(
    tmp_path: Path, tells: tuple[int, ...] | None, says: str, alarm: str
) -> None:
    async def trouble(shop: BusShop) -> None:
        await asyncio.sleep(30.0)  # its noise becomes known
        await shop.to("film")
        await shop.work(lambda: shop.daemon.light_s >= 2.0)
        shop.bus.stuck["gauge-1"] = tells or shop.bus.last["gauge-1"]
        await shop.daemon.until(lambda: shop.daemon.state == "held", 10.0)
        await asyncio.sleep(3.0)
        raised = [one["name"] for one in shop.daemon.ask("status")["alarms"]["list"]]
        assert alarm in raised
        del shop.bus.stuck["gauge-1"]

    shop = made(tmp_path, trouble)
    assert any(says in e["text"] for e in shop.daemon.events("holding"))
    shop.judge()
    comes_the_same(shop)


def test_an_oven_that_says_nothing_is_a_lost_sensor_and_no_minute_counts(tmp_path: Path) -> None:
    async def trouble(shop: BusShop) -> None:
        await shop.to("dry")
        await shop.work(lambda: shop.daemon.events("in band"))
        shop.bus.faults["oven-1"] = Unanswered.DAMAGED
        await shop.daemon.until(lambda: shop.daemon.events("oven sensor lost"), 30.0)
        before = shop.plate.work.status().bake
        await asyncio.sleep(20.0)
        after = shop.plate.work.status().bake
        assert before is not None and before.status is not None
        assert after is not None and after.status is not None
        assert after.status.in_band_s == before.status.in_band_s
        (lost,) = shop.daemon.events("instrument lost")
        assert lost["text"].startswith("what oven-1 answers is damaged; check baud rate")
        del shop.bus.faults["oven-1"]

    shop = made(tmp_path, trouble)
    assert shop.daemon.events("oven sensor back")
    shop.judge()
    comes_the_same(shop)
