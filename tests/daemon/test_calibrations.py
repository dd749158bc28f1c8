"""Approved calibrations in a whole daemon: taken up, named in the record, past due, unfit."""

import asyncio
import json
from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from calibrations.make import DUE, PLAN, SLOPE, TODAY, by, read
from click.testing import CliRunner

from daemon.daemon_shop import FADED, Bench, Daemon, config_for, in_simulated_time
from platelink.calibrations.made import Plan
from platelink.calibrations.store import CalibrationStore
from platelink.cli import main
from platelink.config.model import Config
from platelink.contract.uncertainty import uncertainty_in
from platelink.daemon.calibrated import notices, settings_of
from platelink.sensing.calibration import Counts, Level
from platesim.sensors import Converter

GOOD = {"dose": "20 mJ/cm2", "contact": False}


def plan_for(config: Config, sensor: str = "light 0") -> Plan:
    return replace(PLAN, settings=settings_of(config, sensor))


def approve(config: Config, slope: float = SLOPE, plan: Plan | None = None) -> str:
    with CalibrationStore.open(config.calibrations_path()) as store:
        name = read(store, "light 0", plan or plan_for(config), slope).name
        store.finish(name, DUE, by(), today=TODAY)
        store.approve(name, by("compared", who="B. Example"))
    return name


def channel(daemon: Daemon, run_id: str) -> dict[str, Any]:
    found: dict[str, Any] = daemon.shell.journal.reader.run(run_id).start.conditions
    return found


def test_what_is_approved_before_the_start_is_what_it_reads_with(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path)
        approve(config)
        async with Daemon(config, Bench()) as daemon:
            await daemon.until_up()
            sensors = daemon.shell.core.converter.light.channels[0]
            assert sensors.slope_mw_cm2_per_count == pytest.approx(SLOPE, rel=1e-3)
            run_id = daemon.expose()
            conditions = channel(daemon, run_id)
            (used,) = conditions["light"]["channels"]
            assert used["slope_mw_cm2_per_count"] == sensors.slope_mw_cm2_per_count
            assert used["due_on"] == "2027-03-01"
            assert used["rel_uncertainty"] == pytest.approx(0.035, rel=0.05)
            light, vacuum, oven, head = conditions["calibrations"]
            assert light["calibration"] == "light 0@1" and light["certificate"] == "EX-117"
            assert light["approved_by"] == "B. Example"
            assert (vacuum["sensor"], vacuum["calibration"]) == ("vacuum", "as configured")
            assert [oven["sensor"], head["sensor"]] == ["oven", "head"]
            daemon.ask("abort")

    in_simulated_time(work())


def test_what_is_approved_meanwhile_is_taken_up_after_the_run(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path)
        async with Daemon(config, Bench()) as daemon:
            await daemon.until_up()
            converter = daemon.shell.core.converter
            before = converter.light.channels[0].slope_mw_cm2_per_count
            first = daemon.expose()
            assert channel(daemon, first)["calibrations"][0]["calibration"] == "as configured"
            await daemon.until_light(1.0)
            approve(config, slope=1.2 * SLOPE)
            assert daemon.ask("calibrations")["ok"]
            await asyncio.sleep(0.5)
            now = converter.light.channels[0].slope_mw_cm2_per_count
            assert now == before  # not in the midst of an exposure
            await daemon.until_ended()
            await asyncio.sleep(0.5)
            after = daemon.shell.core.converter.light.channels[0].slope_mw_cm2_per_count
            assert after == pytest.approx(1.2 * SLOPE, rel=1e-3)
            second = daemon.expose()
            assert channel(daemon, second)["calibrations"][0]["calibration"] == "light 0@1"
            assert (
                channel(daemon, second)["light"]["channels"][0]["slope_mw_cm2_per_count"] == after
            )
            daemon.ask("abort")
            with CalibrationStore.open(config.calibrations_path()) as store:
                store.drop("light 0@1", by("wrong meter"))
            daemon.ask("calibrations")
            await asyncio.sleep(0.5)
            assert converter.light.channels[0].slope_mw_cm2_per_count == before

    in_simulated_time(work())


