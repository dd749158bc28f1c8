"""The file refuses changes, grows up from older versions, and says why it cannot be opened."""

import os
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from platelink.record.errors import (
    JournalDamaged,
    JournalInUse,
    JournalMissing,
    JournalNewer,
    JournalReadOnly,
    NotAJournal,
)
from platelink.record.journal import Journal
from platelink.record.reader import JournalReader
from platelink.record.schema import JOURNAL
from record.make import T0, UNIT, UUID, block, channels, event, journal_at, same, start

VERSION = JOURNAL.version
V1 = Path(__file__).parent / "data" / "journal_v1.sql"


def fill(path: Path) -> None:
    with journal_at(path) as journal:
        journal.append(start(journal))
        journal.append(channels(journal))
        journal.append_samples("r1", block(), T0)
        journal.append(event(journal))
        journal.end_run("r1", T0, "stopped", "operator")


def schema_of(path: Path) -> list[tuple[str, str]]:
    """Every table, index and trigger with its text, spaces evened out."""
    with closing(sqlite3.connect(path)) as db:
        rows = db.execute("SELECT name, sql FROM sqlite_master WHERE sql IS NOT NULL ORDER BY name")
        return [
            (name, " ".join(sql.split()).replace("( ", "(").replace(" )", ")"))
            for name, sql in rows
        ]


