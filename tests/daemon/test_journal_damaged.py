"""The journal's files are cut, replaced or taken away under the daemon: it is told, and goes on."""

from __future__ import annotations

import asyncio
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from daemon.daemon_shop import Bench, Daemon, config_for, in_simulated_time
from platelink.events.event import EventName
from platelink.record.journal import Journal
from platelink.record.lessons import lessons_in
from platelink.record.reader import JournalReader


def called(daemon: Daemon) -> list[str]:
    return [a["name"] for a in daemon.ask("status")["alarms"]["list"] if a["state"] != "normal"]


def _wal(path: Path) -> Path:
    return path.with_name(path.name + "-wal")


def emptied(path: Path) -> None:
    os.truncate(path, 0)


def cut(path: Path) -> None:
    os.truncate(path, path.stat().st_size // 2)


def both_emptied(path: Path) -> None:
    os.truncate(path, 0)
    os.truncate(_wal(path), 0)


def log_emptied(path: Path) -> None:
    os.truncate(_wal(path), 0)


def replaced(path: Path) -> None:
    other = path.with_name("other")
    other.write_bytes(path.read_bytes())
    other.replace(path)


def overwritten(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(b"\xff" * path.stat().st_size)


def taken_away(path: Path) -> None:
    path.rename(path.with_name("elsewhere"))


LOSSES = (emptied, cut, both_emptied, log_emptied, replaced, overwritten, taken_away)


@pytest.mark.parametrize("loss", LOSSES)
def test_it_is_noticed_and_a_run_goes_on_in_a_fresh_journal(
    tmp_path: Path, loss: Callable[[Path], None]
) -> None:
    path = tmp_path / "journal.sqlite"
    told: list[str] = []

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            daemon.shell.journal.checkpoint(quiet=True)  # in the file, not in its log alone
            first = daemon.shell.journal.reader.uuid
            bench.unit.mark()
            run_id = daemon.expose()
            await daemon.until_light()
            daemon.lines.clear()
            loss(path)
            daemon.ask("security", what="probe", text="just after the loss")
            await asyncio.sleep(2.0)
            assert "journal damaged" in called(daemon)
            assert daemon.shell.journal.reader.uuid != first
            daemon.ask("hold", reason="to be told while damaged")
            await daemon.until(lambda: daemon.state == "held")
            daemon.ask("restart", reason="", who="invented")
            await daemon.until_ended()
            await asyncio.sleep(1.0)
            told.extend(
                line["event"]["text"] for line in daemon.lines
                if "event" in line and not line.get("unrecorded")
            )  # fmt: skip
            true = bench.unit.true_dose_mj_cm2()
        with JournalReader.open(path) as journal:
            run = journal.run(run_id)
            assert run is not None and run.end is not None and run.end.state == "complete"
            assert run.end.dose_mj_cm2 == pytest.approx(true, rel=0.01)
            texts = {event.text for event in journal.events(run_id)}
            texts |= {event.text for event in journal.unit_events(limit=1000)}
            # Nothing was told as recorded that is not.
            assert "just after the loss" in told
            assert not [text for text in told if text not in texts]
            assert journal.faults() == []
            note = journal.newest_unit_event(EventName.JOURNAL_BEGUN_ANEW)
            assert note is not None and note.data["journal"] == first
            within = [e.name for e in journal.events(run_id)]
            assert within[0] == EventName.JOURNAL_BEGUN_ANEW

    in_simulated_time(work())
    if loss is not taken_away:
        assert (tmp_path / "journal.sqlite.damaged-1").exists()


@pytest.mark.parametrize("loss", [emptied, cut, overwritten, taken_away])
def test_an_idle_daemon_notices_too_and_begins_a_run(
    tmp_path: Path, loss: Callable[[Path], None]
) -> None:
    path = tmp_path / "journal.sqlite"

    async def work() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            daemon.ask("security", what="people entered", text="x", who="Ada")
            daemon.shell.journal.checkpoint(quiet=True)
            loss(path)
            await asyncio.sleep(2.0)
            assert "journal damaged" in called(daemon)
            run_id = daemon.expose()
            await daemon.until_ended()
        with JournalReader.open(path) as journal:
            assert journal.check(run_id).ok
            # What the old one remembered of people is not forgotten with it.
            assert journal.newest_unit_event(EventName.PEOPLE_ENTERED) is not None

    in_simulated_time(work())


@pytest.mark.parametrize("loss", [cut, overwritten, emptied, taken_away])
def test_at_the_start_too(tmp_path: Path, loss: Callable[[Path], None]) -> None:
    path = tmp_path / "journal.sqlite"

    async def before() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            daemon.expose()
            await daemon.until_ended()

    async def after() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            assert "journal damaged" in called(daemon)
            daemon.expose()
            await daemon.until_ended()

    async def once_more() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            assert daemon.ask("status")["journal"]["fault"] == ""
            alarms = {a["name"]: a["state"] for a in daemon.ask("status")["alarms"]["list"]}
            assert alarms == {
                "journal damaged": "returned, unacknowledged"
            }  # nobody has acknowledged it

    in_simulated_time(before())
    loss(path)
    in_simulated_time(after())
    in_simulated_time(once_more())


def test_nothing_is_noticed_where_nothing_is_wrong(tmp_path: Path) -> None:
    """Checkpoints, a log that begins anew and is cut to its limit, readers that come and go."""
    path = tmp_path / "journal.sqlite"
    with Journal.open(path, unit="u", new_uuid="0011223344556677") as journal:
        from record.make import T0

        for number in range(300):
            journal.keep({"a": "x" * 20_000, "n": number}, T0)
            journal.must_be_whole()
            if number % 50 == 0:
                journal.checkpoint(quiet=True)
                journal.must_be_whole()
                JournalReader.open(path).close()
                journal.must_be_whole()


def test_one_bad_byte_in_a_lesson_does_not_keep_the_unit_from_starting(tmp_path: Path) -> None:
    path = tmp_path / "journal.sqlite"

    async def work() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            for _ in range(2):
                daemon.expose()
                await daemon.until_ended()

    in_simulated_time(work())
    whole = path.read_bytes()
    text = b'{"format":1,"name":"learned"'
    assert whole.count(text) == 2
    path.write_bytes(whole.replace(text, b'{"format":1,"name":"learned\xff', 1))

    async def after() -> None:
        async with Daemon(config_for(tmp_path), Bench()) as daemon:
            await daemon.until_up()
            fault = daemon.ask("status")["journal"]["fault"]
            assert str(path) in fault and "--repair" in fault, fault
            assert len(lessons_in(daemon.shell.journal.reader)) == 1
            daemon.expose()
            await daemon.until_ended()

    in_simulated_time(after())


def test_another_configuration_is_told(tmp_path: Path) -> None:
    async def work() -> None:
        for more, told in (("", False), ("", False), ("[display]\ndose = 'J/cm2'\n", True)):
            async with Daemon(config_for(tmp_path, more), Bench()) as daemon:
                await daemon.until_up()
                event = daemon.shell.journal.reader.newest_unit_event(EventName.SECURITY)
                assert (event is not None) == told

    in_simulated_time(work())


def test_no_room_for_a_fresh_journal_loses_nothing(tmp_path: Path, monkeypatch) -> None:
    """It is tried again, and what waits is written once it succeeds."""
    path = tmp_path / "journal.sqlite"
    refused = []

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            run_id = daemon.expose()
            await daemon.until_light()
            first = daemon.shell.journal.reader.uuid
            ballast = daemon.shell.journal._ballast
            ensure = ballast.ensure

            def none_at_first() -> bool:
                refused.append(1)
                return len(refused) > 5 and ensure()

            ballast.ensure = none_at_first  # type: ignore[method-assign]
            emptied(path)
            await daemon.until_ended()
            await asyncio.sleep(2.0)
            assert len(refused) > 5
            assert {"journal damaged", "journal cannot write"} <= set(called(daemon))
        with JournalReader.open(path) as journal:
            run = journal.run(run_id)
            assert run is not None and run.end is not None and run.end.state == "complete"
            assert run.end.samples == len(journal.samples(run_id)) > 20
            note = journal.newest_unit_event(EventName.JOURNAL_BEGUN_ANEW)
            assert note is not None and note.data["journal"] == first
            assert note.data["aside"] == f"{path}.damaged-1"
        assert not (tmp_path / "journal.sqlite.damaged-2").exists()

    in_simulated_time(work())