def test_the_dose_is_of_the_size_that_the_calibration_says(tmp_path: Path) -> None:
    """True light of a unit whose sensor gives other counts than the file believes."""

    async def work() -> None:
        config, bench = config_for(tmp_path), Bench()
        true_slope = config.light.channel[0].slope_mw_cm2_per_count
        wrong = config.light.channel[0].model_copy(
            update={"slope_mw_cm2_per_count": 1.3 * true_slope}
        )
        light = config.light.model_copy(update={"channel": (wrong,)})
        config = config.model_copy(update={"light": light})
        approve(config, slope=true_slope)
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            bench.unit.mark()
            run_id = daemon.expose(dose="60 mJ/cm2")
            await daemon.until_ended()
            end = daemon.shell.journal.reader.run(run_id).end
            assert end is not None
            stated = uncertainty_in(end.data)
            assert stated is not None
            of = {line.name: line for line in stated.lines}
            for name in ("reference", "fit", "non-linearity"):
                assert of[name].source == "calibration", name
            assert of["reference"].value == pytest.approx(3.5)  # U of 7 %, k = 2
            assert of["fit"].dof is not None and of["fit"].value < 1.0
            assert not {"reference", "fit", "non-linearity"} & set(stated.assumed)
        assert bench.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.01)

    in_simulated_time(work())


def test_past_its_date_it_warns_and_then_blocks(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path, "[calibration]\ngrace_days = 14\n")
        approve(config)
        days = [DUE]
        async with Daemon(config, Bench(), today=lambda: days[-1]) as daemon:
            await daemon.until_up()

            async def alarms() -> list[str]:
                await asyncio.sleep(2.5)
                return [a["name"] for a in daemon.ask("status")["alarms"]["list"]]

            assert "calibration overdue" not in await alarms()
            days.append(date(2027, 3, 15))  # 14 days over: warned, and it goes on
            assert "calibration overdue" in await alarms()
            daemon.expose()
            daemon.ask("abort")
            days.append(date(2027, 3, 16))
            refused = daemon.ask("expose", job=dict(GOOD))["error"]
            assert "calibration light 0@1 was due on 2027-03-01, 15 days ago" in refused
            daemon.expose(accept_overdue=True)
            daemon.ask("abort")

    in_simulated_time(work())


def test_a_calibration_of_other_settings_is_not_used_and_blocks(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path)
        other = replace(PLAN, settings=settings_of(config, "light 0") | {"adc_bits": 12})
        approve(config, plan=other)
        async with Daemon(config, Bench()) as daemon:
            await daemon.until_up()
            refused = daemon.ask("expose", job=dict(GOOD))["error"]
            assert "light 0@1 was made with other settings of light 0 (adc_bits)" in refused
            slope = daemon.shell.core.converter.light.channels[0].slope_mw_cm2_per_count
            assert slope == config.light.channel[0].slope_mw_cm2_per_count

    in_simulated_time(work())


def test_a_store_that_cannot_be_read_blocks(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path)
        config.calibrations_path().write_bytes(b"not a database at all" * 100)
        async with Daemon(config, Bench()) as daemon:
            await daemon.until_up()
            refused = daemon.ask("expose", job=dict(GOOD))["error"]
            assert "calibrations cannot be read" in refused and "calibrations.sqlite" in refused

    in_simulated_time(work())


def test_counts_over_the_wire(tmp_path: Path) -> None:
    async def work() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            assert "no link" in daemon.ask("counts", sensor="light 0")["text"]
            await daemon.until_up()
            for _ in range(40):
                now = daemon.ask("counts", sensor="light 0")
                await asyncio.sleep(0.5)
            assert (
                now["ok"]
                and now["settled"]
                and now["counts"]["mean"] == pytest.approx(18.4, abs=0.2)
            )
            wrong = daemon.ask("counts", sensor="door")
            assert not wrong["ok"] and "there are: light 0" in wrong["error"]

    in_simulated_time(work())


