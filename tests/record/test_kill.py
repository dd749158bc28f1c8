"""kill -9 at any moment: every acknowledged entry is there, numbers have no holes.

Bound checked here, the one the documentation states: samples not yet appended (one block, at most
the last second) may be gone; an event or the end of a run, once ``append`` returned, never is.
"""

import contextlib
import multiprocessing
import os
import random
import signal
import sys
import time
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

import pytest

from platelink.record.journal import Journal
from platelink.record.packing import Packer
from platelink.record.writer import JournalWriter
from platelink.runs import RunEvent, RunSamples
from record.make import block, channels, event, journal_at, later, same, start

KILLS = 24
LONGEST_S = 0.005
"""The child goes on by itself for so long, some tens of entries."""
BLOCK = 20
"""Samples a block: one second."""
PLATES = ("P-1", "P-2")


def tell_runs(path: Path, acknowledge: Connection) -> None:
    """Child: runs, one after the other, until killed. Each entry is acknowledged after its append
    as (number, samples of the run so far)."""
    acknowledge.send((0, 0))  # the clock of the kill starts here
    journal = journal_at(path)
    for found in journal.reader.open_runs():
        end = journal.end_run(found.start.run_id, later(0), "interrupted", "found open")
        acknowledge.send((journal.reader.number_of(end.id), found.samples))
    while True:
        run_id = journal.next_id()
        journal.append(start(journal, run_id))
        acknowledge.send((journal.reader.last_number(), 0))
        journal.append(channels(journal, run_id))
        acknowledge.send((journal.reader.last_number(), 0))
        for second in range(12):
            journal.append_samples(run_id, block(BLOCK, first=BLOCK * second), later(second))
            acknowledge.send((journal.reader.last_number(), BLOCK * (second + 1)))
            journal.append(event(journal, run_id, name=f"event {second}", ticks=second))
            acknowledge.send((journal.reader.last_number(), BLOCK * (second + 1)))
            if second % 4 == 3:
                journal.checkpoint(quiet=second % 8 == 3)
        journal.end_run(run_id, later(12), "complete", "dose reached")
        acknowledge.send((journal.reader.last_number(), 12 * BLOCK))
        Packer(journal.beside).step()


def tell_states(path: Path, acknowledge: Connection) -> None:
    """Child: the moves of two plates, each with the state that follows from it in one commit, and
    state alone. Acknowledged as (number of the newest entry, value of the state alone)."""
    acknowledge.send((0, 0))
    journal = journal_at(path)
    writer = JournalWriter(journal)
    snapshots = {name: one.value for name, one in journal.reader.snapshots().items()}
    moves = {plate: int(snapshots.get(plate, {}).get("moves", 0)) for plate in PLATES}
    for plate in PLATES[len(journal.reader.open_runs()) :]:
        writer.append(start(journal, plate, request={"kind": "plate"}), now=0.0)
    alone = int(snapshots.get("alone", 0))
    while True:
        for plate in PLATES:
            moves[plate] += 1
            with writer.together(now=0.0):
                for half in ("left", "entered"):
                    name = f"{half} {moves[plate]}"
                    writer.append(event(writer, plate, name=name), now=0.0)
                state = {plate: {"moves": moves[plate], "more": "x" * 900}}
                writer.keep(state, at_utc=later(0), now=0.0)
            acknowledge.send((journal.reader.last_number(), alone))
        alone += 1
        writer.keep({"alone": alone, "twin": alone}, at_utc=later(0), now=0.0)
        acknowledge.send((journal.reader.last_number(), alone))
        if alone % 8 == 0:
            journal.checkpoint(quiet=alone % 16 == 0)


