"""Daemons that die and come back: runs left open, what was learned, lamps still on."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.daemon_shop import UNIT, Bench, Daemon, config_for, in_simulated_time
from platelink.daemon.recovery import WAIT_S as RECOVER_WAIT_S
from platelink.daemon.shell import learned_before
from platelink.record.check import check
from platelink.record.journal import Journal
from platelink.runs import RunEvent, RunStart
from platesim.faults import DeviceResets

AT = datetime(2026, 6, 1, tzinfo=UTC)


def test_what_was_learned_survives_a_restart(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()
            learned = daemon.shell.core.learned
            assert learned.afterglow_s > 0.0 and learned.irradiance_mw_cm2
        async with Daemon(config, bench) as daemon:
            assert daemon.shell.core.learned == learned
            await daemon.until_up()
            bench.unit.mark()
            daemon.expose()
            await daemon.until_ended()
            assert bench.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=1e-3)

    in_simulated_time(work())


@pytest.mark.parametrize(
    "data",
    [
        {"afterglow_s": 0.01, "of_a_later_release": 1},
        {"afterglow_s": "soon"},
        {"afterglow_s": -1.0, "irradiance_mw_cm2": -3.0},
        {"irradiance_mw_cm2": None, "afterglow_s": None},
        {},
    ],
)
def test_an_odd_lesson_keeps_no_daemon_from_starting(tmp_path: Path, data: Any) -> None:
    with Journal.open(tmp_path / "journal.sqlite", unit=UNIT, new_uuid="u") as journal:

        def common() -> dict[str, Any]:
            return {"id": journal.next_id(), "unit": UNIT, "at_utc": AT, "run_id": "run-1"}

        journal.append(RunStart(step="film", **common()))
        journal.append(RunEvent(name="learned", data=data, **common()))
        journal.end_run("run-1", AT, "complete", "dose reached")
        learned = learned_before(journal)
        assert learned is not None
        assert 0.0 <= learned.afterglow_s < 1.0
        assert learned.irradiance_mw_cm2 is None or learned.irradiance_mw_cm2 > 0.0


def crashed(tmp_path: Path, then: Any, *, seconds: float = 4.0) -> Coroutine[Any, Any, None]:
    """A daemon is killed in light; ``then`` gets a new one, the unit and the run."""

    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            bench.unit.mark()
            run_id = daemon.expose()
            await daemon.until_light(seconds)
            await daemon.kill()
        await then(Daemon(config, bench), bench, run_id)
        with Journal.open(config.journal.path, read_only=True) as journal:
            found = check(journal, run_id)
            assert found is not None and found.ok, found
            run = journal.run(run_id)
            assert run is not None and run.end is not None
            assert run.end.state == "interrupted"
            assert run.end.events == found.events and run.end.samples == found.samples

    return work()


def ended(daemon: Daemon) -> list[dict[str, Any]]:
    return [line for line in daemon.lines if "ended" in line]


def test_a_run_left_open_is_closed_when_its_lamp_is_off(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        async with again as daemon:
            await daemon.until(lambda: daemon.shell.core.up, 5.0)
            await asyncio.sleep(1.0)
            assert bench.unit.lamp_on and not ended(daemon)
            refused = daemon.ask("expose", job={"dose": "60 mJ/cm2", "contact": False})
            assert "still being closed" in refused["error"]
            await daemon.until(lambda: ended(daemon), 30.0)
            assert not bench.unit.lamp_on
            assert ended(daemon)[0]["ended"] == run_id
            assert "closed its order by dose" in ended(daemon)[0]["reason"]
            end = daemon.shell.journal.run(run_id).end
            assert end.dose_mj_cm2 == pytest.approx(bench.unit.true_dose_mj_cm2(), rel=0.01)
            daemon.expose()
            await daemon.until_ended()
            assert daemon.state == "complete"

    in_simulated_time(crashed(tmp_path, then))


def test_the_lamp_of_a_run_left_open_obeys_a_stop(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        async with again as daemon:
            await daemon.until(lambda: daemon.shell.core.reading, 5.0)
            assert bench.unit.lamp_on
            assert daemon.ask("stop")["ok"]
            await asyncio.sleep(0.3)
            assert not bench.unit.lamp_on
            await daemon.until(lambda: ended(daemon), 5.0)
            assert "closed its order by host" in ended(daemon)[0]["reason"]

    in_simulated_time(crashed(tmp_path, then))


def test_a_run_left_open_by_a_power_cut_of_both(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        bench.unit.inject(DeviceResets())
        async with again as daemon:
            await daemon.until(lambda: ended(daemon), 10.0)
            assert "started anew since" in ended(daemon)[0]["reason"]

    in_simulated_time(crashed(tmp_path, then))


def test_a_run_left_open_waits_no_longer_than_its_limit_for_a_device(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        bench.there = False
        async with again as daemon:
            await asyncio.sleep(RECOVER_WAIT_S - 1.0)
            assert not ended(daemon)
            assert daemon.ask("status")["problem"] == "there is no device at the port"
            await daemon.until(lambda: ended(daemon), 2.0)
            assert "the device did not answer" in ended(daemon)[0]["reason"]
            bench.there = True
            await daemon.until_up()
            daemon.expose()  # and work goes on

    in_simulated_time(crashed(tmp_path, then))


def test_a_device_that_vanishes_while_its_lamp_is_waited_for(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        async with again as daemon:
            await daemon.until(lambda: daemon.shell.core.up, 5.0)
            await asyncio.sleep(1.5)
            bench.there = False
            await daemon.until(lambda: ended(daemon), RECOVER_WAIT_S + 5.0)
            assert "the device did not answer" in ended(daemon)[0]["reason"]

    in_simulated_time(crashed(tmp_path, then))


def test_several_runs_left_open_are_all_closed(tmp_path: Path) -> None:
    with Journal.open(tmp_path / "journal.sqlite", unit=UNIT, new_uuid="u") as journal:
        for n in range(3):
            common = {"unit": UNIT, "at_utc": AT, "run_id": f"old-{n}"}
            journal.append(RunStart(step="film", id=journal.next_id(), **common))

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until(lambda: len(ended(daemon)) == 3, 5.0)
            assert {line["ended"] for line in ended(daemon)} == {"old-0", "old-1", "old-2"}
            assert daemon.shell.journal.open_runs() == []
            await daemon.until_up()
            daemon.expose()

    in_simulated_time(work())


def test_a_journal_that_cannot_be_written_closes_its_runs_later(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        journal = again.shell.journal
        journal._db.rows("PRAGMA query_only = ON")
        async with again as daemon:
            await daemon.until(lambda: ended(daemon), 30.0)
            assert daemon.ask("status")["journal"]["pending"]
            assert not daemon.ask("expose", job={"dose": "60 mJ/cm2"})["ok"]
            journal._db.rows("PRAGMA query_only = OFF")
            await daemon.until(lambda: not daemon.ask("status")["journal"]["pending"], 2.0)

    in_simulated_time(crashed(tmp_path, then))


def test_a_stop_of_the_daemon_loses_no_sample(tmp_path: Path) -> None:
    """Asked to end, it writes what it has in hand; only a kill may cost the last second."""

    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        for seconds in (2.0, 2.5):
            async with Daemon(config, bench) as daemon:
                await daemon.until_up()
                run_id = daemon.expose()
                await daemon.until_light(seconds)
                newest = daemon.shell.core.reading
            with Journal.open(config.journal.path, read_only=True) as journal:
                assert int(journal.samples(run_id).ticks[-1]) >= newest.ticks
            async with Daemon(config, bench) as daemon:
                await daemon.until(lambda: ended(daemon), 30.0)

    in_simulated_time(work())