def test_what_wants_attention_is_of_what_holds(tmp_path: Path) -> None:
    config = config_for(tmp_path, "[calibration]\nwarn_days = 20\n")
    late = date(2126, 2, 1)  # past the configuration's own date
    (old,) = notices(config, late)
    assert old.key == "light.channel[0].due_on"
    approve(config)
    assert notices(config, date(2027, 2, 8)) == ()
    (soon,) = notices(config, date(2027, 2, 9))
    assert soon.text == "calibration light 0@1 is due on 2027-03-01, in 20 days"
    assert "in 0 days" in notices(config, DUE)[0].text
    (over,) = notices(config, late)
    assert "was due on 2027-03-01" in over.text
    config.calibrations_path().write_bytes(b"not a database at all" * 100)
    assert any("cannot be read" in n.text for n in notices(config, TODAY))


def test_a_unit_whose_sensor_nobody_knows_is_calibrated_and_then_gives_the_dose(
    tmp_path: Path,
) -> None:
    """From the device's own counts, level by level, through a converter that bends by half a
    count; the file believes in a sensor of 10 % more gain."""
    light = replace(FADED.plant.sensors.light[0], gain=0.9)
    sensors = replace(
        FADED.plant.sensors, light=(light,), converter=Converter(bow_lsb=0.5, bandgap_v=1.09)
    )
    unit = replace(FADED, plant=replace(FADED.plant, sensors=sensors))

    async def settled(daemon: Daemon) -> Counts:
        now: dict[str, Any] = {}
        for _ in range(400):
            now = daemon.ask("counts", sensor="light 0")
            if now["settled"]:
                return Counts(**now["counts"])
            await asyncio.sleep(0.5)
        raise AssertionError(now)

    async def work() -> None:
        config, bench = config_for(tmp_path), Bench(unit)
        plan = plan_for(config)
        plan = replace(
            plan, temp_coeff_per_c=config.light.channel[0].temp_coeff_per_c,
            reference_temp_c=config.light.channel[0].reference_temp_c,
        )  # fmt: skip
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            with CalibrationStore.open(config.calibrations_path()) as store:
                name = store.begin("light 0", plan, by()).name
                store.dark(name, await settled(daemon), by())
                for e in (3.0, 5.5, 8.0, 10.5):
                    bench.unit.plant.changed()
                    bench.unit.plant.stray_mw_cm2 = e
                    await asyncio.sleep(1.0)
                    counts = await settled(daemon)
                    assert counts.supply_v == pytest.approx(5.0 * 1.1 / 1.09, rel=2e-3)
                    store.level(name, Level(reference=e, x=counts.mean, counts=counts), by())
                bench.unit.plant.changed()
                bench.unit.plant.stray_mw_cm2 = 0.0
                line = store.finish(name, DUE, by(), today=TODAY).line
                assert line is not None
                assert line.gain == pytest.approx(1.0 / light.counts_per_mw_cm2, rel=3e-3)
                store.approve(name, by("compared", who="B. Example"))
            daemon.ask("calibrations")
            await asyncio.sleep(3.0)
            bench.unit.mark()
            daemon.expose(dose="60 mJ/cm2")
            await daemon.until_ended()
            assert daemon.state == "complete"
        assert bench.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.006)

    in_simulated_time(work())