def run_and_kill(
    path: Path,
    entries: int,
    then_s: float,
    tell: Callable[[Path, Connection], None] = tell_runs,
) -> tuple[int, int]:
    """Let a child write so many entries and a moment longer, kill it; what it acknowledged last."""
    context = multiprocessing.get_context("forkserver")
    receive, send = context.Pipe(duplex=False)
    child = context.Process(target=tell, args=(path, send), daemon=True)
    child.start()
    send.close()
    last = receive.recv()
    for _ in range(entries):
        last = receive.recv()
    receive_until = time.monotonic() + then_s
    while time.monotonic() < receive_until:
        if receive.poll(max(0.0, receive_until - time.monotonic())):
            last = receive.recv()
    child.kill()
    with contextlib.suppress(EOFError):  # what it had said before it died counts
        while True:
            last = receive.recv()
    child.join()
    receive.close()
    assert child.exitcode == -signal.SIGKILL
    return last


def check_whole(journal: Journal, number: int, samples: int) -> int:
    """Every entry up to the acknowledged number, samples as they were made; entries seen."""
    rows = journal.reader.outbox_after(0, 1_000_000)
    assert [row.number for row in rows] == list(range(1, len(rows) + 1))
    assert len(rows) >= number
    seconds: dict[str, int] = {}
    for row in rows:
        entry = row.entry
        if isinstance(entry, RunEvent):
            assert entry.run_id is not None
            seconds[entry.run_id] = seconds.get(entry.run_id, 0) + 1
            assert entry.name == f"event {seconds[entry.run_id] - 1}"
        if isinstance(entry, RunSamples) and row.number == number:
            assert entry.first_sample + len(entry.ticks) == samples
    for run in journal.reader.open_runs():
        stored = journal.reader.samples(run.start.run_id)
        # Block and event of one second follow each other: at most one block is without its event.
        assert BLOCK * run.events <= len(stored) <= BLOCK * (run.events + 1)
        assert len(stored) == 0 or same(stored, block(len(stored)))
    assert journal.reader.faults() == []
    return len(rows)


@pytest.fixture(autouse=True)
def preloaded(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the fork server find and load these modules once, not each child."""
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join(sys.path))
    multiprocessing.get_context("forkserver").set_forkserver_preload(["record.test_kill"])


def test_killed_while_writing(tmp_path: Path) -> None:
    rng = random.Random(20260302)
    path = tmp_path / "journal.db"
    seen = 0
    for _ in range(KILLS):
        number, samples = run_and_kill(path, rng.randrange(60), rng.uniform(0.0, LONGEST_S))
        if not path.exists():
            assert number == 0
            continue
        with journal_at(path) as journal:
            entries = check_whole(journal, number, samples)
            assert entries >= seen  # nothing of earlier rounds is gone
            seen = entries
    assert seen > 10 * KILLS  # it was really killed in mid-work


def test_killed_while_making_the_file(tmp_path: Path) -> None:
    rng = random.Random(7)
    for attempt in range(12):
        path = tmp_path / f"{attempt}.db"
        number, samples = run_and_kill(path, 0, rng.uniform(0.0, 0.01))
        with journal_at(path) as journal:
            check_whole(journal, number, samples)


def test_killed_while_keeping_state(tmp_path: Path) -> None:
    rng = random.Random(20260303)
    path = tmp_path / "journal.db"
    told = 0
    for _ in range(KILLS):
        number, alone = run_and_kill(
            path, rng.randrange(60), rng.uniform(0.0, LONGEST_S), tell_states
        )
        if not path.exists():
            assert number == 0
            continue
        with journal_at(path) as journal:
            assert journal.reader.last_number() >= number
            snapshots = {name: one.value for name, one in journal.reader.snapshots().items()}
            for run in journal.reader.open_runs():
                plate = run.start.run_id
                moves = snapshots[plate]["moves"] if plate in snapshots else 0
                # One commit: the state tells of just the events that are there.
                assert [e.name for e in journal.reader.events(plate)] == [
                    f"{half} {n}" for n in range(1, moves + 1) for half in ("left", "entered")
                ]
                told = max(told, moves)
            assert snapshots.get("alone", 0) >= alone
            assert snapshots.get("alone") == snapshots.get("twin")
            assert journal.reader.faults() == []
    assert told > 5 * KILLS
