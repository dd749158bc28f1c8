"""Slots, which samples carry in a store instead of the name of their run: few, and no two runs of
one slot share times, whatever the computer's clock is set to."""

from __future__ import annotations

import asyncio
from collections import Counter
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from record import make

from daemon.daemon_shop import JOB, Bench, Daemon, config_for, in_simulated_time
from platelink.daemon.journaling import Journaling
from platelink.publish.intake import Accepted, judge
from platelink.publish.recorder_journal import RecorderJournal
from platelink.publish.topics import Topics
from platelink.record.reader import JournalReader
from platelink.record.slots import SNAPSHOT
from platelink.record.writer import JournalWriter
from platelink.runs import SLOTS, AnyEntry, RunSamples, RunStart
from platelink.simulated.virtual import DATE_MS
from platelink.unit.outputs import RunBegun, RunClosed, RunSampled


def entries_of(path: Path) -> list[AnyEntry]:
    with JournalReader.open(path) as reader:
        return [row.entry for row in reader.outbox_after(0, 100_000)]


def slots_of(entries: list[AnyEntry]) -> list[int | None]:
    return [entry.slot for entry in entries if isinstance(entry, RunStart)]


def test_a_clock_that_is_set_back_moves_on_to_another_slot(tmp_path: Path) -> None:
    async def work() -> None:
        bench, config = Bench(), config_for(tmp_path)

        async def exposed(daemon: Daemon) -> None:
            await daemon.until_up()
            await daemon.until(lambda: daemon.ask("expose", job=JOB)["ok"])
            await daemon.until_ended()

        async with Daemon(config, bench) as daemon:
            await exposed(daemon)
            daemon.clock.set_ms = -60_000
            await exposed(daemon)  # it begins before the first one ended
        async with Daemon(config, bench) as daemon:  # the past is known in a new process too
            daemon.clock.set_ms = -120_000
            await exposed(daemon)
            daemon.expose()
            await daemon.until_light()
            await daemon.kill()  # its newest sample is all that is known of its end
        daemon = Daemon(config, bench)
        daemon.clock.set_ms = -125_000
        async with daemon:
            await exposed(daemon)
            daemon.clock.set_ms = 300_000
            await asyncio.sleep(1.0)
            await exposed(daemon)

    in_simulated_time(work())
    entries = entries_of(tmp_path / "journal.sqlite")
    slots = slots_of(entries)
    assert slots[:3] == [0, 1, 2] and slots[-1] == 0, slots
    assert store_takes(entries, tmp_path / "recorder.db") == set(slots)


def store_takes(entries: list[AnyEntry], path: Path) -> set[int]:
    """Slots of the lines that a recorder makes of them, each sample with its own time."""
    topics = Topics("invented-shop", entries[0].unit)
    batch = [
        judge(topics.of(e), e.model_dump_json().encode(), utc_ms=DATE_MS + 10**9) for e in entries
    ]
    assert all(isinstance(one, Accepted) for one in batch)
    with closing(RecorderJournal(path)) as journal:
        rows = journal.commit(batch, utc_ms=DATE_MS + 10**9)
        lines = [one for one in journal.lines_of(rows).split("\n") if one.startswith("platelink,")]
    found = Counter((line.split(" ")[0], line.split(" ")[-1]) for line in lines)
    wanted = {at for e in entries if isinstance(e, RunSamples) for at in e.at_utc_ms}
    assert max(found.values()) == 1 and {int(at) for _, at in found} == wanted
    assert not any("run=" in series for series, _ in found)
    return {int(series.partition("slot=")[2].partition(",")[0]) for series, _ in found}


def begun(run_id: str, kind: Any, at_s: float = 0.0) -> RunBegun:
    return RunBegun(
        run_id=run_id, at_utc_ms=DATE_MS + round(1000 * at_s), kind=kind, step="dry", operator=None,
        plate=None, request={"kind": kind}, conditions={}, channels=(),
    )  # fmt: skip


def over(run_id: str, at_s: float) -> RunClosed:
    return RunClosed(run_id, DATE_MS + round(1000 * at_s), "complete", "done", {})  # type: ignore[arg-type]


def sampled(run_id: str, at_s: float) -> RunSampled:
    block = make.block(5)
    block.at_utc_ms[:] = DATE_MS + round(1000 * at_s) + 50 * (block.ticks - block.ticks[0]) // 50
    return RunSampled(run_id, block)


def test_bakes_have_the_lowest_slot_that_no_open_run_has(tmp_path: Path) -> None:
    with make.journal_at(tmp_path / "j.sqlite") as journal:
        journaling = Journaling(JournalWriter(journal), make.UNIT)

        def write(*outputs: Any) -> None:
            journaling.write(outputs, now=0.0)

        write(begun("plate", "plate"), begun("a", "bake"), begun("b", "bake"))  # in one commit
        write(begun("light", "expose"))
        write(sampled("a", 10.0), over("a", 11.0))
        write(begun("c", "bake", 12.0))
        write(sampled("c", 100.0), over("c", 101.0))
        write(begun("d", "bake", 100.5))  # its first sample may be older
        write(begun("e", "bake", 102.0))
        entries = [row.entry for row in journal.reader.outbox_after(0, 100)]
    assert slots_of(entries) == [0, 1, 2, 0, 1, 3, 1]


@pytest.mark.parametrize("kept", ['"x"', "[]", '{"a": 1}', '{"0": "later"}', '{"0": null}', "{"])
def test_kept_state_that_cannot_be_read_keeps_no_run_from_beginning(tmp_path, kept) -> None:
    with make.journal_at(tmp_path / "j.sqlite") as journal:
        journal.keep_texts({SNAPSHOT: kept}, make.T0)
        assert journal.free_slot("expose", DATE_MS, ()) == 0
        journal.append(make.start(journal, slot=0))
        journal.append_samples("r1", make.block(), make.T0)
        journal.end_run("r1", make.T0, "complete", "dose reached")
        newest = int(make.block().at_utc_ms[-1])
        assert journal.free_slot("expose", newest + 999, ()) == 1
        assert journal.free_slot("expose", newest + 1001, ()) == 0


def test_without_a_free_slot_a_run_keeps_its_name(tmp_path: Path) -> None:
    with make.journal_at(tmp_path / "j.sqlite") as journal:
        assert journal.free_slot("bake", DATE_MS, range(1, SLOTS)) is None
