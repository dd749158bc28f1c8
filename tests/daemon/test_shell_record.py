"""The record in trouble: no new run begins, a running one is finished and recorded."""

from __future__ import annotations

import asyncio
import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from daemon.daemon_shop import UNIT, Bench, Daemon, config_for, in_simulated_time
from platelink.link.messages import Output
from platelink.record.errors import JournalFull, JournalInUse, JournalNewer, JournalReadOnly
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.runs import RunEvent
from platelink.unit.outputs import EventNoted

Trouble = Callable[[Journal, bool], None]


def full(journal: Journal, on: bool) -> None:
    """SQLite's own limit gives its own SQLITE_FULL."""
    used = journal._db.rows("PRAGMA page_count")[0][0]
    journal._db.rows(f"PRAGMA max_page_count = {used if on else used + 10_000}")
    if on:
        with pytest.raises(JournalFull):
            while True:  # use up the page that is begun
                at_utc = datetime(2026, 6, 1, tzinfo=UTC)
                journal.append(
                    RunEvent(id=journal.next_id(), run_id=None, unit=UNIT, at_utc=at_utc, name="x")
                )


def read_only(journal: Journal, on: bool) -> None:
    """As after a remount: the connection cannot write."""
    journal._db.rows(f"PRAGMA query_only = {'ON' if on else 'OFF'}")


class Locked:
    """Another program holds the file."""

    def __call__(self, journal: Journal, on: bool) -> None:
        if on:
            self._other = sqlite3.connect(journal.reader.path, isolation_level=None)
            self._other.execute("BEGIN IMMEDIATE")
        else:
            self._other.execute("ROLLBACK")
            self._other.close()


TROUBLES = [
    pytest.param(full, "no space", id="full"),
    pytest.param(read_only, "cannot be written", id="read-only"),
    pytest.param(Locked(), "locked by another", id="locked"),
]


@pytest.mark.parametrize(("trouble", "words"), TROUBLES)
def test_a_run_that_cannot_be_recorded_is_not_made(
    tmp_path: Path, trouble: Trouble, words: str
) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            trouble(daemon.shell.journal, True)
            bench.sent.clear()
            answer = daemon.ask("expose", job={"dose": "60 mJ/cm2"})
            assert not answer["ok"] and words in answer["error"], answer
            for _ in range(400):
                await asyncio.sleep(0.05)
                assert not bench.unit.lamp_on
                assert not bench.unit.board.outputs & 1 << Output.VACUUM
            assert bench.sent_to_act() == []
            assert daemon.shell.core.run_id is None
            assert [line for line in daemon.lines if "ended" in line] == []
            trouble(daemon.shell.journal, False)
            await asyncio.sleep(2.0)
            run_id = daemon.expose()
            await daemon.until_ended()
        with JournalReader.open(tmp_path / "journal.sqlite") as journal:
            assert [run.start.run_id for run in journal.runs()] == [run_id]
            found = journal.check(run_id)
            assert found is not None and found.ok, found

    in_simulated_time(work())


@pytest.mark.parametrize(("trouble", "words"), TROUBLES)
def test_a_running_run_is_finished_and_recorded_once_the_journal_takes_it(
    tmp_path: Path, trouble: Trouble, words: str
) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            bench.unit.mark()
            run_id = daemon.expose()
            await daemon.until_light()
            trouble(daemon.shell.journal, True)
            await daemon.until_ended()
            assert daemon.state == "complete"
            told = [line for line in daemon.lines if "event" in line or "ended" in line]
            first = next(i for i, line in enumerate(told) if line.get("unrecorded"))
            names = [line["event"]["name"] for line in told[:first]]
            assert "lamp on" in names and "lamp off" not in names
            assert all(line.get("unrecorded") for line in told[first:])
            assert "ended" in told[-1]
            status = daemon.ask("status")
            assert status["journal"]["pending"] > 5 and words in status["journal"]["fault"]
            refused = daemon.ask("expose", job={"dose": "60 mJ/cm2", "contact": False})
            assert not refused["ok"] and "wait to be written" in refused["error"]
            trouble(daemon.shell.journal, False)
            await daemon.until(lambda: not daemon.ask("status")["journal"]["pending"], 5.0)
            true = bench.unit.true_dose_mj_cm2()
        with JournalReader.open(tmp_path / "journal.sqlite") as journal:
            found = journal.check(run_id)
            assert found is not None and found.ok, found
            assert found.recorded_mj_cm2 == pytest.approx(true, rel=2e-3)

    in_simulated_time(work())


