"""A full disk: the run that is open comes to its end, no new one begins, nothing is lost."""

import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from small_disks import fill, mounted

from platelink.ledger.database import Database
from platelink.ledger.kind import Kind
from platelink.people.schema import PEOPLE
from platelink.recipe.schema import RECIPES
from platelink.record.errors import JournalFull, JournalLocked, JournalRefused, JournalUnavailable
from platelink.record.journal import Journal
from platelink.record.writer import RETRY_S, JournalWriter, WriterStatus
from record.make import T0, block, channels, event, journal_at, later, same, start


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    """A file system of 2 MiB."""
    with mounted(tmp_path, 2, lazily=False) as place:
        yield place


def fill_until_full(journal: Journal, run_id: str | None = None) -> int:
    """Small events until the journal refuses one; how many were taken."""
    for taken in range(5000):
        try:
            journal.append(event(journal, run_id))
        except JournalFull:
            return taken
    raise AssertionError("the disk has no end")


def test_open_run_ends_on_a_full_disk(small_disk: Path) -> None:
    ballast = small_disk / "journal.db.ballast"
    with journal_at(small_disk / "journal.db", ballast_bytes=512 << 10) as journal:
        journal.append(start(journal))
        journal.append(channels(journal))
        assert ballast.stat().st_size == 512 << 10
        filler = fill(small_disk)
        for second in range(20):
            journal.append_samples("r1", block(20, first=20 * second), later(second))
            journal.append(event(journal))
        end = journal.end_run("r1", later(20), "complete", "dose reached")
        assert (end.samples, end.events) == (400, 20)
        assert ballast.stat().st_size == 64 << 10  # for the next start

        fill(small_disk)  # the second time, over the rest of the ballast
        taken = fill_until_full(journal)
        number = journal.reader.last_number()
        with pytest.raises(JournalFull, match=r"no run can begin: less than 0\.5 MB free"):
            journal.append(start(journal, "r2"))
        with pytest.raises(JournalFull, match="free disk space, nothing recorded is lost"):
            journal.append(event(journal, None))
        assert journal.reader.last_number() == number == 2 + 40 + 1 + taken

        filler.unlink()
        assert journal.ensure_ballast()
        journal.checkpoint(quiet=True)
        journal.append(start(journal, "r2"))
        assert same(journal.reader.samples("r1"), block(400))
        assert journal.reader.faults() == []


def test_journal_opens_on_a_full_disk(small_disk: Path) -> None:
    path = small_disk / "journal.db"
    with journal_at(path, ballast_bytes=64 << 10) as journal:
        journal.append(start(journal))
        journal.append(channels(journal))
    path.with_name("journal.db.ballast").unlink()
    path.with_name("journal.db.lock").unlink()
    filler = fill(small_disk)
    try:
        journal = journal_at(path, ballast_bytes=64 << 10)
    except JournalFull as error:
        assert "free disk space" in str(error)
        filler.unlink()
        journal = journal_at(path, ballast_bytes=64 << 10)
    filler.unlink(missing_ok=True)
    assert [run.start.run_id for run in journal.reader.open_runs()] == ["r1"]
    journal.end_run("r1", T0, "interrupted", "found open")
    journal.close()


@pytest.mark.parametrize("killed", [True, False])
def test_ballast_opens_the_journal_again_and_again(small_disk: Path, killed: bool) -> None:
    """Others take whatever a start has given up, as soon as it is free."""
    path = small_disk / "journal.db"
    code = "import os, sys; from record.make import journal_at; from pathlib import Path\n"
    code += "journal = journal_at(Path(sys.argv[1]), ballast_bytes=1 << 20)\n"
    code += "os._exit(0)" if killed else "journal.close()"
    for _ in range(6):
        subprocess.run(
            [sys.executable, "-c", code, path], check=True, cwd=Path(__file__).parents[1]
        )
        fill(small_disk)
    with journal_at(path, ballast_bytes=1 << 20) as journal:
        with pytest.raises(JournalFull, match=r"no run can begin|no space left"):
            journal.append(start(journal))
        with pytest.raises(JournalFull):
            fill_until_full(journal)
            journal.append(event(journal, None))
        journal.spend_ballast()
        journal.append(event(journal, None))  # what waits at the end of the daemon


@pytest.mark.parametrize("kind", [RECIPES, PEOPLE], ids=lambda kind: kind.name)
def test_people_and_recipes_open_on_a_full_disk(small_disk: Path, kind: Kind) -> None:
    path = small_disk / "file.db"
    Database(path, kind, read_only=False).close()
    fill(small_disk)
    with closing(Database(path, kind, read_only=False)) as database:
        assert database.rows("SELECT count(*) FROM sqlite_master")[0][0] > 0


def test_ballast_is_all_there_or_what_it_was(small_disk: Path) -> None:
    path = small_disk / "journal.db.ballast"
    with journal_at(small_disk / "journal.db", ballast_bytes=4 << 20) as journal:
        assert not journal.ensure_ballast()
        assert not path.exists()
        path.write_bytes(b"\0" * 5000)
        assert not journal.ensure_ballast()
        assert path.stat().st_size == 5000
        with pytest.raises(JournalFull, match=r"less than 4\.2 MB free"):
            journal.append(start(journal))
        journal.append(event(journal, None))


class CappedJournal(Journal):
    """A journal whose file may not grow; SQLite's own limit gives its own SQLITE_FULL."""

    def cap(self, pages: int) -> None:
        used = self._db.rows("PRAGMA page_count")[0][0]
        self._db.rows(f"PRAGMA max_page_count = {used + pages}")


