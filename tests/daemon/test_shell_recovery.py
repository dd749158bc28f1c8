"""Daemons that die and come back: runs left open, what was learned, lamps still on."""

from __future__ import annotations

import asyncio
from collections.abc import Coroutine
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.daemon_shop import UNIT, Bench, Daemon, config_for, in_simulated_time
from platelink.control.light.lessons import Lessons
from platelink.control.states import Learned
from platelink.daemon.recovery import DARK_WAIT_S
from platelink.daemon.recovery import WAIT_S as RECOVER_WAIT_S
from platelink.link import messages as m
from platelink.link.framing import encode
from platelink.record.journal import Journal
from platelink.record.lessons import lessons_in
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent, RunStart
from platelink.unit.outputs import DeviceReported
from platelink.unit.view import summary
from platesim.faults import ContactorSticks, DeviceResets, RelayWelds

FIRST = Learned(0.005, afterglow_known=True)
"""What the configuration says of the lamps before they taught anything."""
AT = datetime(2026, 6, 1, tzinfo=UTC)


def test_what_was_learned_survives_a_restart(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()
            daemon.expose(dose="30 mJ/cm2")
            await daemon.until_ended()
            learned = daemon.shell.core.bed.lessons.in_force
            assert learned.afterglow_s > 0.0 and learned.irradiance_mw_cm2
        async with Daemon(config, bench) as daemon:
            assert daemon.shell.core.bed.lessons.in_force == learned
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
        {"afterglow_s": 0.9, "warm_up_deficit_s": 0.5, "irradiance_mw_cm2": 6.4},
        {"afterglow_s": 0.01, "warm_up_deficit_s": 0.5, "irradiance_mw_cm2": 0.001},
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
        told = lessons_in(journal.reader)
        assert len(told) == 1
        assert Lessons(Learned(0.003), 7.0, told).in_force == Learned(0.003)


def test_lessons_that_a_person_dropped_stay_dropped(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            daemon.expose()
            refused = daemon.ask("lessons_drop", who="Yildiz", why="new lamps")
            assert "an exposure is running" in refused["error"]
            await daemon.until_ended()
            assert "say why" in daemon.ask("lessons_drop", who="Yildiz", why=" ")["error"]
            lessons = daemon.shell.core.bed.lessons
            assert lessons.in_force.irradiance_mw_cm2
            assert daemon.ask("lessons_drop", who="Yildiz", why="new lamps")["ok"]
            assert lessons.in_force == FIRST
            assert daemon.events("lessons dropped")[0]["data"] == {
                "who": "Yildiz", "why": "new lamps",
            }  # fmt: skip
        async with Daemon(config, bench) as daemon:
            assert daemon.shell.core.bed.lessons.in_force == FIRST
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()
            learned = daemon.shell.core.bed.lessons.in_force
            assert learned.irradiance_mw_cm2
        async with Daemon(config, bench) as daemon:
            assert daemon.shell.core.bed.lessons.in_force == learned

    in_simulated_time(work())


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
        with JournalReader.open(config.journal.path) as journal:
            found = journal.check(run_id)
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
            assert "still being completed" in refused["error"]
            await daemon.until(lambda: ended(daemon), 30.0)
            assert not bench.unit.lamp_on
            assert ended(daemon)[0]["ended"] == run_id
            assert "closed its order by dose" in ended(daemon)[0]["reason"]
            end = daemon.shell.journal.reader.run(run_id).end
            assert end.dose_mj_cm2 == pytest.approx(bench.unit.true_dose_mj_cm2(), rel=0.01)
            daemon.expose()
            await daemon.until_ended()
            assert daemon.state == "complete"

    in_simulated_time(crashed(tmp_path, then))


@pytest.mark.parametrize("away_s", [0.0, 20.0])
def test_a_contactor_that_falls_late_while_nobody_looks(tmp_path: Path, away_s: float) -> None:
    """The end waits for the dark, and its bound holds what fell by then."""

    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        bench.unit.inject(ContactorSticks(0.45))
        await asyncio.sleep(away_s)
        async with again as daemon:
            await daemon.until(lambda: ended(daemon), 30.0)
            end, true = daemon.shell.journal.reader.run(run_id).end, bench.unit.true_dose_mj_cm2()
            assert true > 62.0
            assert end.dose_mj_cm2 == pytest.approx(60.0, rel=0.01)
            assert end.data["uncertain_mj_cm2"] == pytest.approx(true - end.dose_mj_cm2, abs=0.2)

    in_simulated_time(crashed(tmp_path, then))


def test_a_lamp_that_burns_on_is_not_waited_for(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        bench.unit.inject(RelayWelds())
        async with again as daemon:
            await daemon.until(lambda: not bench.lamp_driven, 30.0)
            before = daemon.clock.now()
            await daemon.until(lambda: ended(daemon), 30.0)
            assert daemon.clock.now() - before == pytest.approx(DARK_WAIT_S, abs=0.5)
            active = [a["name"] for a in daemon.ask("status")["alarms"]["list"] if a["active"]]
            assert "light still on" in active
            end = daemon.shell.journal.reader.run(run_id).end
            doubt, true = end.data["uncertain_mj_cm2"], bench.unit.true_dose_mj_cm2()
            assert end.dose_mj_cm2 + doubt == pytest.approx(true, rel=0.02)
            assert doubt > 25.0

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
            assert "the device has restarted since" in ended(daemon)[0]["reason"]

    in_simulated_time(crashed(tmp_path, then))


@pytest.mark.parametrize("before_ms", [0, -3_600_000, 3_600_000])
@pytest.mark.parametrize("after_ms", [0, -15_000, 3_600_000])
def test_a_run_left_open_while_the_clock_is_set(
    tmp_path: Path, before_ms: int, after_ms: int
) -> None:
    """In its light and after the crash; the device has started anew and tells nothing, so that the
    time alone bounds what fell."""

    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            bench.unit.mark()
            run_id = daemon.expose(dose="220 mJ/cm2")
            await daemon.until_light(4.0)
            daemon.clock.set_ms += before_ms
            await asyncio.sleep(2.0)
            await daemon.kill()
        await asyncio.sleep(18.0)
        bench.catch_up()
        true = bench.unit.true_dose_mj_cm2()
        bench.unit.inject(DeviceResets())
        again = Daemon(config, bench)
        again.clock.set_ms = before_ms + after_ms
        async with again as daemon:
            await daemon.until(lambda: ended(daemon), 10.0)
            run = daemon.shell.journal.reader.run(run_id)
        end = run.end
        assert 18.0 <= end.data["gap_s"] <= 20.5
        assert 20.0 <= (end.at_utc - run.start.at_utc).total_seconds() <= 40.0
        assert end.dose_mj_cm2 < true < end.dose_mj_cm2 + end.data["uncertain_mj_cm2"]

    in_simulated_time(work())


def test_lessons_are_the_newest_whatever_the_clock_was_set_to(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            for set_ms in (86_400_000, 0):
                daemon.clock.set_ms = set_ms
                daemon.expose(dose="30 mJ/cm2")
                await daemon.until_ended()
                await asyncio.sleep(1.0)
            live = [told.run_id for told in lessons_in(daemon.shell.journal.reader)]
            runs = [o["ended"] for o in ended(daemon)]
            assert live == runs and len(runs) == 2

    in_simulated_time(work())


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
            assert daemon.shell.journal.reader.open_runs() == []
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
            assert ended(daemon)[0]["unrecorded"]
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
            with JournalReader.open(config.journal.path) as journal:
                assert int(journal.samples(run_id).ticks[-1]) >= newest.ticks
            async with Daemon(config, bench) as daemon:
                await daemon.until(lambda: ended(daemon), 30.0)

    in_simulated_time(work())


def test_light_found_on_is_shown_within_a_second_and_can_be_held(tmp_path: Path) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        async with again as daemon:
            await daemon.until(lambda: daemon.shell.core.reading, 5.0)
            await asyncio.sleep(1.0)
            for _ in range(3):
                assert bench.unit.lamp_on
                status = daemon.ask("status")
                assert status["light"]["state"] == "on" and status["light"]["order"] == 1
                shown = status["exposure"]
                assert (shown["state"], shown["step"]) == ("running", "light")
                true = bench.unit.true_dose_mj_cm2()
                assert true - 5.0 < shown["dose_mj_cm2"] <= true * 1.01
                assert shown["target_dose_mj_cm2"] == 60.0
                assert 0.0 < shown["remaining_s"] < 10.0
                published = summary(daemon.shell.status())
                assert (published["light"], published["order"]) == ("on", 1)
                assert published["dose_mj_cm2"] == shown["dose_mj_cm2"]
                await asyncio.sleep(0.5)
            (found,) = daemon.events("light found on")
            assert "of 60.0 mJ/cm² so far" in found["text"]
            assert daemon.ask("hold")["ok"]
            await asyncio.sleep(0.3)
            assert not bench.unit.lamp_on
            await daemon.until(lambda: ended(daemon), 5.0)
            assert daemon.ask("status")["exposure"] is None

    in_simulated_time(crashed(tmp_path, then, seconds=2.0))


def test_light_found_on_whose_order_the_device_forgets_is_not_taken_for_none(
    tmp_path: Path,
) -> None:
    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        async with again as daemon:
            await daemon.until(lambda: daemon.events("light found on"), 5.0)
            await asyncio.sleep(2.0)
            arm = m.Arm(99, (1, 0, 0, 0), 0, 1000, 5000, 2000, 0)
            for command in (m.Close(m.ORDER_NONE), arm, m.Disarm(99)):  # from elsewhere
                bench.unit.board.receive(encode(command, 7))
                await asyncio.sleep(0.012)
            await daemon.until(lambda: ended(daemon), 5.0)
            end = daemon.shell.journal.reader.run(run_id).end
            true = bench.unit.true_dose_mj_cm2()
            assert true - 3.0 < end.dose_mj_cm2 <= 1.01 * true

    in_simulated_time(crashed(tmp_path, then, seconds=2.0))


def test_light_found_on_is_waited_for_no_longer_than_a_device_may_give_it(tmp_path: Path) -> None:
    """A device that says for ever that its order is open."""

    async def then(again: Daemon, bench: Bench, run_id: str) -> None:
        bench.unit.to_device.unplug()
        async with again as daemon:
            recovery, now = daemon.shell._recovery, daemon.clock.now()
            report = m.OrderReport(
                1, m.OrderState.OPEN, 0, bench.unit.board.boot_id, 1, 2, 0, 9, *[(0,) * 4] * 4
            )
            for at in range(0, 4000, 20):
                assert recovery.account(DeviceReported(report), now=now + at).lamp_on
            assert recovery.too_late(now=now + 1810.0 + RECOVER_WAIT_S)
            assert not recovery.too_late(now=now + 1800.0 + RECOVER_WAIT_S)
            bench.unit.to_device.plugged = True
            await daemon.until(lambda: ended(daemon), 60.0)

    in_simulated_time(crashed(tmp_path, then))