@pytest.mark.parametrize("table", ["journal", "entries", "runs", "ends"])
def test_nothing_can_be_changed(tmp_path: Path, table: str) -> None:
    path = tmp_path / "journal.db"
    fill(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        before = db.execute(f"SELECT * FROM {table}").fetchall()
        assert before
        column = db.execute(f"SELECT * FROM {table}").description[-1][0]
        for change in (
            f"UPDATE {table} SET {column} = {column}",
            f"DELETE FROM {table}",
            f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
            f"INSERT OR IGNORE INTO {table} SELECT * FROM {table}",
        ):
            with pytest.raises(
                sqlite3.IntegrityError, match=r"append-only|holes|ended|begun|identity"
            ):
                db.execute(change)
        assert db.execute(f"SELECT * FROM {table}").fetchall() == before


def test_numbers_without_holes_and_nothing_after_the_end(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    fill(path)
    insert = "INSERT INTO entries VALUES (?, 'event', ?, 0, '{}')"
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        for number in (0, 5, 7, -1, None):
            with pytest.raises(sqlite3.IntegrityError, match="no holes"):
                db.execute(insert, (number, None))
        with pytest.raises(sqlite3.IntegrityError, match="the run has ended"):
            db.execute(insert, (6, "r1"))
        db.execute(insert, (6, None))


def test_a_version_1_file_is_brought_up_to_date(tmp_path: Path) -> None:
    old, new = tmp_path / "old.db", tmp_path / "new.db"
    with closing(sqlite3.connect(old)) as db:
        db.executescript(V1.read_text())
        # The triggers of version 1 are those of today, but for those of facts, packing and removal.
        fill(new)
        with closing(sqlite3.connect(new)) as today:
            for (sql,) in today.execute(
                "SELECT sql FROM sqlite_master WHERE type = 'trigger' AND tbl_name NOT IN "
                "('blocks', 'chunks', 'removed') AND name NOT LIKE 'facts%'"
            ):
                db.execute(sql)

    with JournalReader.open(old) as reader:  # as it is
        assert [e.name for e in reader.events("old")] == ["lamp on"]
    with journal_at(old) as journal:
        run = journal.reader.run("old")
        assert run is not None and run.end is not None
        assert (run.start.plate, run.start.target_dose_mj_cm2, run.end.state) == (
            "P-1",
            340.0,
            "stopped",
        )
        samples = journal.reader.samples("old")
        assert samples.ticks.tolist() == [1000, 1050]
        assert samples.raw["light_sum_0"].tolist() == [5, 7]
        assert samples.values["irradiance_mw_cm2"].tolist() == [12.0, 12.5]
        assert journal.next_id() == f"{UUID}-5"
        journal.append(start(journal, "next"))
        assert [r.start.run_id for r in journal.reader.runs(plate="P-1")] == ["old"]
        assert journal.reader.faults() == []
    with closing(sqlite3.connect(old)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION,)
    assert schema_of(old) == schema_of(new)


def test_a_newer_file_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    fill(path)
    with closing(sqlite3.connect(path)) as db:
        db.execute(f"PRAGMA user_version = {VERSION + 1}")
    text = f"schema version {VERSION + 1}, this release knows {VERSION}"
    for opening in (lambda: journal_at(path), lambda: JournalReader.open(path)):
        with pytest.raises(JournalNewer, match=text):
            opening()
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (VERSION + 1,)


def test_other_files_are_refused_and_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.txt"
    text.write_text("invented notes " * 100)
    other = tmp_path / "other.db"
    with closing(sqlite3.connect(other)) as db:
        db.execute("CREATE TABLE t (x)")
        db.commit()
    for path in (text, other):
        content = path.read_bytes()
        for opening in (journal_at, JournalReader.open):
            with pytest.raises(NotAJournal, match="is not a journal; set another"):
                opening(path)
        assert path.read_bytes() == content


def test_missing_files(tmp_path: Path) -> None:
    with pytest.raises(
        JournalMissing, match="nothing is recorded there yet; start the daemon: platelink serve"
    ):
        JournalReader.open(tmp_path / "journal.db")
    with pytest.raises(JournalMissing, match="create the directory"):
        journal_at(tmp_path / "no" / "journal.db")
    (tmp_path / "empty.db").touch()
    with pytest.raises(NotAJournal):
        JournalReader.open(tmp_path / "empty.db")
    journal_at(tmp_path / "empty.db").close()


def test_journal_of_another_unit(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    fill(path)
    with pytest.raises(NotAJournal, match="of unit 'unit-1', not of 'unit-2'"):
        Journal.open(path, unit="unit-2", new_uuid=UUID)
    with pytest.raises(NotAJournal, match="of unit 'unit-1'"):
        JournalReader.open(path, unit="unit-2")
    with Journal.open(path, unit=UNIT, new_uuid="another") as journal:
        assert journal.reader.uuid == UUID  # made once


def test_a_second_writer_is_told_who_writes(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path):
        with pytest.raises(JournalInUse, match=rf"pid {os.getpid()}\)"):
            journal_at(path)
        other = subprocess.run(
            [sys.executable, "-c", OPEN, str(path)], capture_output=True, text=True, check=False
        )
        assert f"JournalInUse pid {os.getpid()}" in other.stdout, other.stderr
    journal_at(path).close()


OPEN = """
import re, sys
from platelink.record.errors import JournalError
from platelink.record.journal import Journal
try:
    Journal.open(sys.argv[1], unit="unit-1", new_uuid="x")
except JournalError as error:
    print(type(error).__name__, re.search(r"pid \\d+", str(error)).group())
"""


@contextmanager
def without_rights(directory: Path, file_mode: int, directory_mode: int) -> Iterator[None]:
    """Work as a user who owns nothing here; root's rights would hide every refusal."""
    user = os.geteuid()
    (directory / "journal.db").chmod(file_mode)
    directory.chmod(directory_mode)
    os.seteuid(user or 65534)
    try:
        yield
    finally:
        os.seteuid(user)
        directory.chmod(0o755)


def test_read_only_file_and_directory() -> None:
    with TemporaryDirectory() as name:  # pytest's own directories are closed to other users
        directory = Path(name)
        path = directory / "journal.db"
        fill(path)
        path.with_name("journal.db.lock").unlink()
        with (
            without_rights(directory, 0o444, 0o777),
            pytest.raises(JournalReadOnly, match="cannot be written; give this user the right"),
        ):
            journal_at(path)
        path.with_name("journal.db.lock").unlink()
        with without_rights(directory, 0o444, 0o555):
            with pytest.raises(
                JournalReadOnly, match=r"cannot write in .* another \[journal\] path"
            ):
                journal_at(path)
            with JournalReader.open(path) as reader:  # reading needs no right to write
                assert same(reader.samples("r1"), block())


def test_damage_is_found_and_named(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        journal.append(start(journal))
        for second in range(200):
            journal.append_samples("r1", block(20, first=20 * second), T0)
    page = 4096
    content = bytearray(path.read_bytes())
    whole = bytes(content)
    for at in range(3 * page, len(content), 2 * page):
        content[at : at + page] = b"\xa5" * page
    path.write_bytes(content)
    with (
        pytest.raises(JournalDamaged, match="restore a backup"),
        JournalReader.open(path) as reader,
    ):
        reader.samples("r1")
    path.write_bytes(b"\x00" * 64 + whole[64:])
    with pytest.raises(NotAJournal):
        journal_at(path)


def test_a_block_that_does_not_decode_is_named(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    fill(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DROP TRIGGER entries_no_update")
        db.execute("UPDATE entries SET body = zeroblob(40) WHERE kind = 'samples'")
        db.execute("UPDATE entries SET body = '{\"name\": 1}' WHERE kind = 'event'")
    with JournalReader.open(path) as reader:
        for read in (reader.samples, reader.events):
            with pytest.raises(JournalDamaged, match=r"entry [34] cannot be read"):
                read("r1")


def test_a_missing_block_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "journal.db"
    with journal_at(path) as journal:
        journal.append(start(journal))
        for second in range(3):
            journal.append_samples("r1", block(20, first=20 * second), T0)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DROP TRIGGER entries_no_delete")
        db.execute("DELETE FROM entries WHERE number = 3")
    with JournalReader.open(path) as reader:
        with pytest.raises(JournalDamaged, match="entry 4 begins at sample 40, expected 20"):
            reader.samples("r1")
        assert reader.faults() == [
            "dangling reference: ('blocks', 3, 'entries', 0)", "1 entries are missing",
        ]  # fmt: skip