@pytest.fixture
def capped(tmp_path: Path) -> Iterator[CappedJournal]:
    path = tmp_path / "journal.db"
    with CappedJournal.open(path, unit="unit-1", new_uuid="u", ballast_bytes=1 << 16) as journal:
        yield journal


def test_full_file_loses_nothing(capped: CappedJournal) -> None:
    capped.append(start(capped))
    capped.append(channels(capped))
    capped.cap(4)
    snapshots = 0
    with pytest.raises(JournalFull):
        for snapshots in range(100):
            capped.append_samples("r1", block(20, first=20 * snapshots), later(snapshots))
    assert 0 < snapshots < 99
    waiting = capped.next_id()
    assert waiting == capped.reader.id_of(3 + snapshots)
    for _ in range(3):
        with pytest.raises(JournalFull):
            capped.append_samples("r1", block(20, first=20 * snapshots), later(snapshots))
        assert capped.next_id() == waiting
    assert same(capped.reader.samples("r1"), block(20 * snapshots))
    capped.cap(100)
    capped.append_samples("r1", block(20, first=20 * snapshots), later(snapshots))
    end = capped.end_run("r1", T0, "complete", "dose reached")
    assert end.samples == 20 * (snapshots + 1)
    assert same(capped.reader.samples("r1"), block(20 * (snapshots + 1)))
    assert capped.reader.faults() == []


def test_writer_keeps_what_the_disk_cannot_take(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    writer.append(start(writer), now=0.0)
    writer.append(channels(writer), now=0.0)
    capped.cap(2)
    for second in range(30):
        now = 1.0 + second
        writer.append_samples("r1", block(20, first=20 * second), later(second), now=now)
        writer.append(event(writer, name=f"second {second}"), now=now)
    status = writer.status()
    written = capped.reader.last_number() - 2
    assert 0 < written < 60
    assert status.pending == 60 - written
    assert status.since == 1.0 + written // 2
    assert "free disk space" in status.fault
    assert writer.next_id() == capped.reader.id_of(63)
    assert writer.next_deadline() == 30.0 + RETRY_S

    with pytest.raises(JournalUnavailable, match=r"no run can begin: .* wait to be written"):
        writer.append(start(writer, "r2"), now=31.0)
    writer.end_run("r1", later(31), "complete", "dose reached", now=31.0, dose_mj_cm2=340.0)

    capped.cap(200)
    assert writer.retry(now=31.0 + RETRY_S / 2) == 0  # not yet time
    assert writer.retry(now=31.0 + RETRY_S) == 61 - written
    assert writer.status().pending == 0
    assert writer.status().since is None
    assert writer.status().fault == ""
    assert writer.next_deadline() is None

    run = capped.reader.run("r1")
    assert run is not None and run.end is not None
    assert (run.end.samples, run.end.events, run.end.dose_mj_cm2) == (600, 30, 340.0)
    assert same(capped.reader.samples("r1"), block(600))
    assert [e.name for e in capped.reader.events("r1")] == [f"second {s}" for s in range(30)]
    numbers = [row.number for row in capped.reader.outbox_after(0, 1000)]
    assert numbers == list(range(1, 64))
    writer.append(start(writer, "r2"), now=40.0)


def test_writer_waits_for_a_locked_file(tmp_path: Path) -> None:
    with journal_at(tmp_path / "journal.db") as journal:
        writer = JournalWriter(journal)
        other = sqlite3.connect(tmp_path / "journal.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(JournalLocked, match="locked by another program"):
            journal.append(event(journal, None))
        writer.append(event(writer, None, name="one"), now=0.0)
        writer.append(event(writer, None, name="two"), now=0.1)
        assert writer.status().pending == 2
        other.execute("ROLLBACK")
        other.close()
        writer.append(event(writer, None, name="three"), now=0.2)
        assert writer.status().pending == 3  # not tried again yet
        assert writer.retry(now=0.0 + RETRY_S) == 3
        names = [row.entry.name for row in journal.reader.outbox_after(0, 10)]
        assert names == ["one", "two", "three"]


def test_writer_passes_on_what_is_refused(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    with pytest.raises(JournalRefused):  # at once, while nothing waits
        writer.append(event(writer, "r1"), now=0.0)
    assert writer.status() == WriterStatus(0, None, "", 0)
    writer.append(start(writer), now=0.0)
    capped.cap(0)
    fill_until_full(capped, "r1")
    writer.append(event(writer, "r1", name="before", text="longer " * 30), now=1.0)
    writer.append(event(writer, "never begun"), now=1.0)
    writer.append(event(writer, "r1", name="after"), now=1.0)
    capped.cap(100)
    writer.retry(now=2.0)
    status = writer.status()
    assert (status.pending, status.refused) == (0, 1)
    assert "never began" in status.fault
    assert [e.name for e in capped.reader.events("r1")][-2:] == ["before", "after"]
    assert capped.reader.faults() == []


def test_an_entry_takes_the_number_a_refused_one_leaves(capped: CappedJournal) -> None:
    writer = JournalWriter(capped)
    writer.append(start(writer), now=0.0)
    capped.cap(0)
    fill_until_full(capped, "r1")
    writer.append(event(writer, "r1", name="before", text="longer " * 30), now=1.0)
    writer.append(event(writer, "never begun"), now=1.0)
    capped.cap(100)
    writer.append(event(writer, "r1", name="after"), now=2.0)  # numbered while both waited
    assert [e.name for e in capped.reader.events("r1")][-2:] == ["before", "after"]
    wrong = event(writer, "r1").model_copy(update={"id": "u-999"})
    with pytest.raises(JournalRefused, match="entry id u-999, the next one is"):
        writer.append(wrong, now=3.0)
