"""A daemon at work: followers, listeners, clocks that are set, devices that restart."""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.cli.serve import Worth
from platelink.contract.uncertainty import uncertainty_in
from platelink.contract.unit import LiveLine
from platelink.control.states import State
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platesim.faults import DeviceResets, HostStalls, LeakOpens, Unplugged
from platesim.vacuum import Leak

HOUR_MS = 3_600_000


def checked(tmp_path: Path, run_id: str) -> Journal:
    journal = JournalReader.open(tmp_path / "journal.sqlite")
    found = journal.check(run_id)
    assert found is not None and found.ok, found
    samples = journal.samples(run_id)
    assert (np.diff(samples.ticks) > 0).all()
    assert (np.diff(samples.at_utc_ms) > 0).all()
    return journal


def called(daemon: Daemon) -> list[str]:
    alarms = daemon.ask("status")["alarms"]["list"]
    return [alarm["name"] for alarm in alarms if alarm["state"] == "unacknowledged"]


def test_a_port_that_cannot_be_had_is_printed_at_once_and_once(tmp_path: Path) -> None:
    printed: list[LiveLine | str] = []

    async def work() -> None:
        bench = Bench()
        bench.there = False
        daemon = Daemon(config_for(tmp_path), bench)
        daemon.shell.followers.add(Worth(printed.append, statuses=False))
        async with daemon:
            await asyncio.sleep(0.5)
            assert [p for p in printed if isinstance(p, str)] == ["there is no device at the port"]
            assert called(daemon) == ["port cannot be opened"]
            await asyncio.sleep(30.0)  # tried again and again
            assert called(daemon) == ["port cannot be opened"]  # not: the cable is out
            bench.there = True
            await daemon.until_up()
            bench.there = False
            await asyncio.sleep(0.5)
        texts = [p for p in printed if isinstance(p, str)]
        assert texts[:2] == ["there is no device at the port", "the port hung up"]

    in_simulated_time(work())


@pytest.mark.parametrize("steps_ms", [(HOUR_MS,), (-HOUR_MS,), (-HOUR_MS, HOUR_MS)])
def test_a_computer_clock_that_is_set_changes_nothing_within_a_run(
    tmp_path: Path, steps_ms: tuple[int, ...]
) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            bench.unit.mark()
            run_id = daemon.expose()
            for step_ms in steps_ms:
                await daemon.until_light(daemon.light_s + 2.0)
                daemon.clock.set_ms += step_ms
            await daemon.until_ended()
            await asyncio.sleep(1.0)
            true = bench.unit.true_dose_mj_cm2()
        with checked(tmp_path, run_id) as journal:
            run = journal.run(run_id)
            samples, events = journal.samples(run_id), journal.events(run_id)
            ms_per_tick = np.diff(samples.at_utc_ms) / np.diff(samples.ticks)
            assert (abs(ms_per_tick - 1.0) < 0.05).all()
            stamps = [run.start.at_utc, *(e.at_utc for e in events), run.end.at_utc]
            assert stamps == sorted(stamps)
            assert (run.end.at_utc - run.start.at_utc).total_seconds() < 60.0
            assert run.end.light_s == pytest.approx(60.0 / 6.2, rel=0.1)
            assert run.end.dose_mj_cm2 == pytest.approx(true, rel=1e-3)
            assert [e.name for e in events].count("computer clock set") == len(steps_ms)

    in_simulated_time(work())


def test_a_device_that_restarts_in_a_held_run_counts_on(tmp_path: Path) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            await asyncio.sleep(30.0)
            bench.unit.mark()
            run_id = daemon.expose()
            await daemon.until_light()
            daemon.ask("hold")
            await daemon.until(lambda: daemon.state == State.HELD, 5.0)
            held = daemon.shell.core.reading.ticks
            for _ in range(2):
                bench.unit.inject(DeviceResets())
                await asyncio.sleep(4.0)
            assert daemon.shell.core.reading.ticks < held
            assert daemon.ask("restart")["ok"]
            await daemon.until_ended()
            true = bench.unit.true_dose_mj_cm2()
        with checked(tmp_path, run_id) as journal:
            end = journal.run(run_id).end
            assert end.state == "complete"
            assert end.dose_mj_cm2 == pytest.approx(true, rel=2e-3)
            samples = journal.samples(run_id).ticks
            events = [e for e in journal.events(run_id) if e.ticks is not None]
            starts = [e.ticks for e in events if e.name == "device started"]
            armed = [e.ticks for e in events if e.name == "armed"]
            # all of them lie where their samples lie
            assert samples[0] < armed[0] < held < starts[0] < starts[1] < armed[1] < samples[-1]
            assert starts[1] - starts[0] == pytest.approx(4000, abs=100)
            span_s = (samples[-1] - samples[0]) * 1e-3
            at_ms = journal.samples(run_id).at_utc_ms
            assert span_s == pytest.approx((at_ms[-1] - at_ms[0]) * 1e-3, abs=0.3)

    in_simulated_time(work())