@pytest.mark.parametrize(("trouble", "words"), TROUBLES)
def test_no_light_is_ordered_while_entries_wait(
    tmp_path: Path, trouble: Trouble, words: str
) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            daemon.expose()
            trouble(daemon.shell.journal, True)
            await asyncio.sleep(20.0)
            assert daemon.ask("status")["exposure"]["waiting_for"] == ["record"]
            assert bench.unit.light_on_truth_s == 0.0
            trouble(daemon.shell.journal, False)
            bench.unit.mark()
            await daemon.until_ended()
            assert daemon.state == "complete"
            assert bench.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.01)

    in_simulated_time(work())


def test_an_order_whose_entry_waits_is_not_opened(tmp_path: Path) -> None:
    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            journal, write = daemon.shell.journal, daemon.shell.journaling.write

            def writes(outputs: Any, *, now: float) -> tuple[str, ...]:
                if any(isinstance(o, EventNoted) and o.name == "armed" for o in outputs):
                    read_only(journal, True)
                return write(outputs, now=now)

            daemon.shell.journaling.write = writes  # type: ignore[method-assign]
            daemon.expose()
            await daemon.until(lambda: daemon.state == "held", 30.0)
            assert "so the light stays off" in daemon.ask("status")["exposure"]["reason"]
            assert bench.unit.light_on_truth_s == 0.0
            daemon.shell.journaling.write = write  # type: ignore[method-assign]
            read_only(journal, False)
            await asyncio.sleep(2.0)
            bench.unit.mark()
            assert daemon.ask("restart")["ok"]
            await daemon.until_ended()
            assert bench.unit.true_dose_mj_cm2() == pytest.approx(60.0, rel=0.01)

    in_simulated_time(work())


def test_a_text_that_no_journal_can_hold_begins_nothing(tmp_path: Path) -> None:
    """JSON can name half of a surrogate pair; UTF-8 cannot."""

    async def work() -> None:
        bench = Bench()
        async with Daemon(config_for(tmp_path), bench) as daemon:
            await daemon.until_up()
            bench.sent.clear()
            answer = daemon.ask("expose", job={"dose": "60 mJ/cm2", "plate": "\ud800"})
            assert not answer["ok"], answer
            await asyncio.sleep(20.0)
            assert bench.unit.light_on_truth_s == 0.0
            assert bench.sent_to_act() == []
            daemon.expose()  # and the daemon is as good as before

    in_simulated_time(work())


def test_a_newer_a_locked_or_a_read_only_journal_starts_no_daemon(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)
        async with Daemon(config, bench):
            with pytest.raises(JournalInUse, match="one unit has one"):
                Daemon(config, bench)
        with sqlite3.connect(config.journal.path) as other:
            version = other.execute("PRAGMA user_version").fetchone()[0]
            other.execute("PRAGMA user_version = 999")
        other.close()
        with pytest.raises(JournalNewer, match="schema version 999"):
            Daemon(config, bench)
        with sqlite3.connect(config.journal.path) as other:
            other.execute(f"PRAGMA user_version = {version}")
        other.close()
        async with Daemon(config, bench):  # nothing was left locked behind
            pass

    in_simulated_time(work())


def test_a_path_that_cannot_be_written_starts_no_daemon(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")

    async def work() -> None:
        with pytest.raises(JournalReadOnly, match="cannot write in"):
            Daemon(config_for(tmp_path / "file"), Bench())

    in_simulated_time(work())