def test_two_approvals_in_a_row_are_both_taken_up(tmp_path: Path) -> None:
    async def work() -> None:
        config = config_for(tmp_path)
        async with Daemon(config, Bench()) as daemon:
            await daemon.until_up()
            daemon.expose()
            approve(config, slope=1.2 * SLOPE)
            daemon.ask("calibrations")
            daemon.ask("calibrations")  # told again before the first was taken up
            daemon.ask("abort")
            await daemon.until_ended()
            await asyncio.sleep(0.5)
            slope = daemon.shell.core.converter.light.channels[0].slope_mw_cm2_per_count
            assert slope == pytest.approx(1.2 * SLOPE, rel=1e-3)

    in_simulated_time(work())


@pytest.mark.parametrize("restart", [False, True])
def test_lessons_in_another_measure_of_light_are_dropped(tmp_path: Path, restart: bool) -> None:
    """Else good lamps would be called wrong, and every exposure held."""

    async def expose(daemon: Daemon) -> None:
        daemon.expose(dose="60 mJ/cm2")
        await daemon.until_ended()
        assert daemon.state == "complete"

    async def work() -> None:
        config, bench = config_for(tmp_path), Bench()
        true_slope = config.light.channel[0].slope_mw_cm2_per_count
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            for _ in range(6):
                await expose(daemon)
            assert daemon.shell.core.bed.lessons.in_force.irradiance_mw_cm2 is not None
            approve(config, slope=true_slope * 1.25)
            if not restart:
                daemon.ask("calibrations")
                await asyncio.sleep(0.5)
                (dropped,) = daemon.events("lessons dropped")
                assert "the same counts mean +25.0%" in dropped["data"]["why"]
                await expose(daemon)
        if not restart:
            return
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            assert len(daemon.events("lessons dropped")) == 1
            await expose(daemon)
        async with Daemon(config, bench) as daemon:  # once, and not again
            await daemon.until_up()
            assert daemon.events("lessons dropped") == []
            assert daemon.shell.core.bed.lessons.in_force.irradiance_mw_cm2 is not None

    in_simulated_time(work())


def test_a_small_change_keeps_what_lamps_taught(tmp_path: Path) -> None:
    async def work() -> None:
        config, bench = config_for(tmp_path), Bench()
        true_slope = config.light.channel[0].slope_mw_cm2_per_count
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            daemon.expose(dose="60 mJ/cm2")
            await daemon.until_ended()
            approve(config, slope=true_slope * 1.01)
            daemon.ask("calibrations")
            await asyncio.sleep(0.5)
            assert daemon.events("lessons dropped") == []

    in_simulated_time(work())


def test_what_runs_record_of_their_calibration_keeps_its_change_from_the_lamps(
    tmp_path: Path,
) -> None:
    async def work() -> None:
        config, bench = config_for(tmp_path), Bench()
        true_slope = config.light.channel[0].slope_mw_cm2_per_count
        async with Daemon(config, bench) as daemon:
            await daemon.until_up()
            for _ in range(2):
                daemon.expose(dose="60 mJ/cm2")
                await daemon.until_ended()
                if not config.calibrations_path().exists():
                    approve(config, slope=true_slope * 1.08)
                    daemon.ask("calibrations")
                    await asyncio.sleep(0.5)

    in_simulated_time(work())
    journal = tmp_path / "journal.sqlite"
    shown = CliRunner().invoke(main, ["lamps", "show", "--journal", str(journal)])
    assert shown.exit_code == 0, shown.output
    said = " ".join(shown.output.split())
    assert "light 0 calibrated (light 0@1, made on 2026-03-02; routine)" in said
    assert "earlier levels are rescaled by +8.0 %" in said
    told = CliRunner().invoke(main, ["lamps", "show", "--journal", str(journal), "--json"])
    (channel_now,) = json.loads(told.output)["channels"]
    assert abs(channel_now["change_pct"]) < 4.0
    journal.with_name("calibrations.sqlite").unlink()
    blind = CliRunner().invoke(main, ["lamps", "show", "--journal", str(journal)])
    said = " ".join(blind.output.split())
    assert "cause not known" in said and "earlier levels are on another scale" in said
    assert "whether the lamps changed that day is not known" in said