def test_a_device_that_restarts_unseen_and_is_older_when_it_is_back(tmp_path: Path) -> None:
    """Its counter has passed the last one seen: no tick tells that it began anew."""

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            run_id = daemon.expose()
            await daemon.until_light()
            daemon.ask("hold")
            await daemon.until(lambda: daemon.state == State.HELD, 5.0)
            bench.unit.inject(DeviceResets())
            bench.unit.inject(Unplugged(), for_s=60.0)
            await asyncio.sleep(61.0)
            await daemon.until(lambda: daemon.shell.core.up, 5.0)
            assert daemon.ask("restart")["ok"]
            await daemon.until_ended()
        with checked(tmp_path, run_id) as journal:
            samples = journal.samples(run_id)
            ms_per_tick = np.diff(samples.at_utc_ms) / np.diff(samples.ticks)
            assert (abs(ms_per_tick - 1.0) < 0.06).all()

    in_simulated_time(work())


def test_what_an_act_changed_is_told_before_its_answer(tmp_path: Path) -> None:
    async def work() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()

            def statuses() -> list[dict[str, Any]]:
                return [line["status"] for line in daemon.lines if "status" in line]

            def newest() -> dict[str, Any]:
                return statuses()[-1]

            run_id = daemon.expose()
            assert (newest()["run_id"], newest()["exposure"]["state"]) == (run_id, "running")
            told = len(statuses())
            daemon.ask("status")
            assert not daemon.ask("restart")["ok"]
            assert len(statuses()) == told
            daemon.ask("abort")
            assert newest()["exposure"]["state"] == daemon.state != "running"

    in_simulated_time(work())


def test_lines_for_followers_are_json_in_every_state(tmp_path: Path) -> None:
    states: set[str] = set()

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:

            def note(told: LiveLine) -> None:
                line = told.model_dump(mode="json")
                json.dumps(line, allow_nan=False)
                status = line.get("status")
                if status and status["exposure"]:
                    states.add(status["exposure"]["state"])
                    states.add(status["exposure"]["step"])

            daemon.shell.followers.add(note)
            await daemon.until_up()
            daemon.expose(contact=True)
            await daemon.until_light()
            bench.unit.inject(HostStalls(0.5))
            bench.unit.inject(LeakOpens(Leak(1.5)), for_s=6.0)
            await daemon.until(lambda: daemon.state == State.HELD, 20.0)
            bench.unit.inject(Unplugged(), for_s=4.0)
            await asyncio.sleep(8.0)
            assert daemon.ask("restart")["ok"]
            await asyncio.sleep(0.2)
            assert daemon.state == "restarting"
            await daemon.until_ended()
            for do in ("stop", "abort"):
                await asyncio.sleep(1.0)
                daemon.expose()
                await daemon.until_light(0.5)
                daemon.ask(do)
                await daemon.until_ended()
            await asyncio.sleep(0.2)  # it is told ten times a second
            names = [line["event"]["name"] for line in daemon.lines if "event" in line]
            assert {"contact held", "light seen", "held", "learned", "link lost"} <= set(names)

    in_simulated_time(work())
    assert {
        "running", "holding", "held", "restarting", "stopping", "stopped", "aborting", "aborted",
        "complete", "contact", "light", "tail",
    } <= states  # fmt: skip


def test_a_listener_that_fails_does_not_stop_the_loop(tmp_path: Path) -> None:
    """As when the program that reads our standard output has ended."""
    told: list[Any] = []

    def listener(line: Any) -> None:
        told.append(line)
        raise BrokenPipeError("nobody reads")

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            daemon.shell.followers.add(listener)
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()
            assert daemon.state == "complete"
            assert len(told) == 1  # not asked again
            before = len(daemon.lines)
            await asyncio.sleep(1.0)
            assert len(daemon.lines) > before + 5  # the others are told on

    in_simulated_time(work(), faults=("nobody reads",))


def test_a_port_that_comes_and_goes(tmp_path: Path) -> None:
    async def work() -> None:
        bench = Bench()
        bench.there = False
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await asyncio.sleep(3.0)
            assert daemon.ask("status")["problem"] == "there is no device at the port"
            assert "no port is open" in daemon.ask("expose", job={"dose": "60 mJ/cm2"})["error"]
            bench.there = True
            await daemon.until_up()
            assert daemon.ask("status")["problem"] == ""
            bench.unit.mark()
            run_id = daemon.expose()
            await daemon.until_light()
            bench.there = False
            await asyncio.sleep(3.0)
            assert daemon.ask("status")["problem"] == "there is no device at the port"
            assert daemon.state == "running"
            bench.there = True
            await daemon.until_ended()
            true = bench.unit.true_dose_mj_cm2()
        with checked(tmp_path, run_id) as journal:
            end = journal.run(run_id).end
            assert end.state == "complete" and end.dose_mj_cm2 == pytest.approx(true, rel=2e-3)

    in_simulated_time(work())


def test_a_whole_exposure_takes_few_turns_of_the_loop(tmp_path: Path) -> None:
    """Timers are set for what is due, and for nothing that was done."""

    async def work() -> None:
        bench = Bench()
        ticks = 0
        async with Daemon(config_for(tmp_path), bench) as daemon:
            real = daemon.shell._tick

            def counted(due: float = 0.0) -> None:
                nonlocal ticks
                ticks += 1
                real(due)

            daemon.shell._tick = counted  # type: ignore[method-assign]
            await daemon.until_up()
            began = daemon.clock.now()
            daemon.expose(contact=True)
            await daemon.until_ended()
            bench.there = False
            await asyncio.sleep(20.0)
            assert ticks < 25 * (daemon.clock.now() - began)

    in_simulated_time(work())


def _exposing(daemon: Daemon, law: dict[str, float] | None) -> str:
    """An exposure by itself, or as the step of a recipe whose plate stock has this law."""
    if law is None:
        return daemon.expose(contact=True, plate="p-1", operator="op")
    step = {"kind": "expose", "name": "film", "dose_mj_cm2": 60.0,
            "contact": {"low_kpa": 55.0, "high_kpa": 88.0}}  # fmt: skip
    recipe = {"format": 1, "id": "one", "title": "One", "step": [step], "reciprocity": law}
    asked = daemon.ask("plate_make", plate={"plate": "p-1", "recipe": recipe}, who="op")
    begun = daemon.ask("plate", plate="p-1", act="begin", who="op")
    assert asked["ok"] and begun["ok"], (asked, begun)
    run_id = daemon.shell.core.run_id
    assert run_id is not None
    return run_id


@pytest.mark.parametrize("law", [None, {"p": 0.85, "reference_mw_cm2": 8.0}])
def test_a_run_made_by_the_shell_can_be_checked(
    tmp_path: Path, law: dict[str, float] | None
) -> None:
    config = config_for(tmp_path)

    async def work() -> None:
        bench = Bench()
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            run_id = _exposing(daemon, law)
            await daemon.until_light()
            bench.unit.inject(LeakOpens(Leak(1.5)), for_s=6.0)
            await daemon.until(lambda: daemon.state == State.HELD, 20.0)
            await asyncio.sleep(8.0)
            daemon.ask("restart")
            await daemon.until_ended()
        with checked(tmp_path, run_id) as journal:
            run = journal.run(run_id)
            conditions = run.start.conditions
            told = conditions["light"]
            known = (told["reciprocity_p"], told["reference_mw_cm2"])
            assert known == ((0.85, 8.0) if law else (1.0, 10.0))
            assert told["reciprocity_p_uncertainty"] is None
            assert conditions["device"]["adc_bits"] == 10
            assert conditions["config"]["unit"]["name"] == "unit-1"
            assert set(conditions["learned"]) == {
                "afterglow_s", "warm_up_deficit_s", "irradiance_mw_cm2",
            }  # fmt: skip
            assert len(conditions["config_hash"]) == 64 and conditions["platelink"]
            assert (run.start.plate, run.start.operator) == ("p-1", "op")
            assert run.end.dose_mj_cm2 == pytest.approx(60.0, rel=0.01)
            stated = uncertainty_in(run.end.data)
            assert stated is not None and 0.5 < stated.plate_to_plate_pct < stated.against_meter_pct
            sources = {line.name: line.source for line in stated.lines}
            assert (sources["timing"], sources["reference"]) == ("measured", "assumed")
            assert ("reciprocity" in sources) == bool(law)
            count = next(line for line in stated.lines if line.name == "dark")
            slope = config.light.channel[0].slope_mw_cm2_per_count
            levels = journal.samples(run_id).values["irradiance_mw_cm2"]
            levels = levels[levels > 0.0]
            mean_mw_cm2 = (levels**2).sum() / levels.sum()
            assert count.sensitivity == pytest.approx(
                100.0 * slope / mean_mw_cm2 * (0.85 if law else 1.0), rel=1e-3
            )
            assert (run.end.device_dose_mj_cm2 is None) == bool(law)
            names = {c.name for c in run.channels.channels}
            assert names == set(journal.samples(run_id).values)

    in_simulated_time(work())
